"""A board of light and dark patches behind the plume, described without smoke: white, tone, scale.

It may be the printed one, found by its markers, or any board that the user marks. Coordinates are
working pixels.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.optics.contrast import MIN_PIXELS
from smokecase.optics.tone import LOOSE_TONE, ToneCurve, fit_tone
from smokecase.plume.board import MIN_CELL_PX, FoundSheet, cover, find_sheets, label_cells

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

MIN_CONTRAST = 0.25  # of the brightest: dark patches darker than bright ones by this
PAPER_WHITE, U_PAPER_WHITE = (
    0.87,
    0.04,
)  # light a white sheet gives back; common practice, no source
LUMA = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1
BLOWN, DARKEST, FEWEST_DRIFTING = 0.95, 0.01, 12  # linear light of a patch; patches in all
HIDDEN_STEP = 0.5  # natural logarithm of the light


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Backdrop:
    """A board of light and dark patches behind the plume, as seen without smoke."""

    mask: NDArray[np.bool_]  # (h, w) its pixels, clipped ones left out
    sheets: tuple[FoundSheet, ...]  # empty where the board was marked by hand
    white: Floats  # (3,) light of a perfectly white card there
    u_white: Floats  # (3,)
    tone: ToneCurve
    steps: Floats = field(default_factory=lambda: np.zeros((0, 5)))  # as `fit_tone` takes them


def sheets_at_work(codes: NDArray[np.uint16], width: int) -> list[FoundSheet]:
    """Find the sheets of the printed backdrop in a large copy of the view: markers are small.

    Parameters
    ----------
    codes : ndarray of uint16, shape (H, W, 3)
    width : int
        Of the working pictures, whose pixels the sheets are given in. [px]
    """
    found = find_sheets((codes // 257).astype(np.uint8))
    small = [s.scaled(width / codes.shape[1]) for s in found]
    # patches of a few pixels have no inside left
    return [s for s in small if s.sheet.cell_mm / s.mm_per_px()[0] > MIN_CELL_PX / 2]


def tell_backdrop(backdrop: Backdrop | None, scale: float) -> dict[str, Any]:
    """Plain values on the backdrop for an examination's settings.

    Parameters
    ----------
    backdrop : Backdrop or None
    scale : float
        Working pixels per picture pixel.
    """
    if backdrop is None:
        return {"backdrop": None}
    if not backdrop.sheets:
        return {"backdrop": "plain board"}
    # the sheet seen best
    best = min(backdrop.sheets, key=lambda s: s.u_px)
    mm, u_mm = best.mm_per_px()
    return {
        "backdrop": ", ".join(
            f"{s.sheet.paper} {s.sheet.grid} sheet {s.sheet.number}" for s in backdrop.sheets
        ),
        "backdrop_mm_per_px": mm * scale,  # of the upright picture, on the sheet
        "u_backdrop_mm_per_px": u_mm * scale,
    }


def backdrop_from_sheets(
    sheets: Sequence[FoundSheet], plate: Picture, clipped: NDArray[np.bool_]
) -> Backdrop:
    """Describe the printed backdrop.

    Parameters
    ----------
    sheets : sequence of FoundSheet
        At working size; at least one.
    plate : ndarray, shape (h, w, 3)
        Light without smoke.
    clipped : ndarray of bool, shape (h, w)
        Pixels blown out on the plate.

    Raises
    ------
    ValueError
        If there is no sheet.
    """
    if not sheets:
        msg = "sheets must not be empty"
        raise ValueError(msg)
    shape = plate.shape[:2]
    mask = cover(sheets, shape) & ~clipped
    mask = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    bright, steps = [], []
    for number, sheet in enumerate(sheets):
        labels = label_cells(sheet, shape)
        lights = _cell_lights(labels, plate, clipped, len(sheet.sheet.cells))
        kinds = np.array([c.kind for c in sheet.sheet.cells])
        whites = lights[kinds == "white"]
        # what stands before a patch is darker than paper in shade
        bright.append(whites[whites[:, 1] > 0.6 * np.nanmedian(whites[:, 1])])
        steps.append(_grey_steps(sheet, lights, number))
    lit = np.concatenate(bright)
    lit = lit[np.isfinite(lit).all(axis=1)]
    if not len(lit):
        lit = np.percentile(plate[mask], 95, axis=0)[None, :]
    level = np.median(lit, axis=0) / PAPER_WHITE
    spread = lit.std(axis=0) / PAPER_WHITE
    return Backdrop(
        mask=mask,
        sheets=tuple(sheets),
        white=np.asarray(level, np.float64),
        u_white=np.hypot(spread, level * U_PAPER_WHITE / PAPER_WHITE),
        tone=fit_tone(np.concatenate(steps)),
        steps=np.concatenate(steps),
    )


def learn_from_drift(
    backdrop: Backdrop,
    plate: Picture,
    others: Sequence[Picture],
    free: NDArray[np.bool_],
    clipped: NDArray[np.bool_],
) -> Backdrop:
    """Narrow the tone curve down by frames at other exposures.

    Parameters
    ----------
    backdrop : Backdrop
        With its sheets; without any it comes back as it is.
    plate : ndarray, shape (h, w, 3)
        Light without smoke.
    others : sequence of ndarray, shape (h, w, 3)
        Frames laid on the plate, as recorded at another exposure.
    free, clipped : ndarray of bool, shape (h, w)
        Where smoke never came; pixels blown out on the plate.
    """
    rows = [np.zeros((0, 3))]
    for sheet in backdrop.sheets:
        labels = np.where(free, label_cells(sheet, plate.shape[:2]), -1)
        count = len(sheet.sheet.cells)
        before = _cell_lights(labels, plate, clipped, count) @ LUMA
        for number, other in enumerate(others):
            now = _cell_lights(labels, other, clipped | (other.max(axis=-1) > BLOWN), count) @ LUMA
            seen = np.isfinite(before) & np.isfinite(now) & (np.minimum(before, now) > DARKEST)
            rows.append(np.column_stack([before, now, np.full(count, number)])[seen])
    drift = np.concatenate(rows)
    if len(drift) < FEWEST_DRIFTING:
        return backdrop
    return replace(backdrop, tone=fit_tone(backdrop.steps, drift))


def backdrop_from_box(box: Box, plate: Picture, clipped: NDArray[np.bool_]) -> Backdrop | None:
    """Describe a plain board of light and dark patches that the user marked.

    Returns None where what lies in the box has no two kinds of patches.
    """
    h, w = plate.shape[:2]
    x0, y0 = max(0, math.ceil(box[0] + 1)), max(0, math.ceil(box[1] + 1))
    x1, y1 = min(w, math.floor(box[2] - 1)), min(h, math.floor(box[3] - 1))
    if x1 - x0 < 8 or y1 - y0 < 8:
        return None
    mask = np.zeros((h, w), bool)
    mask[y0:y1, x0:x1] = True
    mask &= ~clipped
    if mask.sum() < MIN_PIXELS:
        return None
    low, high = np.percentile(plate[mask], [10, 90], axis=0)
    if not np.all(high - low > MIN_CONTRAST * high):
        return None
    # what the light patches give back is unknown: plain paint and paper lie between these
    return Backdrop(
        mask=mask, sheets=(), white=high / 0.8, u_white=0.15 * high / 0.8, tone=LOOSE_TONE
    )


def _cell_lights(
    labels: NDArray[np.int32], plate: Picture, clipped: NDArray[np.bool_], count: int
) -> Floats:
    """Mean light of each cell, NaN where less than four clean pixels show it; shape (n, 3)."""
    good = (labels >= 0) & ~clipped
    number = np.bincount(labels[good], minlength=count).astype(np.float64)
    sums = np.stack(
        [np.bincount(labels[good], plate[..., c][good], minlength=count) for c in range(3)], axis=1
    )
    number[number < 4] = np.nan
    return np.asarray(sums / number[:, None])


def _grey_steps(found: FoundSheet, lights: Floats, number: int) -> Floats:
    """Grey steps as rows as `fit_tone` takes them.

    White and black are smooth surfaces through all such cells, so that uneven light cancels;
    cells that the pipe hides or a shadow crosses are left out.
    """
    cells = found.sheet.cells
    luma = lights @ LUMA
    places = np.array([[c.x_mm, c.y_mm] for c in cells]) / found.sheet.width_mm
    kinds = np.array([c.kind for c in cells])
    white, black = (_even_light(places, luma, kinds == kind) for kind in ("white", "black"))
    if white is None or black is None:
        return np.zeros((0, 5))
    share = np.array([c.share[1] for c in cells])
    block = (places[:, 1] * found.sheet.width_mm > found.sheet.height_mm / 2) + 2.0 * number
    steps = np.stack([share, luma, white, black, block], axis=1)
    ink = black / white
    expected = white * (ink + (1 - ink) * share)
    # farther off than print and tone curve can be: something stands before it
    near = np.abs(np.log(np.maximum(luma, 1e-9) / expected)) < HIDDEN_STEP
    good = (kinds == "grey") & np.isfinite(luma) & (white > black) & near
    return np.asarray(steps[good])


def _even_light(places: Floats, luma: Floats, these: NDArray[np.bool_]) -> Floats | None:
    """Light of one kind of cell at every place; None where too few are seen."""
    seen = these & np.isfinite(luma) & (luma > 0)
    x, y = places.T
    terms = np.stack([np.ones_like(x), x, y], axis=1)
    if seen.sum() < 8:
        return None
    logs = np.log(np.where(seen, luma, 1.0))
    middle = np.median(logs[seen])
    kept = seen & (np.abs(logs - middle) < 0.3)
    for _ in range(5):
        if kept.sum() < 8:
            return None
        weights = np.linalg.lstsq(terms[kept], logs[kept], rcond=None)[0]
        off = np.abs(logs - terms @ weights)
        kept = seen & (off < max(0.05, 2.5 * float(np.median(off[kept]))))
    return np.asarray(np.exp(terms @ weights))
