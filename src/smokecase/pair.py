"""Story 1 for stills: a smoky picture and the same view without smoke; or one picture alone.

A pair gives opacity at every pixel with its interval. A single picture shows no view without
smoke to compare with, so its opacity is refused; only a rough colour is left.
"""

import math
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.behind import (
    choose_white,
    look_behind,
    map_before_board,
    read_before_board,
    working_box,
)
from smokecase.doubts import (
    BACK_LIT,
    COLOUR_OPEN,
    EXIT_NOT_FOUND,
    EXPOSURE_UNCHECKED,
    SHAKY,
    SINGLE_STILL,
    VEIL_LIKE_PLATE,
    Doubt,
)
from smokecase.errors import ClipError
from smokecase.measured import COVERAGE, Measured
from smokecase.optics.light import saturated, to_linear, to_srgb8
from smokecase.pair_map import make_map, opacity_in_section, opacity_of_pixels, section_of
from smokecase.plume.backdrop import tell_backdrop
from smokecase.plume.channel_texture import channel_texture
from smokecase.plume.find_exit import find_exit
from smokecase.plume.kind import look_at_smoke, tell_colour, tell_colour_of_light
from smokecase.plume.learn_veil import brightest_luma, learn_veil
from smokecase.plume.likely_white import likely_white
from smokecase.plume.local_veil import fit_local_veil
from smokecase.plume.marked_white import U_LN_MARKED, marked_white
from smokecase.plume.measure import SectionValues
from smokecase.plume.section import PipeExit
from smokecase.readings import Examination, KeyFrame, OpacityMap, SmokeColour, SmokeTiming
from smokecase.trace import SmokeReading, SmokeTrace
from smokecase.video.clip import Clip, open_clip
from smokecase.video.exposure import Exposure, block_means, fit_exposure
from smokecase.video.landmarks import grey
from smokecase.video.lay import lay_on_plate
from smokecase.video.steady import fit_view

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]
Tell = Callable[[float, str], None]

LONG_SIDE = 960
WIDEST_PCT = 25.0  # standard uncertainty of a pixel beyond which it has no answer
UNSEEN_PCT = 15.0  # smoke thinner than this may escape where nothing seems to change
LEAST_PCT = 5.0  # plume: at least this opaque


def examine_still(clip: Clip, white_px: Box | None = None) -> Examination:
    """Say what one picture alone can tell: a rough colour, no opacity.

    Parameters
    ----------
    clip : Clip
        A still, opened.
    white_px : tuple of float, optional
        Something white that the user marked. [px]

    Returns
    -------
    Examination
        Refused, with the reason.
    """
    frame = next(clip.frames())
    light = to_linear(frame.codes, clip.transfer)
    white, u_ln_white = likely_white(light)
    if white_px is not None:
        white = marked_white(light, saturated(frame.codes), working_box(clip, white_px))
        u_ln_white = U_LN_MARKED
    colour = tell_colour_of_light(light, white, u_ln_white)
    doubts = {SINGLE_STILL}
    if colour.colour_open:
        doubts.add(COLOUR_OPEN)
    picture = to_srgb8(light)
    reading = _reading(None, frozenset({SINGLE_STILL}), colour, {})
    return _examination(
        clip, reading, colour, frozenset(doubts), refused=SINGLE_STILL.words, pipe=None,
        picture=picture, plume=np.zeros(picture.shape[:2], bool), opacity_map=None,
        scale=clip.scale,
    )  # fmt: skip


def examine_pair(  # noqa: PLR0913 - the door's options, each by name
    path: str | Path,
    plate_path: str | Path,
    *,
    exit_px: tuple[float, float] | None,
    diameter_px: float | None,
    board_px: Box | None,
    white_px: Box | None,
    tell: Tell,
    rng: np.random.Generator,
) -> Examination:
    """Measure a smoky picture against the same view without smoke.

    Parameters
    ----------
    path, plate_path : str or Path
        The two pictures (first frames, where they are clips).
    exit_px, diameter_px : tuple, float or None
        The pipe, in pixels of the upright picture, where the user knows it.
    board_px, white_px : tuple or None
        A plain board and something white that the user marked, x0, y0, x1, y1. [px]
    tell : callable
        Takes progress and words.
    rng : numpy.random.Generator
        Chance.

    Returns
    -------
    Examination
        With an opacity map.

    Raises
    ------
    ClipError
        If a picture cannot be read or the two differ in size.
    ValueError
        If what is marked as white cannot be.
    """
    clip, clear = open_clip(path, long_side=LONG_SIDE), open_clip(plate_path, long_side=LONG_SIDE)
    if (clip.width, clip.height) != (clear.width, clear.height):
        what = (
            f"it measures {clear.width} x {clear.height} pixels and {clip.name} "
            f"{clip.width} x {clip.height}"
        )
        raise ClipError(what, where=clear.name, remedy="take both pictures with the same settings")
    seen_frame, plate_frame = next(clip.frames()), next(clear.frames())
    tell(0.1, "laying the pictures on one another")
    doubts: set[Doubt] = set(clip.doubts | clear.doubts)
    plate = to_linear(plate_frame.codes, clear.transfer)
    light = to_linear(seen_frame.codes, clip.transfer)
    light, exposure, more = _lay_on_plate(light, plate, seen_frame.codes, plate_frame.codes)
    doubts |= more
    tell(0.3, "looking for the tailpipe")
    pipe = _pipe(clip, light, plate, exit_px, diameter_px)
    plate_blown = saturated(plate_frame.codes)
    clipped = saturated(seen_frame.codes) | plate_blown
    backdrop = look_behind(clear, plate, plate_blown, board_px)
    white_box = working_box(clear, white_px) if white_px else None
    white, u_ln_white = choose_white(plate, plate_blown, backdrop, white_box)
    behind, more_doubts = read_before_board(light, plate, clipped, backdrop, pipe, exposure, rng)
    doubts |= more_doubts
    nothing = np.full(plate.shape[:2], np.nan)
    on_board, u_board = nothing, nothing
    if backdrop is not None:
        on_board, u_board = map_before_board(light, plate, clipped, backdrop, exposure)
    told = tell_backdrop(backdrop, clip.scale)
    u_plate = (0.002 + 0.006 * plate).astype(np.float32)
    tell(0.4, "learning the colour of the smoke")
    nowhere = PipeExit(exit_px=None, u_exit_px=math.inf, diameter_px=None, u_diameter_px=math.inf,
                       direction_deg=None, u_direction_deg=math.inf,
                       doubts=frozenset({EXIT_NOT_FOUND}))  # fmt: skip
    lossless = Path(path).suffix.lower() in {".png", ".tif", ".tiff", ".bmp"}
    veil, windows = learn_veil(
        [light], [0], plate, nowhere, None, white, rng, tell,
        compression=0.1 if lossless else 0.5,
    )  # fmt: skip
    picture = to_srgb8(light)
    if veil is None or windows is None:
        colour, _ = tell_colour(None, 1.0)
        shape = light.shape[:2]
        known = np.isfinite(on_board)
        flat = make_map(
            np.where(known, on_board, 0.0), np.where(known, u_board, UNSEEN_PCT / COVERAGE)
        )
        opacity = Measured(value=0.0, u=UNSEEN_PCT / COVERAGE, unit="%") if pipe else None
        missing = frozenset() if pipe else frozenset({EXIT_NOT_FOUND})
        reading = _reading(opacity, missing, colour, {}, behind)
        return _examination(
            clip, reading, colour, frozenset(doubts), refused=None, pipe=pipe, picture=picture,
            plume=np.zeros(shape, bool), opacity_map=flat, scale=clip.scale, settings=told,
        )  # fmt: skip
    tell(0.7, "measuring")
    local = fit_local_veil(windows, veil)
    values, u = opacity_of_pixels(light, plate, u_plate, local)
    known = np.isfinite(on_board)  # contrast knows nothing of the smoke's colour, and needs not
    values, u = np.where(known, on_board, values), np.where(known, u_board, u)
    values = np.where(clipped | (u > WIDEST_PCT), np.nan, values)
    opacity_map = make_map(values, u)
    look = look_at_smoke(
        veil, windows, plate=plate, white=white, u_ln_white=u_ln_white,
        brightest=brightest_luma(plate), moving=False,
        channels=channel_texture(light, plate, veil, windows) if lossless else None,
    )  # fmt: skip
    colour, of_colour = tell_colour(look, 0.0)
    doubts |= of_colour
    plume = np.nan_to_num(values) > np.maximum(LEAST_PCT, 2.0 * u)
    if colour.lighting == "back_lit":
        doubts.add(BACK_LIT)
    if colour.colour_open:
        doubts.add(COLOUR_OPEN)
    refused = None
    known = np.isfinite(values)
    if known.mean() < 0.2 and behind is None:
        doubts.add(VEIL_LIKE_PLATE)
        refused = VEIL_LIKE_PLATE.words
    opacity, missing = opacity_in_section(values, u, pipe)
    extra = {}
    if plume.any():
        extra["plume_p95_pct"] = float(np.percentile(values[plume], 95))
        extra["area_px"] = float(plume.sum() / clip.scale**2)
    if behind is not None:
        missing = frozenset()
    reading = _reading(opacity, missing, colour, extra, behind)
    return _examination(
        clip, reading, colour, frozenset(doubts | missing), refused=refused, pipe=pipe,
        picture=picture, plume=plume, opacity_map=opacity_map, scale=clip.scale, settings=told,
    )  # fmt: skip


def _lay_on_plate(
    light: Picture, plate: Picture, codes: NDArray[np.uint16], plate_codes: NDArray[np.uint16]
) -> tuple[Picture, Exposure, set[Doubt]]:
    """Lay the smoky picture on the clear one and take its exposure out."""
    doubts = set()
    view = fit_view(grey(plate_codes), grey(codes))
    if not view.is_still:
        light, _ = lay_on_plate(light, view, plate)
    if view.moved_px > 0.02 * max(light.shape[:2]) or view.shake_px > 1.0:
        doubts.add(SHAKY)
    # 0, 1: the plate itself, so that the bulk is followed from no change to this one
    blocks = np.stack([block_means(plate), block_means(light)])
    exposure = fit_exposure(blocks, blocks[0])
    if not exposure.checked:
        doubts.add(EXPOSURE_UNCHECKED)
        return light, exposure, doubts
    return (light / exposure.gain[1].astype(np.float32)).astype(np.float32), exposure, doubts


def _pipe(
    clip: Clip,
    light: Picture,
    plate: Picture,
    exit_px: tuple[float, float] | None,
    diameter_px: float | None,
) -> PipeExit | None:
    """Find the pipe; from two pictures only where the user says where it is."""
    if exit_px is None:
        return None
    found = find_exit(
        [plate, light],
        np.array([0.0, 1.0]),
        plate,
        exit_px=clip.to_working(*exit_px),
        diameter_px=diameter_px * clip.scale if diameter_px else None,
    )
    return found if found.diameter_px is not None and found.direction_deg is not None else None


def _reading(
    opacity: Measured | None,
    doubts: frozenset[Doubt],
    colour: SmokeColour,
    extra: dict[str, float],
    behind: SectionValues | None = None,
) -> SmokeReading:
    """Put the reading together; what a board behind the plume says goes before."""
    nothing = np.full(3, np.nan)
    if behind is not None:
        opacity = Measured(
            value=behind.opacity_pct, u=behind.u_opacity_pct, unit="%",
            low=behind.low_pct, high=behind.high_pct,
        )  # fmt: skip
    return SmokeReading(
        time_s=0.0,
        transmittance=behind.transmittance if behind else nothing,
        u_transmittance=behind.u_transmittance if behind else nothing,
        centre_line_pct=behind.centre_line_pct if behind else math.nan,
        opacity=opacity,
        colour=np.array([colour.black, colour.blue, colour.white, colour.none]),
        doubts=doubts,
        **extra,
    )


def _examination(  # noqa: PLR0913 - the parts of the record, each by name
    clip: Clip,
    reading: SmokeReading,
    colour: SmokeColour,
    doubts: frozenset[Doubt],
    *,
    refused: str | None,
    pipe: PipeExit | None,
    picture: NDArray[np.uint8],
    plume: NDArray[np.bool_],
    opacity_map: OpacityMap | None,
    scale: float,
    settings: dict[str, Any] | None = None,
) -> Examination:
    section = section_of(pipe) if pipe is not None else None
    frame = KeyFrame(
        time_s=0.0,
        what="with smoke" if opacity_map is not None else "the picture",
        picture=picture,
        plume=plume,
        section_px=section,
        exit_px=pipe.exit_px if pipe else None,
    )
    return Examination(
        clip=clip.name,
        sha256=clip.sha256,
        source="pair" if opacity_map is not None else "still",
        width=clip.width,
        height=clip.height,
        duration_s=0.0,
        frames=1,
        lost_packets=0,
        refused=refused,
        exit_px=clip.to_picture(*pipe.exit_px) if pipe and pipe.exit_px else None,
        u_exit_px=pipe.u_exit_px / scale if pipe else None,
        diameter_px=pipe.diameter_px / scale if pipe and pipe.diameter_px else None,
        u_diameter_px=pipe.u_diameter_px / scale if pipe else None,
        direction_deg=pipe.direction_deg if pipe else None,
        section_px=tuple(x / scale for x in section) if section else None,  # type: ignore[arg-type]
        trace=SmokeTrace.from_readings([reading]),
        timing=SmokeTiming(),
        colour=colour,
        doubts=doubts,
        versions={"smokecase": version("smokecase"), "numpy": np.__version__},
        settings=settings or {},
        key_frames=(frame,),
        opacity_map=opacity_map,
    )
