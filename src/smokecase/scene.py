"""Walk 1: what stays the same through a clip: plate, light, pipe, section and veil.

A sample of frames spread over the clip is enough to learn it. Everything here is in working
pixels; `examination.py` turns coordinates into those of the upright picture.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import (
    EXPOSURE_UNCHECKED,
    MOVING_CAMERA,
    NO_CLEAN_PLATE,
    SHADOW,
    SHAKY,
    SHORT_PLATE,
    SMOKE_FROM_START,
    Doubt,
)
from smokecase.errors import ClipError
from smokecase.optics.light import saturated, to_linear
from smokecase.optics.veil import Veil, channel_powers, depth_by_veil, fit_veil
from smokecase.plume.local_veil import veil_at
from smokecase.plume.plate import (
    SHORT_PLATE_S,
    Plate,
    QuietTime,
    average,
    changed_blocks,
    find_clearest,
    find_quiet_time,
)
from smokecase.plume.section import PipeExit, find_exit, measuring_section
from smokecase.plume.windows import (
    LEAK_SIGMA,
    LUMA,
    PlateTexture,
    Windows,
    blur,
    join,
)
from smokecase.video.clip import Clip
from smokecase.video.exposure import block_means, fit_exposure
from smokecase.video.steady import Landmarks, find_landmarks, fit_view_to, warp_to_plate

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Tell = Callable[[float, str], None]

EARLY_S = 0.5  # stands in for the plate at first
ONSET_DIAMETERS = 5.0  # smoke shows here first
CLEARER = 1.25  # texture over the plate's that shows that the plate was smoky
U_CLEAR_PCT = 1.2  # standard uncertainty of a section that shows no smoke
SHADOW_VEIL, OUTSIDE_SHARE = 0.25, 0.5
MOST_SAMPLES = 56
MOST_PLATE_FRAMES = 45
MEMBERS = 24  # of the veil's ensemble
STATIC_PX = 0.12  # a camera that moves less than this stands still
FAR_PX = 0.12  # of the long side: beyond this the view has changed
SHAKY_PX = 0.6
U_GIVEN_EXIT = 0.05  # of the diameter: how well a person points
U_GIVEN_DIAMETER = 0.04
GREY_WORLD = 0.2  # mean reflectance of yards, cars, hedges, walls (common practice, no source)
U_LN_WHITE = 0.55
CHANGED_WINDOW = 0.05  # relative change of brightness that makes a window a candidate for smoke
FADED, FADED_SIGMAS = 0.05, 2.5  # loss of texture that does
BLOCK_PX = 24  # windows this near to one another err together
FEWEST_TOLD = 16  # windows that must show either
CEILING, MOST_BLOWN = 0.95, 0.04  # linear light of a blown-out pixel; share of them in a window
FEWEST_CLEAR = 40  # windows of clear air before they set the scale of texture
REACH_DIAMETERS = 16.0
SPREAD, HALF_WIDTH = 0.55, 0.8  # cone in which smoke is looked for first, per diameter
SECTION_REACH = 1.5  # diameters around the section over which its own veil is looked for
NEAR_DIAMETERS = 6.0  # windows further from the section than this count half and less


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """What walk 2 needs to measure each frame."""

    plate: Plate
    landmarks: Landmarks | None  # None: the camera stands still
    free: NDArray[np.bool_]  # blocks that the plume never reaches
    plate_blocks: NDArray[np.float32]
    pipe: PipeExit | None
    section: tuple[float, float, float, float] | None
    boxes: Floats  # (m, 4) the section as each member sees it
    veil: Veil | None  # common to the plume
    veil_here: Veil | None  # at the section
    white: Floats  # (3,)
    u_ln_white: float
    brightest: float  # luma of the brightest things on the plate
    clipped: NDArray[np.bool_]  # blown out on the plate
    first_change_s: float | None
    u_clear_pct: float  # what may hide in a section that looks clear
    open_above: bool  # smoke was there from the start: readings are lower bounds
    doubts: frozenset[Doubt]


@dataclass(slots=True, eq=False)
class _Sample:
    times_s: Floats
    codes: list[NDArray[np.uint16]]
    transfer: str

    def light(self, i: int) -> Picture:
        return to_linear(self.codes[i], self.transfer)


def learn_scene(  # noqa: PLR0913 - the door's options, each by name
    clip: Clip,
    *,
    exit_px: tuple[float, float] | None,
    diameter_px: float | None,
    plate_window_s: tuple[float, float] | None,
    from_s: float,
    to_s: float,
    tell: Tell,
    rng: np.random.Generator,
) -> Scene:
    """Learn what stays from a sample of frames.

    Parameters
    ----------
    clip : Clip
    exit_px, diameter_px : tuple, float or None
        The pipe's end and outer width in working pixels, where the user knows them.
    plate_window_s : tuple or None
        A time without smoke, where the user knows it. [s]
    from_s, to_s : float
        Part of the clip that counts. [s]
    tell : callable
        Takes progress (0 to 1) and words; may raise `Cancelled`.
    rng : numpy.random.Generator
        Chance.

    Raises
    ------
    ClipError
        If no frame lies in the chosen part.
    """
    sample = _take_sample(clip, from_s, to_s, tell)
    doubts: set[Doubt] = set()
    landmarks, lights = _steadied(sample, doubts)
    tell(0.35, "looking for the tailpipe")
    # the first moments stand in for the plate until it is known how long the view stays clear
    early = max(1, int(np.sum(sample.times_s <= sample.times_s[0] + EARLY_S)))
    first = np.mean(lights[:early], axis=0, dtype=np.float64).astype(np.float32)
    blocks = np.stack([block_means(x) for x in lights])
    reference = block_means(first)
    exposure = fit_exposure(blocks, reference)
    evened = _evened(lights, exposure.gain)
    pipe = find_exit(evened, sample.times_s, first, exit_px=exit_px, diameter_px=diameter_px)
    section = None
    boxes = np.zeros((0, 4))
    if pipe.exit_px is not None and pipe.diameter_px is not None:
        section = measuring_section(pipe.exit_px, pipe.diameter_px, pipe.direction_deg)
        boxes = _drawn_boxes(pipe, rng)
    doubts |= pipe.doubts
    tell(0.45, "looking for the clear view")
    changed = changed_blocks(blocks, exposure.gain, reference)
    quiet = find_quiet_time(sample.times_s, changed & _near_exit(changed.shape[1:], pipe))
    plate = _make_plate(clip, sample, landmarks, quiet, plate_window_s, doubts)
    open_above = False
    if plate_window_s is None and _smoky_at_start(evened, plate.light, pipe):
        doubts.update({SMOKE_FROM_START, NO_CLEAN_PLATE})
        light, u = find_clearest(lights, exposure.gain)
        plate = replace(plate, light=light, u_light=u, origin="clearest", frames=len(lights))
        open_above = True
    plate_blocks = block_means(plate.light)
    exposure = fit_exposure(blocks, plate_blocks)
    if not exposure.checked:
        doubts.add(EXPOSURE_UNCHECKED)
    lights = _evened(lights, exposure.gain)
    white = guess_white(plate.light)
    tell(0.6, "learning the colour of the smoke")
    late = _smoky_frames(plate, quiet, sample.times_s)
    veil, windows = learn_veil(
        lights, late, plate.light, pipe, section, white, rng, tell, gains=exposure.gain
    )
    if veil is not None and _is_shadow(veil, white, lights, late, plate.light, pipe):
        doubts.add(SHADOW)
        veil = None
    veil_here = veil
    if veil is not None and windows is not None and section is not None:
        middle = ((section[0] + section[2]) / 2, (section[1] + section[3]) / 2)
        reach = SECTION_REACH * float(pipe.diameter_px or 1.0)
        veil_here = veil_at(windows, veil, middle, reach, rng)
    clipped = saturated(sample.codes[0])
    return Scene(
        plate=plate,
        landmarks=landmarks,
        free=exposure.free if exposure.checked else np.ones_like(exposure.free),
        plate_blocks=plate_blocks,
        pipe=pipe if section else None,
        section=section,
        boxes=boxes,
        veil=veil,
        veil_here=veil_here,
        white=white,
        u_ln_white=U_LN_WHITE,
        brightest=brightest_luma(plate.light),
        clipped=clipped,
        first_change_s=quiet.first_change_s,
        u_clear_pct=_unseen(plate.light, section),
        open_above=open_above,
        doubts=frozenset(doubts),
    )


def _evened(lights: list[Picture], gains: Floats) -> list[Picture]:
    return [
        (x / g.astype(np.float32)).astype(np.float32) for x, g in zip(lights, gains, strict=True)
    ]


def _near_exit(shape: tuple[int, ...], pipe: PipeExit) -> NDArray[np.bool_]:
    """Blocks near the exit and downstream of it; all where there is no exit."""
    if pipe.exit_px is None or pipe.diameter_px is None:
        return np.ones(shape, bool)
    near = replace(
        pipe,
        exit_px=(pipe.exit_px[0] / BLOCK_PX, pipe.exit_px[1] / BLOCK_PX),
        diameter_px=max(pipe.diameter_px / BLOCK_PX, 1.2),
    )
    return _cone(shape, near, reach=ONSET_DIAMETERS)


def _smoky_at_start(lights: list[Picture], plate: Picture, pipe: PipeExit) -> bool:
    """Tell whether the plate already lay behind smoke: later frames then show more texture.

    Only near the exit, and only where many windows say so: light that changes can do it to a few.
    """
    texture = PlateTexture(plate)
    cone = _cone(plate.shape[:2], pipe, reach=ONSET_DIAMETERS)
    cuts = [texture.cut(x, cone, i, None, None) for i, x in enumerate(lights)]
    if not cuts or not len(cuts[0]):
        return False
    slopes = np.stack([c.slope[:, 0] for c in cuts])  # (n, windows), the same places in each
    known = np.median([c.u_slope[:, 0] for c in cuts], axis=0) < 0.15
    if known.sum() < FEWEST_TOLD // 2:
        return False
    strongest = np.percentile(slopes[:, known], 90, axis=0)
    return bool(np.mean(strongest > CLEARER) > 0.5)


def _unseen(plate: Picture, section: tuple[float, float, float, float] | None) -> float:
    """Opacity that could hide before this plate without a trace, as a standard uncertainty [%].

    Smoke of just the plate's colour shows only in the texture that it takes away.
    """
    if section is None:
        return U_CLEAR_PCT
    texture = PlateTexture(plate)
    x0, y0, x1, y1 = (round(v) for v in section)
    here = np.zeros(plate.shape[:2], bool)
    here[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)] = True
    windows = texture.cut(plate, here, 0, None, None)
    if not len(windows):
        return 4.0 * U_CLEAR_PCT
    best = float(np.median(windows.u_slope.min(axis=1)))
    return float(np.clip(100.0 * best / 4.0, U_CLEAR_PCT, 5.0 * U_CLEAR_PCT))


def _is_shadow(  # noqa: PLR0913 - walk 1's findings
    veil: Veil,
    white: Floats,
    lights: list[Picture],
    late: list[int],
    plate: Picture,
    pipe: PipeExit,
) -> bool:
    """Tell a shadow from soot: it lies as much outside the pipe's cone as inside.

    A shadow adds no light, like soot; but it crosses the picture and does not start at the pipe.
    """
    if veil.light[1] > SHADOW_VEIL * white[1] or pipe.exit_px is None:
        return False
    cone = _cone(plate.shape[:2], pipe)
    small = block_means(plate)
    h, w = small.shape[:2]
    rows = np.minimum(((np.arange(h) + 0.5) * 16).astype(int), cone.shape[0] - 1)
    columns = np.minimum(((np.arange(w) + 0.5) * 16).astype(int), cone.shape[1] - 1)
    inside = cone[rows][:, columns]
    if inside.all() or not inside.any():
        return False
    level = small.max(axis=-1) + 0.03
    darker = np.stack([((small - block_means(lights[i])).max(axis=-1) / level) for i in late])
    much = darker > CHANGED_WINDOW
    return bool(much[:, ~inside].mean() > OUTSIDE_SHARE * max(much[:, inside].mean(), 1e-6))


def _take_sample(clip: Clip, from_s: float, to_s: float, tell: Tell) -> _Sample:
    """Frames spread evenly over the clip; thinned out when there turn out to be more."""
    expected = max(1, clip.frame_count)
    step = max(1, expected // MOST_SAMPLES)
    times: list[float] = []
    codes: list[NDArray[np.uint16]] = []
    for n, frame in enumerate(clip.frames(from_s, to_s)):
        if n % 16 == 0:
            tell(min(0.3, 0.3 * n / expected), "looking through the clip")
        if n % step == 0:
            times.append(frame.time_s)
            codes.append(frame.codes)
            if len(times) > 2 * MOST_SAMPLES:
                times, codes, step = times[::2], codes[::2], step * 2
    if not codes:
        what = "no picture lies in the chosen part of the clip"
        raise ClipError(what, where=clip.name, remedy="choose another --from and --to")
    return _Sample(np.array(times), codes, clip.transfer)


def grey(codes: NDArray[np.uint16]) -> NDArray[np.float32]:
    """Luma of the codes, for finding corners."""
    return np.asarray(codes.astype(np.float32) @ LUMA / 257.0, np.float32)


def _steadied(sample: _Sample, doubts: set[Doubt]) -> tuple[Landmarks | None, list[Picture]]:
    """Sampled frames laid on the first; no landmarks where the camera stands still."""
    landmarks = find_landmarks(grey(sample.codes[0]))
    views = [fit_view_to(landmarks, grey(c)) for c in sample.codes]
    moved = np.array([v.moved_px for v in views])
    shake = np.array([v.shake_px for v in views])
    if np.median(moved) < STATIC_PX and np.percentile(moved, 90) < 3 * STATIC_PX:
        return None, [sample.light(i) for i in range(len(views))]
    if np.percentile(moved, 90) > FAR_PX * max(sample.codes[0].shape):
        doubts.add(MOVING_CAMERA)
    if np.nanmedian(shake) > SHAKY_PX or np.mean([v.trusted for v in views]) < 0.6:
        doubts.add(SHAKY)
    return landmarks, [warp_to_plate(sample.light(i), v)[0] for i, v in enumerate(views)]


def _make_plate(  # noqa: PLR0913 - all that a plate can rest on
    clip: Clip,
    sample: _Sample,
    landmarks: Landmarks | None,
    quiet: QuietTime,
    window: tuple[float, float] | None,
    doubts: set[Doubt],
) -> Plate:
    """Build the plate from the time named, or the quiet time."""
    origin = "before_change" if quiet.first_change_s is not None else "quiet"
    start, end = window or (quiet.from_s, quiet.to_s)
    if window:
        origin = "window"
    if not window and end - start < EARLY_S:
        end = min(start + EARLY_S, float(sample.times_s[-1]))
    frames = []
    every = max(1, int((end - start) * clip.nominal_fps / MOST_PLATE_FRAMES))
    for n, frame in enumerate(clip.frames(start, end + 1e-6)):
        if n % every == 0:
            light = to_linear(frame.codes, clip.transfer)
            if landmarks is not None:
                light = warp_to_plate(light, fit_view_to(landmarks, grey(frame.codes)))[0]
            frames.append(light)
        if len(frames) >= 2 * MOST_PLATE_FRAMES:
            break
    if not frames:
        what = f"no picture lies between {start:g} s and {end:g} s"
        raise ClipError(what, where=clip.name, remedy="choose another --plate-window")
    if end - start < SHORT_PLATE_S and len(frames) < 12:
        doubts.add(SHORT_PLATE)
    light, u = average(frames)
    return Plate(light=light, u_light=u, origin=origin, from_s=start, to_s=end, frames=len(frames))


def _drawn_boxes(pipe: PipeExit, rng: np.random.Generator) -> Floats:
    """Section of each member, with exit, diameter and direction drawn within their doubt."""
    boxes = []
    for m in range(MEMBERS):
        z = rng.normal(size=4) if m else np.zeros(4)
        exit_px = (
            pipe.exit_px[0] + z[0] * pipe.u_exit_px,  # type: ignore[index]
            pipe.exit_px[1] + z[1] * pipe.u_exit_px,  # type: ignore[index]
        )
        wide = float(pipe.diameter_px * np.exp(z[2] * pipe.u_diameter_px / pipe.diameter_px))  # type: ignore[operator]
        boxes.append(
            measuring_section(exit_px, wide, pipe.direction_deg + z[3] * pipe.u_direction_deg)
        )
    return np.array(boxes, np.float64)


def guess_white(plate: Picture) -> Floats:
    """Light of a white card, guessed from the scene: yards, cars, hedges and walls reflect about a
    fifth, within a factor of two.

    Cameras balance white to equal channels, so the tint is taken as neutral; both guesses carry
    wide uncertainties.
    """
    luma = plate @ LUMA
    level = max(float(luma.mean()) / GREY_WORLD, float(np.percentile(luma, 98)))
    return np.full(3, max(level, 0.02))


def brightest_luma(plate: Picture) -> float:
    """Luma that only the brightest fiftieth of the plate exceeds."""
    return max(float(np.percentile(plate @ LUMA, 98)), 0.01)


def _smoky_frames(plate: Plate, quiet: QuietTime, times_s: Floats) -> list[int]:
    """Samples that may show smoke: all but those of the plate."""
    if quiet.first_change_s is None and plate.origin == "quiet":
        return list(range(len(times_s)))
    return [i for i, t in enumerate(times_s) if not plate.from_s <= t <= plate.to_s]


def learn_veil(  # noqa: PLR0913 - walk 1's findings
    lights: list[Picture],
    late: list[int],
    plate: Picture,
    pipe: PipeExit,
    section: tuple[float, float, float, float] | None,
    white: Floats,
    rng: np.random.Generator,
    tell: Tell,
    *,
    compression: float = 1.0,
    gains: Floats | None = None,
) -> tuple[Veil | None, Windows | None]:
    """Fit the veil to windows of changed pixels in the pipe's cone.

    Parameters
    ----------
    lights : list of ndarray, shape (h, w, 3)
        Frames on the plate, exposure taken out.
    late : list of int
        Those that may show smoke.
    plate : ndarray, shape (h, w, 3)
    pipe : PipeExit
        Where smoke is looked for first; without an exit, everywhere.
    section : tuple or None
        Windows near it count most.
    white : ndarray, shape (3,)
    rng : numpy.random.Generator
    tell : callable
    compression : float
        How far compression must be reckoned with: 1 for a clip, near 0 for a lossless picture.
    gains : ndarray, shape (n, 3), optional
        Exposure that was taken out of each frame, to know where it was blown out.

    Returns
    -------
    Veil or None, Windows or None
        None where too little changed to fit anything.
    """
    texture = PlateTexture(plate, compression)
    cone = _cone(plate.shape[:2], pipe)
    sound = [_unclipped(lights[i], None if gains is None else gains[i]) for i in late]
    cuts = [
        texture.cut(lights[i], whole, i, None, None) for i, whole in zip(late, sound, strict=True)
    ]
    touched = _touched(cuts, cone, texture.stride)
    if touched is None:
        return None, None
    kept = _kept_texture(cuts, touched)
    centre = np.array([0.0, 0.0])
    near = np.inf
    if section is not None and pipe.diameter_px is not None:
        centre = np.array([(section[0] + section[2]) / 2, (section[1] + section[3]) / 2])
        near = NEAR_DIAMETERS * pipe.diameter_px
    veil: Veil | None = None
    for turn in range(2):
        parts = []
        for i, whole in zip(late, sound, strict=True):
            depth, model = (None, None) if veil is None else _model(lights[i], texture, veil)
            parts.append(texture.cut(lights[i], touched & whole, i, depth, model))
        windows = join(parts)
        windows = replace(windows, slope=windows.slope / kept, u_slope=windows.u_slope / kept)
        tell(0.65 + 0.15 * turn, "learning the colour of the smoke")
        found = _fit(windows, centre, near, white, MEMBERS if turn else 1, rng)
        if found is None:
            return None, None
        veil = found
    return veil, windows


def _fit(
    windows: Windows,
    centre: Floats,
    near: float,
    white: Floats,
    members: int,
    rng: np.random.Generator,
) -> Veil | None:
    away = np.hypot(windows.x - centre[0], windows.y - centre[1])
    trust = 1.0 / (1.0 + (away / near) ** 2)
    block = (
        (windows.x // BLOCK_PX).astype(np.intp) * 1_000_000
        + (windows.y // BLOCK_PX).astype(np.intp) * 1_000
        + windows.frame // 4
    )
    columns: dict[str, Any] = {
        k: getattr(windows, k) for k in ("light", "plate", "slope", "u_slope", "u_common", "share")
    }
    return fit_veil(
        **columns, block=block, trust=trust, white=white, u_white=U_LN_WHITE,
        members=members, rng=rng,
    )  # fmt: skip


def _model(
    light: Picture, texture: PlateTexture, veil: Veil
) -> tuple[NDArray[np.float32], Picture]:
    """Smooth luma transmittance and model light of a frame at this veil."""
    j = veil.light.astype(np.float32)
    away = texture.plate - j
    top, below = (
        blur((light - j) * away, LEAK_SIGMA * texture.size),
        blur(away * away, LEAK_SIGMA * texture.size),
    )
    depth = depth_by_veil(top.astype(np.float64), below.astype(np.float64), veil.slope)
    through = np.exp(-depth[..., None] * channel_powers(veil.slope)).astype(np.float32)
    model = through * texture.plate + (1 - through) * j
    return (through @ LUMA).astype(np.float32), model.astype(np.float32)


def _touched(cuts: list[Windows], cone: NDArray[np.bool_], stride: int) -> NDArray[np.bool_] | None:
    """Places in the cone that smoke may have reached in some frame; None where there are none.

    White smoke before a white wall changes nothing in brightness, so a place counts as well where
    its texture fades. Places are chosen over all frames together, for choosing windows one by one
    by their slope would prefer those whose noise points down.
    """
    touched = np.zeros(cone.shape, bool)
    found = 0
    for windows in cuts:
        if not len(windows):
            continue
        change = np.abs(windows.light - windows.plate).max(axis=1)
        change /= windows.plate.max(axis=1) + 0.02
        best = np.argmin(windows.u_slope, axis=1)[:, None]
        slope = np.take_along_axis(windows.slope, best, axis=1)[:, 0]
        u = np.take_along_axis(windows.u_slope, best, axis=1)[:, 0]
        x, y = windows.x.astype(int), windows.y.astype(int)
        inside = cone[np.minimum(y, cone.shape[0] - 1), np.minimum(x, cone.shape[1] - 1)]
        told = (change > CHANGED_WINDOW) | (slope < 1.0 - FADED - FADED_SIGMAS * u)
        told &= inside
        found += int(told.sum())
        half = stride // 2
        for at_x, at_y in zip(x[told], y[told], strict=True):
            touched[at_y - half : at_y + half, at_x - half : at_x + half] = True
    return touched & cone if found >= FEWEST_TOLD else None


def _unclipped(light: Picture, gain: Floats | None) -> NDArray[np.bool_]:
    """Places whose surroundings are not blown out: a cut-off veil would pass for a darker one."""
    ceiling = CEILING if gain is None else CEILING / gain.astype(np.float32)
    blown = (light >= ceiling).any(axis=-1).astype(np.float32)
    return np.asarray(blur(blown, 9.0) < MOST_BLOWN)


def _kept_texture(cuts: list[Windows], touched: NDArray[np.bool_]) -> Floats:
    """Texture that the camera keeps per band where there is no smoke, shape (b,).

    The plate is a mean of frames and smoother in time than they are, noise reduction works
    differently from moment to moment: slopes are a little off even in clear air. What they are
    there is what they are measured against.
    """
    parts = []
    for windows in cuts:
        if not len(windows):
            continue
        y = np.minimum(windows.y.astype(int), touched.shape[0] - 1)
        x = np.minimum(windows.x.astype(int), touched.shape[1] - 1)
        change = np.abs(windows.light - windows.plate).max(axis=1)
        change /= windows.plate.max(axis=1) + 0.02
        parts.append(windows.pick(~touched[y, x] & (change < CHANGED_WINDOW / 2.0)))
    kept = np.ones(3)
    if not parts:
        return kept
    clear = join(parts)
    for band in range(clear.slope.shape[1]):
        known = clear.u_slope[:, band] < 0.12
        if known.sum() >= FEWEST_CLEAR:
            kept[band] = np.clip(np.median(clear.slope[known, band]), 0.85, 1.1)
    return kept


def _cone(
    shape: tuple[int, ...], pipe: PipeExit, *, reach: float = REACH_DIAMETERS
) -> NDArray[np.bool_]:
    """Where the pipe's smoke is looked for first: a cone along the outflow."""
    if pipe.exit_px is None or pipe.diameter_px is None:
        return np.ones(shape, bool)
    y, x = np.mgrid[: shape[0], : shape[1]]
    angle = np.radians(pipe.direction_deg)
    dx, dy = x - pipe.exit_px[0], y - pipe.exit_px[1]
    along = dx * np.cos(angle) + dy * np.sin(angle)
    across = np.abs(-dx * np.sin(angle) + dy * np.cos(angle))
    d = pipe.diameter_px
    inside = (along > 0.1 * d) & (along < reach * d)
    return np.asarray(inside & (across < HALF_WIDTH * d + SPREAD * along))
