"""Walk 1: what stays the same through a clip: plate, light, pipe, section and veil.

A sample of frames spread over the clip is enough to learn it. Everything here is in working
pixels; `examination.py` turns coordinates into those of the upright picture.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smokecase.clear_view import EARLY_S, build_plate, plate_of_window
from smokecase.doubts import EXPOSURE_UNCHECKED, PIPE_SMALL, SHADOW, Doubt
from smokecase.optics.veil import Veil
from smokecase.plume.clear_air import is_shadow, unseen_pct
from smokecase.plume.cone import outflow_cone
from smokecase.plume.find_exit import find_exit
from smokecase.plume.learn_veil import (
    MEMBERS,
    U_LN_WHITE,
    brightest_luma,
    guess_white,
    learn_veil,
)
from smokecase.plume.local_veil import veil_at
from smokecase.plume.marked_white import U_LN_MARKED, marked_white
from smokecase.plume.passing import beside_outflow, tell_passing
from smokecase.plume.plate import CLEAREST, Plate, QuietTime, changed_blocks, find_quiet_time
from smokecase.plume.section import PipeExit, drawn_sections, measuring_section
from smokecase.plume.smoke_or_not import AtPipe, look_at_pipe
from smokecase.plume.start import ONSET_DIAMETERS
from smokecase.plume.windows import Windows
from smokecase.sample import Layer, Lights, Sample
from smokecase.video.clip import Clip
from smokecase.video.exposure import BLOCK_PX as EXPOSURE_BLOCK_PX
from smokecase.video.exposure import Exposure, block_means, fit_exposure, log_ratios, uneven
from smokecase.video.landmarks import Landmarks
from smokecase.video.view import NOWHERE, Cut

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Tell = Callable[[float, str], None]
Box = tuple[float, float, float, float]

U_LN_UNCHECKED = 0.05  # of the exposure where no part of the picture tells it
U_LN_PAPER = 0.08  # of white taken from the printed sheet
DRIFTED, MOST_DRIFTED = 0.1, 3  # ln exposure that tells of the tone curve; frames
SURROUND_PX = 10
SMALL_PX = 16.0  # pipes thinner than this, in working pixels, were in no clip with known truth
SECTION_REACH = 1.5  # diameters around the section over which its own veil is looked for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """What walk 2 needs to measure each frame."""

    plate: Plate
    landmarks: Landmarks | None  # None: the camera stands still
    free: NDArray[np.bool_]  # blocks that the plume never reaches
    plate_blocks: NDArray[np.float32]
    pipe: PipeExit | None
    section: Box | None
    boxes: Floats  # (m, 4) the section as each member sees it
    fine: Cut  # rows and columns that are read pixel by pixel: the boxes and what surrounds them
    veil: Veil | None  # common to the plume
    veil_here: Veil | None  # at the section
    windows: Windows | None  # that the veil was learnt from
    at_pipe: AtPipe | None  # what changes at the pipe, beside the rest of the view
    white: Floats  # (3,)
    u_ln_white: float
    brightest: float  # luma of the brightest things on the plate
    clipped: NDArray[np.bool_]  # blown out on the plate
    drifted: tuple[Picture, ...]  # frames on the plate as recorded, where the exposure differs
    u_clear_pct: float  # what may hide in a section that looks clear
    open_above: bool  # smoke was there from the start: readings are lower bounds
    doubts: frozenset[Doubt]


def learn_scene(  # noqa: PLR0913 - the door's options, each by name
    clip: Clip,
    sample: Sample,
    *,
    exit_px: tuple[float, float] | None,
    diameter_px: float | None,
    white_box: Box | None = None,
    plate_window_s: tuple[float, float] | None,
    doubts: set[Doubt],
    tell: Tell,
    rng: np.random.Generator,
) -> Scene:
    """Learn what stays from a sample of frames.

    Parameters
    ----------
    clip : Clip
    sample : Sample
        Of the part of the clip that counts.
    exit_px, diameter_px : tuple, float or None
        The pipe's end and outer width in working pixels, where the user knows them.
    white_box : tuple or None
        Something white that the user marked, x0, y0, x1, y1. [working px]
    plate_window_s : tuple or None
        A time without smoke, where the user knows it. [s]
    doubts : set of Doubt
        How the camera was held.
    tell : callable
        Takes progress (0 to 1) and words; may raise `Cancelled`.
    rng : numpy.random.Generator
        Chance.

    Raises
    ------
    ClipError
        If no frame lies in the chosen part.
    ValueError
        If what is marked as white cannot be.
    """
    doubts = set(doubts)
    lights, landmarks = sample.lights, sample.landmarks
    tell(0.35, "looking for the tailpipe")
    # the first moments stand in for the plate until it is known how long the view stays clear
    early = max(1, int(np.sum(sample.times_s <= sample.times_s[0] + EARLY_S)))
    first: Picture = np.asarray(np.mean(lights[:early], axis=0), np.float32)
    blocks = np.stack([block_means(x) for x in lights])
    reference = block_means(first)
    exposure = fit_exposure(blocks, reference)
    evened = lights.without(exposure.gain)
    pipe = find_exit(evened, sample.times_s, first, exit_px=exit_px, diameter_px=diameter_px)
    section = None
    boxes = np.zeros((0, 4))
    if pipe.exit_px is not None and pipe.diameter_px is not None and pipe.direction_deg is not None:
        section = measuring_section(pipe.exit_px, pipe.diameter_px, pipe.direction_deg)
        boxes = drawn_sections(pipe, MEMBERS, rng)
        if pipe.diameter_px < SMALL_PX:
            doubts.add(PIPE_SMALL)
    doubts |= pipe.doubts
    fine = _around(boxes)
    tell(0.45, "looking for the clear view")
    changed = changed_blocks(blocks, exposure.gain, reference)
    near = _near_exit(changed.shape[1:], pipe)
    quiet = find_quiet_time(sample.times_s, changed, near)
    layer = Layer(clip.transfer, landmarks, lights[0], fine)
    if plate_window_s is None:
        times = sample.times_s
        plate = build_plate(clip, layer, lights, exposure.gain, times, quiet, pipe, near, doubts)
    else:
        plate = plate_of_window(clip, layer, plate_window_s, doubts)
    plate_blocks = block_means(plate.light)
    exposure = fit_exposure(blocks, plate_blocks)
    if not exposure.checked:
        doubts.add(EXPOSURE_UNCHECKED)
    drifted = _drifted(lights, exposure) if exposure.checked else ()
    lights = lights.without(exposure.gain)
    clipped = sample.blown
    white = guess_white(plate.light)
    if white_box is not None:
        white = marked_white(plate.light, clipped, white_box)
    tell(0.6, "learning the colour of the smoke")
    late = _smoky_frames(plate, quiet, sample.times_s)
    evened_blocks = (blocks / exposure.gain[:, None, None, :]).astype(np.float32)
    late = _undisturbed(late, sample.times_s, evened_blocks, plate_blocks, pipe, section)
    patchy = [uneven(log_ratios(blocks[i], plate_blocks), exposure.free) for i in late]
    u_gain = float(np.sqrt(np.mean(np.square(patchy)))) if late else 0.0
    if not exposure.checked:
        u_gain = float(np.hypot(u_gain, U_LN_UNCHECKED))
    veil, windows = learn_veil(
        lights, late, plate.light, pipe, section, white, rng, tell,
        gains=exposure.gain, u_gain=u_gain,
    )  # fmt: skip
    seen = np.array([block_means(lights[i]) for i in late], np.float32)
    at_pipe = look_at_pipe(seen, plate_blocks, plate.light.shape, pipe)
    if veil is not None and is_shadow(veil, white, at_pipe):
        doubts.add(SHADOW)
        veil = None
    veil_here = veil
    if veil is not None and windows is not None and section is not None:
        middle = ((section[0] + section[2]) / 2, (section[1] + section[3]) / 2)
        reach = SECTION_REACH * float(pipe.diameter_px or 1.0)
        veil_here = veil_at(windows, veil, middle, reach, rng)
    return Scene(
        plate=plate,
        landmarks=landmarks,
        free=exposure.free if exposure.checked else np.ones_like(exposure.free),
        plate_blocks=plate_blocks,
        pipe=pipe if section else None,
        section=section,
        boxes=boxes,
        fine=fine,
        veil=veil,
        veil_here=veil_here,
        windows=windows,
        at_pipe=at_pipe,
        white=white,
        u_ln_white=U_LN_WHITE if white_box is None else U_LN_MARKED,
        brightest=brightest_luma(plate.light),
        clipped=clipped,
        drifted=drifted,
        u_clear_pct=unseen_pct(plate.light, section),
        open_above=plate.origin == CLEAREST,
        doubts=frozenset(doubts),
    )


def _drifted(lights: Lights, exposure: Exposure) -> tuple[Picture, ...]:
    """Pick the few frames whose exposure differs most from the plate's, as they were recorded."""
    away = np.abs(np.log(exposure.gain[:, 1]))
    far = np.argsort(away)[-MOST_DRIFTED:]
    as_filmed = lights.without(np.ones_like(exposure.gain))
    return tuple(as_filmed[int(i)] for i in far if away[i] > DRIFTED)


def _near_exit(shape: tuple[int, ...], pipe: PipeExit) -> NDArray[np.bool_]:
    """Blocks near the exit and downstream of it; all where there is no exit."""
    if pipe.exit_px is None or pipe.diameter_px is None:
        return np.ones(shape, bool)
    near = replace(
        pipe,
        exit_px=(pipe.exit_px[0] / EXPOSURE_BLOCK_PX, pipe.exit_px[1] / EXPOSURE_BLOCK_PX),
        diameter_px=max(pipe.diameter_px / EXPOSURE_BLOCK_PX, 1.2),
    )
    return outflow_cone(shape, near, reach=ONSET_DIAMETERS)


def _around(boxes: Floats) -> Cut:
    """Rows and columns of all boxes and what is smoothed into them."""
    if not len(boxes):
        return NOWHERE
    x0, y0 = np.maximum(np.floor(boxes[:, :2].min(axis=0)) - SURROUND_PX, 0.0).astype(int)
    x1, y1 = np.maximum(np.ceil(boxes[:, 2:].max(axis=0)) + SURROUND_PX, 0.0).astype(int)
    return slice(int(y0), int(y1)), slice(int(x0), int(x1))


def _undisturbed(
    late: list[int],
    times_s: Floats,
    blocks: Picture,
    plate_blocks: Picture,
    pipe: PipeExit,
    section: Box | None,
) -> list[int]:
    """Leave out the samples in which someone passes, as long as most remain."""
    outside = beside_outflow(plate_blocks.shape[:2], pipe, section, EXPOSURE_BLOCK_PX)
    if outside is None or not late:
        return late
    near, far = np.array([outside.changed(b, plate_blocks) for b in blocks]).T
    smoky = np.zeros(len(times_s), bool)
    smoky[late] = True
    passing = tell_passing(times_s, near, far, smoky)
    kept = [i for i in late if not passing[i]]
    return kept if len(kept) > len(late) / 2 else late


def _smoky_frames(plate: Plate, quiet: QuietTime, times_s: Floats) -> list[int]:
    """List the samples that may show smoke: all but those of the plate."""
    if quiet.first_change_s is None and plate.origin == "quiet":
        return list(range(len(times_s)))
    return [i for i, t in enumerate(times_s) if not plate.from_s <= t <= plate.to_s]
