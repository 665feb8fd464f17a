"""Story 1: a clip becomes an `Examination`, in two walks through the file.

Walk 1 (`scene.py`) learns from a sample of frames what stays: the plate, the exposure's free
blocks, the pipe, the measuring section, the veil. Walk 2 measures every frame, one in memory at
a time.
"""

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import partial
from importlib.metadata import version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smokecase.behind import find_sheets_in, follow_drift, look_behind, working_box
from smokecase.doubts import (
    NO_CLEAN_PLATE,
    NO_SOUND,
    SECTION_HIDDEN,
    SMOKE_FROM_START,
    SMOKE_OPEN,
    TOO_SHORT,
    VEIL_LIKE_PLATE,
    Doubt,
)
from smokecase.key_frames import pick_key_frames
from smokecase.pair import examine_pair, examine_still
from smokecase.plume.backdrop import tell_backdrop
from smokecase.plume.clear_air import clearer_than_clear, hides_smoke
from smokecase.plume.kind import LIKELY_NONE, ColourLook, look_at_smoke, tell_colour
from smokecase.plume.passing import tell_passing
from smokecase.plume.puffs import tell_puffs
from smokecase.plume.timing import (
    bounds_at_peak,
    longest_spell_s,
    tell_smoke_from_specks,
    tell_timing,
)
from smokecase.plume_doubts import doubt_of_veil, doubts_of_plume
from smokecase.readings import Examination, SmokeColour, SoundReading
from smokecase.refusal import refuse, without_readings
from smokecase.sample import take_sample
from smokecase.scene import U_LN_PAPER, Scene, learn_scene
from smokecase.sound.listening import listen
from smokecase.together import cycles_hz, lay_together
from smokecase.trace import SmokeTrace
from smokecase.video.ahead import ahead
from smokecase.video.clip import Clip, open_clip
from smokecase.video.spool import spooled
from smokecase.walk import Walk

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Tell = Callable[[float, str], None]

FEWEST_VISIBLE = 5  # pictures with a visible plume that make it a plume
# without a pipe: time that smoke stays at the least, and share of a short clip
SHORTEST_SPELL_S, SHORTEST_SHARE = 1.0, 0.5
MOST_CHI2 = 6.0  # misfit of the veil; smoke with someone walking through it: up to 5
SEED = 20_261_125  # same clip, same settings: same numbers out


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What may be set; an `Examination` keeps what was used."""

    whole_plume_hz: float = 10.0  # how often the whole plume is looked at; the section: every frame
    refuse_share: float = 0.5  # of the smoky frames, without an answer: the clip is refused
    refuse_u_pct: float = 18.0  # a reading with a wider standard uncertainty is no answer
    fewest_s: float = 2.0  # a shorter clip tells no story


def examine(  # noqa: PLR0913 - the door's options, each by name
    path: str | Path,
    *,
    exit_px: tuple[float, float] | None = None,
    diameter_px: float | None = None,
    plate: str | Path | None = None,
    plate_window_s: tuple[float, float] | None = None,
    from_s: float = 0.0,
    to_s: float = math.inf,
    board_px: tuple[float, float, float, float] | None = None,
    white_px: tuple[float, float, float, float] | None = None,
    cylinders: int | None = None,
    strokes: int = 4,
    settings: Settings | None = None,
    tell: Tell | None = None,
) -> Examination:
    """Measure the smoke in a clip, a pair of stills or an animated picture.

    Parameters
    ----------
    path : str or Path
        The clip or picture.
    exit_px : tuple of float, optional
        Middle of the pipe's mouth, in pixels of the upright picture. Found if not given.
    diameter_px : float, optional
        The pipe's outer diameter there. [px]
    plate : str or Path, optional
        A still of the same view without smoke.
    plate_window_s : tuple of float, optional
        Start and end of a time without smoke. [s]
    from_s, to_s : float
        The part of the clip to measure. [s]
    board_px : tuple of float, optional
        Box x0, y0, x1, y1 of a plain board of light and dark patches behind the plume, in pixels
        of the upright picture. The printed backdrop is found by itself.
    white_px : tuple of float, optional
        Box of something white in the light of the yard, or of the sky; colours are told against
        it. The printed backdrop's paper goes before it.
    cylinders : int, optional
        How many the engine has, for the sound; found as far as it can be if not told.
    strokes : int
        4 or 2, for the sound.
    settings : Settings, optional
    tell : callable, optional
        Called with progress (0 to 1) and words; may raise `Cancelled`.

    Returns
    -------
    Examination

    Raises
    ------
    ClipError
        If the file cannot be read.
    ValueError
        If the exit lies outside the picture, the diameter is not above zero, or what is marked
        as white cannot be.
    """
    settings = settings or Settings()
    tell = tell or (lambda share, words: None)
    clip = open_clip(path)
    _check(clip, exit_px, diameter_px)
    rng = np.random.default_rng(SEED)
    if plate is not None:
        return examine_pair(
            path, plate, exit_px=exit_px, diameter_px=diameter_px, board_px=board_px,
            white_px=white_px, tell=tell, rng=rng,
        )  # fmt: skip
    if clip.source == "still":
        return examine_still(clip, white_px)
    with spooled(clip) as kept, ThreadPoolExecutor(1) as beside:
        ear = partial(listen, path, cylinders=cylinders, strokes=strokes)
        heard = beside.submit(ear) if clip.source == "clip" else None
        held: set[Doubt] = set()
        sample = take_sample(kept, from_s, to_s, doubts=held, tell=tell)
        sheets = None if board_px else beside.submit(find_sheets_in, kept, from_s)
        scene = learn_scene(
            kept,
            sample,
            exit_px=clip.to_working(*exit_px) if exit_px else None,
            diameter_px=diameter_px * clip.scale if diameter_px else None,
            white_box=working_box(clip, white_px) if white_px else None,
            plate_window_s=plate_window_s,
            doubts=held,
            tell=tell,
            rng=rng,
        )
        del sample  # the largest thing in memory
        backdrop = look_behind(
            kept, scene.plate.light, scene.clipped, board_px, sheets.result() if sheets else None
        )
        if backdrop is not None and backdrop.sheets:  # its paper is a better white than the scene
            scene = replace(scene, white=backdrop.white, u_ln_white=U_LN_PAPER)
            backdrop = follow_drift(backdrop, scene)
        walk = Walk(kept, scene, settings.whole_plume_hz, rng, backdrop)
        _measure_frames(walk, from_s, to_s, tell)
    clip.refuse_changed()
    sound = heard.result() if heard else SoundReading(doubts=frozenset({NO_SOUND}))
    found = _put_together(walk, settings, sound, strokes)
    return replace(found, together=lay_together(found.trace, found.timing, sound, strokes=strokes))


def _measure_frames(walk: Walk, from_s: float, to_s: float, tell: Tell) -> None:
    """Walk 2, its three steps on a thread each: lay on the plate, look at the plume, read."""
    length_s = max(min(to_s, walk.clip.duration_s) - from_s, 1e-6)
    frames = walk.clip.frames(from_s, to_s)
    with ahead(map(walk.lay, frames)) as laid, ahead(map(walk.look, laid)) as seen:
        for frame in seen:
            walk.read(frame)
            tell(0.8 + 0.2 * min(1.0, (frame.time_s - from_s) / length_s), "measuring")


def _check(clip: Clip, exit_px: tuple[float, float] | None, diameter_px: float | None) -> None:
    if exit_px is not None and not (0 <= exit_px[0] < clip.width and 0 <= exit_px[1] < clip.height):
        msg = (
            f"exit_px must lie inside the picture of {clip.width} x {clip.height} pixels "
            f"(got {exit_px[0]:g}, {exit_px[1]:g})"
        )
        raise ValueError(msg)
    if diameter_px is not None and not diameter_px > 0:
        msg = f"diameter_px must be above zero (got {diameter_px:g})"
        raise ValueError(msg)


def _put_together(walk: Walk, settings: Settings, sound: SoundReading, strokes: int) -> Examination:
    """Put the readings of all frames and the sound together."""
    clip, scene = walk.clip, walk.scene
    trace = SmokeTrace.from_readings(walk.readings)
    doubts = set(scene.doubts) | set(clip.doubts)
    plate_s = None if scene.open_above else (scene.plate.from_s, scene.plate.to_s)
    visible = np.array(walk.visible, bool)
    trace, visible = _without_passing(walk, trace, visible)
    visible = tell_smoke_from_specks(
        trace.time_s, visible, trace.plume_p95_pct * trace.area_px, plate_s
    )
    seen = visible.sum() >= min(FEWEST_VISIBLE, math.ceil(len(visible) / 4))
    if scene.pipe is None and len(trace) > 1:
        # of no pipe: leaves and hands come and go within a second, smoke stays longer; and where
        # nothing fits one smoke by far, a tree in the wind is likelier
        longest = longest_spell_s(visible, trace.time_s)
        span = float(trace.time_s[-1] - trace.time_s[0])
        seen &= longest >= min(SHORTEST_SPELL_S, SHORTEST_SHARE * span)
        seen &= scene.veil is None or scene.veil.chi2 < MOST_CHI2
    no_smoke = float(not seen) if scene.at_pipe is None else 1.0 - scene.at_pipe.smoke
    hidden = hides_smoke(scene.plate.light, scene.clipped)
    if hidden and scene.at_pipe is None and not seen:
        no_smoke = LIKELY_NONE
        doubts.add(hidden)
    if not seen or no_smoke >= LIKELY_NONE:
        visible[:] = False
    colour, of_colour = tell_colour(_look(scene) if seen else None, no_smoke)
    trace = _coloured(trace, colour, visible)
    timing = bounds_at_peak(
        tell_timing(trace.time_s, trace.opacity_pct, visible, sound.runs_s, clear_s=plate_s), trace
    )
    if timing.onset_s is not None and walk.mouth is not None:
        at_mouth, heard_hz = np.array(walk.at_mouth), cycles_hz(sound, strokes)
        puff_hz, u_puff_hz = tell_puffs(trace.time_s, at_mouth, timing.onset_s, heard_hz)
        timing = replace(timing, puff_hz=puff_hz, u_puff_hz=u_puff_hz)
    doubts |= of_colour
    if not scene.open_above and clearer_than_clear(trace.opacity_pct, trace.opacity_high_pct):
        doubts |= {SMOKE_FROM_START, NO_CLEAN_PLATE}
    if visible.any():
        doubts |= doubts_of_plume(walk, trace, visible, colour, timing)
    duration = float(trace.time_s[-1] - trace.time_s[0]) if len(trace) > 1 else 0.0
    if duration < settings.fewest_s:
        doubts.add(TOO_SHORT)
    refused, trace = refuse(
        scene, trace, visible, doubts, share=settings.refuse_share, u_pct=settings.refuse_u_pct
    )
    if SMOKE_OPEN in doubts or (refused and no_smoke >= LIKELY_NONE):
        # where nothing could be read, or all may be smoke, no frame is clear
        colour, _ = tell_colour(None, min(no_smoke, LIKELY_NONE))
        trace = _coloured(trace, colour, np.ones(len(trace), bool))
    for per_frame in trace.doubts:
        doubts |= per_frame & {VEIL_LIKE_PLATE, SECTION_HIDDEN}
        doubts |= {d for d in per_frame if d.words == refused}  # its remedy is wanted
    pipe, scale = scene.pipe, clip.scale
    return Examination(
        clip=clip.name,
        sha256=clip.sha256,
        source=clip.source,
        width=clip.width,
        height=clip.height,
        duration_s=clip.duration_s,
        frames=len(trace),
        lost_packets=clip.lost_packets,
        refused=refused,
        exit_px=clip.to_picture(*pipe.exit_px) if pipe and pipe.exit_px else None,
        u_exit_px=pipe.u_exit_px / scale if pipe else None,
        diameter_px=pipe.diameter_px / scale if pipe and pipe.diameter_px else None,
        u_diameter_px=pipe.u_diameter_px / scale if pipe else None,
        direction_deg=pipe.direction_deg if pipe else None,
        section_px=tuple(x / scale for x in scene.section) if scene.section else None,  # type: ignore[arg-type]
        trace=trace,
        timing=timing,
        colour=colour,
        doubts=frozenset(doubts),
        sound=sound,
        settings=asdict(settings)
        | tell_backdrop(walk.backdrop, scale)
        | {
            "plate": scene.plate.origin,
            "plate_window_s": [scene.plate.from_s, scene.plate.to_s],
            "veil": doubt_of_veil(walk),
            "at_pipe": scene.at_pipe and asdict(scene.at_pipe),
            "coding": clip.coding,
            "remarks": list(clip.remarks),
        },
        versions={"smokecase": version("smokecase"), "numpy": np.__version__},
        key_frames=pick_key_frames(walk.views, scene, timing.peak_s),
        outlines=tuple(walk.outlines),
    )


def _without_passing(
    walk: Walk, trace: SmokeTrace, visible: NDArray[np.bool_]
) -> tuple[SmokeTrace, NDArray[np.bool_]]:
    """Trace and visible plume without the moments in which someone or something passes."""
    if not walk.beside:
        return trace, visible
    near, far = np.array(walk.beside, np.float64).T
    passing = tell_passing(trace.time_s, near, far, visible)
    if not passing.any():
        return trace, visible
    # what was visible before it came counts as visible on
    last = np.maximum.accumulate(np.where(passing, -1, np.arange(len(visible))))
    visible = np.where(passing, (last >= 0) & visible[last], visible)
    hidden = frozenset({SECTION_HIDDEN})
    return without_readings(trace, passing, [d | hidden for d in trace.doubts]), visible


def _look(scene: Scene) -> ColourLook | None:
    pipe = scene.pipe
    return look_at_smoke(
        scene.veil, scene.windows, plate=scene.plate.light, white=scene.white,
        u_ln_white=scene.u_ln_white, brightest=scene.brightest,
        exit_px=pipe.exit_px if pipe else None, diameter_px=pipe.diameter_px if pipe else None,
    )  # fmt: skip


def _coloured(trace: SmokeTrace, colour: SmokeColour, visible: NDArray[np.bool_]) -> SmokeTrace:
    weights = np.array([colour.black, colour.blue, colour.white, colour.none])
    rows = np.where(visible[:, None], weights, np.array([0.0, 0.0, 0.0, 1.0]))
    return replace(trace, colour=rows)
