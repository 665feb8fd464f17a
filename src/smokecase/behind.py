"""What hangs behind the plume: a board that the user marked, the printed backdrop, or a checker.

For two stills it is also read here; for clips `walk.py` reads it frame after frame.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import Doubt
from smokecase.plume.backdrop import (
    Backdrop,
    backdrop_from_box,
    backdrop_from_sheets,
    learn_from_drift,
    sheets_at_work,
)
from smokecase.plume.backdrop_reading import SectionByContrast
from smokecase.plume.board import FoundSheet
from smokecase.plume.fuse import join_contrast
from smokecase.plume.learn_veil import MEMBERS, U_LN_WHITE, guess_white
from smokecase.plume.marked_white import U_LN_MARKED, marked_white
from smokecase.plume.measure import SectionValues
from smokecase.plume.plain_board import find_checker
from smokecase.plume.section import PipeExit, drawn_sections, measuring_section
from smokecase.scene import U_LN_PAPER, Scene
from smokecase.video.clip import Clip
from smokecase.video.exposure import BLOCK_PX, Exposure, block_means, log_ratios
from smokecase.walk import U_TONE_GAIN, centre_line

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

SQUARES = 3  # that a board's shorter side is read in where no pipe tells where to look
LEAST_SQUARE_PX = 12
U_PIXEL = 0.35  # of the surface's spread in a square: what a pixel may differ from it
BOARD_LONG_SIDE = 1920  # pixels of the picture that the backdrop is looked for in


def working_box(clip: Clip, box_px: Box) -> Box:
    """Carry a box in pixels of the upright picture to working pixels."""
    return (*clip.to_working(*box_px[:2]), *clip.to_working(*box_px[2:]))


def look_behind(
    clip: Clip,
    plate: Picture,
    clipped: NDArray[np.bool_],
    board_px: Box | None,
    sheets: Sequence[FoundSheet] | None = None,
) -> Backdrop | None:
    """Find the board behind the plume; None where there is none.

    Parameters
    ----------
    clip : Clip
        Shows the view without smoke at its beginning.
    plate, clipped : ndarray, shape (h, w, 3) and (h, w)
        Light without smoke and its blown-out pixels, at the clip's working size.
    board_px : tuple of float or None
        Box that the user marked. [px of the upright picture]
    sheets : sequence of FoundSheet, optional
        From `find_sheets_in`, where they were looked for already.
    """
    if board_px is not None:
        return backdrop_from_box(working_box(clip, board_px), plate, clipped)
    sheets = find_sheets_in(clip, 0.0) if sheets is None else sheets
    if sheets:
        return backdrop_from_sheets(sheets, plate, clipped)
    checker = find_checker(plate)
    return backdrop_from_box(checker, plate, clipped) if checker else None


def find_sheets_in(clip: Clip, from_s: float) -> list[FoundSheet]:
    """Find the sheets of the printed backdrop in the picture at `from_s`, in working pixels."""
    first = next(clip.resized(BOARD_LONG_SIDE).frames(from_s), None)
    return [] if first is None else sheets_at_work(first.codes, clip.working_size[0])


def follow_drift(backdrop: Backdrop, scene: Scene) -> Backdrop:
    """Narrow the backdrop's tone curve down by how its patches follow the camera's exposure."""
    if not scene.drifted:
        return backdrop
    h, w = scene.plate.light.shape[:2]
    rows, columns = scene.free.shape
    free = scene.free[
        np.minimum(np.arange(h) // BLOCK_PX, rows - 1)[:, None],
        np.minimum(np.arange(w) // BLOCK_PX, columns - 1)[None, :],
    ]
    return learn_from_drift(backdrop, scene.plate.light, scene.drifted, free, scene.clipped)


def choose_white(
    plate: Picture, blown: NDArray[np.bool_], backdrop: Backdrop | None, white_box: Box | None
) -> tuple[Floats, float]:
    """Light of a white card and the doubt of its logarithm: by paper, by mark, or guessed.

    Parameters
    ----------
    plate, blown : ndarray, shape (h, w, 3) and (h, w)
        Light without smoke and its blown-out pixels.
    white_box : tuple or None
        What the user marked. [working px]

    Raises
    ------
    ValueError
        If what is marked as white cannot be.
    """
    if backdrop is not None and backdrop.sheets:
        return backdrop.white, U_LN_PAPER
    if white_box is not None:
        return marked_white(plate, blown, white_box), U_LN_MARKED
    return guess_white(plate), U_LN_WHITE


def read_before_board(  # noqa: PLR0913 - two pictures and what is known of them
    light: Picture,
    plate: Picture,
    clipped: NDArray[np.bool_],
    backdrop: Backdrop | None,
    pipe: PipeExit | None,
    exposure: Exposure,
    rng: np.random.Generator,
) -> tuple[SectionValues | None, frozenset[Doubt]]:
    """Read the section of a still by contrast, and its doubts; None where the board cannot answer.

    Parameters
    ----------
    light : ndarray, shape (h, w, 3)
        The smoky picture, laid on the plate with its exposure taken out.
    plate, clipped : ndarray, shape (h, w, 3) and (h, w)
        The picture without smoke; pixels blown out in either.
    backdrop, pipe : Backdrop or None, PipeExit or None
        The pipe with a diameter and a direction; without either there is no reading.
    exposure : Exposure
        Of plate and picture, in this order.
    """
    if backdrop is None or pipe is None:
        return None, frozenset()
    reader = SectionByContrast(
        plate,
        backdrop,
        measuring_section(pipe.exit_px, pipe.diameter_px, pipe.direction_deg),  # type: ignore[arg-type]
        centre_line(pipe),
        drawn_sections(pipe, MEMBERS, rng)[1:],
    )
    reading = reader.read(light, _u_gain(light, plate, exposure), clipped)
    return join_contrast(None, reading), reading.doubts


def map_before_board(
    light: Picture,
    plate: Picture,
    clipped: NDArray[np.bool_],
    backdrop: Backdrop,
    exposure: Exposure,
) -> tuple[Floats, Floats]:
    """Opacity of each pixel before the board, and its standard uncertainty. [%], shape (h, w).

    The board is read square by square, each as large as a third of its shorter side; NaN where
    there is no board, or a square holds too little of it. Arguments as of `read_before_board`.
    """
    opacity, u = np.full(plate.shape[:2], np.nan), np.full(plate.shape[:2], np.nan)
    rows, columns = (np.flatnonzero(backdrop.mask.any(axis=axis)) for axis in (1, 0))
    side = min(len(rows), len(columns)) // SQUARES
    if side < LEAST_SQUARE_PX:
        return opacity, u
    u_gain = _u_gain(light, plate, exposure)
    for y in range(int(rows[0]), int(rows[-1]) + 2 - side, side):
        for x in range(int(columns[0]), int(columns[-1]) + 2 - side, side):
            reader = SectionByContrast(plate, backdrop, (x, y, x + side, y + side))
            read = reader.read(light, u_gain, clipped)
            if read.surface is None or not math.isfinite(read.transmittance[1]):
                continue
            # the surface is that of the recorded light; its mean is set right by the tone curve
            down, across = (
                np.minimum((np.arange(side) + first - start) / read.step_px, size - 1).astype(int)
                for first, start, size in zip(
                    (y, x), read.origin_px[::-1], read.surface.shape, strict=True
                )
            )
            through = read.surface[np.ix_(down, across)]
            cut = (slice(y, y + side), slice(x, x + side))
            opacity[cut] = 100.0 * (1.0 - read.transmittance[1] + through.mean() - through)
            u[cut] = 100.0 * np.hypot(read.u_transmittance[1], U_PIXEL * through.std())
    off = ~backdrop.mask
    opacity[off], u[off] = np.nan, np.nan
    return opacity, u


def _u_gain(light: Picture, plate: Picture, exposure: Exposure) -> Floats:
    """Relative standard uncertainty of the exposure that was taken out, for contrasts."""
    gain = exposure.gain[1] if exposure.checked else np.ones(3)
    u_gain = np.full(3, 0.05)
    ratios = log_ratios(block_means(light), block_means(plate))[exposure.free]
    ratios = ratios[~np.isnan(ratios).any(axis=-1)]
    if exposure.checked and len(ratios) >= 4:
        scatter = 1.4826 * np.median(np.abs(ratios - np.median(ratios, axis=0)), axis=0)
        u_gain = np.sqrt(scatter**2 / max(1.0, len(ratios) / 8.0) + 0.003**2)
    return np.asarray(np.hypot(u_gain, U_TONE_GAIN * np.abs(np.log(gain))))
