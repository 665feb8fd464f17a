"""What a backdrop in the picture gives: transmittance by contrast, white, tone curve and scale.

The backdrop may be the printed one, found by its markers, or any board of light and dark
patches that the user marks. Coordinates are working pixels.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import BOARD_OFF_SECTION, DENSE, SATURATED, Doubt
from smokecase.optics.contrast import MIN_PIXELS, FieldFit, FieldFitter
from smokecase.optics.tone import LOOSE_TONE, ToneCurve, fit_tone
from smokecase.plume.board import MIN_CELL_PX, FoundSheet, cover, find_sheets, label_cells

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

MARGIN = 0.5  # of the section's side: the surface is fitted over that much more around it
KNOTS = 4.0  # to a section's side
WIDEST_PX = 36  # a section wider than this is read from a smaller copy: noise goes, time too
MIN_COVER = 0.7  # share of the section that must lie before the backdrop
MIN_CONTRAST = 0.25  # of the brightest: dark patches darker than bright ones by this
PAPER_WHITE, U_PAPER_WHITE = (
    0.87,
    0.04,
)  # light a white sheet gives back; common practice, no source
U_FLOOR = 0.003  # what registration and compression leave even in clear air
HIDDEN_STEP = 0.5  # natural logarithm of the light
LINE_BLUR = 0.01  # of the section's side: wider, and the thinner rims are read along with it
U_LINE = 0.09  # of the surface's spread: what it smooths away on the centre line
UNSEEN = 0.35  # turbulence on patches that cannot show it, relative to that seen on the others
# the parts of the doubt are each taken at their full size, and together come out too large: on 24
# invented yards (tests/benchmarks/backdrop_figures.py, --first 3000) by this
TOO_WIDE = 1.25
DENSE_SHARE = 0.2  # of the light left, below which smoke is called dense


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Backdrop:
    """A board of light and dark patches behind the plume, as seen without smoke."""

    mask: NDArray[np.bool_]  # (h, w) its pixels, clipped ones left out
    sheets: tuple[FoundSheet, ...]  # empty where the board was marked by hand
    white: Floats  # (3,) light of a perfectly white card there
    u_white: Floats  # (3,)
    tone: ToneCurve


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ContrastReading:
    """The measuring section read by contrast alone; NaN with a doubt where it cannot be."""

    transmittance: Floats  # (3,) mean over the section [0 to 1]
    u_transmittance: Floats  # (3,)
    centre: Floats  # (3,) on the plume's centre line; the section's own mean without a line
    u_centre: Floats  # (3,)
    veil: Floats  # (3,)
    surface: Floats | None  # (h, w) green, around the section
    origin_px: tuple[int, int]  # its top left pixel
    step_px: float  # working pixels to one of its pixels
    doubts: frozenset[Doubt]


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
    )


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
    luma = lights @ np.array([0.2126, 0.7152, 0.0722])
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


class SectionByContrast:
    """The measuring section before a backdrop, ready to read frames."""

    def __init__(
        self,
        plate: Picture,
        backdrop: Backdrop,
        section: Box,
        line: tuple[Floats, Floats] | None = None,
        boxes: Floats | None = None,
    ) -> None:
        """Prepare.

        Parameters
        ----------
        plate : ndarray, shape (h, w, 3)
            Light without smoke.
        backdrop : Backdrop
            At the same size.
        section : tuple of float
            x0, y0, x1, y1, the last two exclusive.
        line : tuple of ndarray, optional
            x and y of points on the plume's centre line.
        boxes : ndarray, shape (m, 4), optional
            The section as it might lie as well, for the doubt of exit and diameter.
        """
        h, w = plate.shape[:2]
        side = max(section[2] - section[0], section[3] - section[1])
        self.step = max(1.0, side / WIDEST_PX)
        pad = MARGIN * side
        self.x0, self.y0 = max(0, int(section[0] - pad)), max(0, int(section[1] - pad))
        self.cut = (
            slice(self.y0, max(self.y0 + 1, min(h, math.ceil(section[3] + pad)))),
            slice(self.x0, max(self.x0 + 1, min(w, math.ceil(section[2] + pad)))),
        )
        self.doubts: frozenset[Doubt] = frozenset()
        self.tone = backdrop.tone
        clean, mask = self._small(plate), self._small(backdrop.mask.astype(np.float32)) > 0.999
        weights = [self._small(_box_cover(section, (h, w)))]
        inside = weights[0] > 0.5 * max(float(weights[0].max()), 1e-9)
        covered = float(mask[inside].mean()) if inside.any() else 0.0
        self.others = 0
        for box in boxes if boxes is not None else ():
            part = self._small(_box_cover(tuple(box), (h, w)))
            if part.sum() > 0:
                weights.append(part)
                self.others += 1
        self.has_line = line is not None
        if line is not None:
            band = np.zeros((h, w), np.float32)
            x = np.clip(np.round(line[0]).astype(int), 0, w - 1)
            y = np.clip(np.round(line[1]).astype(int), 0, h - 1)
            np.add.at(band, (y, x), 1.0)
            weights.append(self._small(cv2.GaussianBlur(band, (0, 0), LINE_BLUR * side + 0.1)))
        self.fitters: list[FieldFitter] = []
        if covered < MIN_COVER or mask.sum() < MIN_PIXELS or any(x.sum() <= 0 for x in weights):
            self.doubts = frozenset({BOARD_OFF_SECTION})
            return
        self.inside, self.mask = inside & mask, mask
        self.bright = np.percentile(clean[self.inside].astype(np.float64), 90, axis=0)
        self.dark = np.percentile(clean[self.inside].astype(np.float64), 10, axis=0)
        if not np.all(self.bright - self.dark > MIN_CONTRAST * self.bright):
            self.doubts = frozenset({BOARD_OFF_SECTION})
            return
        self.patches = _patch_count(clean[..., 1], inside)
        self.white = backdrop.white
        small_side = side / self.step
        self.fitters = [
            FieldFitter(
                clean[..., c].astype(np.float64),
                usable=mask,
                weights=np.stack(weights).astype(np.float64),
                spacing_px=small_side / KNOTS,
                block_px=small_side / 4,
            )
            for c in range(3)
        ]

    def _small(self, picture: NDArray[Any]) -> NDArray[np.float32]:
        patch = picture[self.cut]
        if self.step == 1.0:
            return np.asarray(patch, np.float32)
        size = (
            max(2, round(patch.shape[1] / self.step)), max(2, round(patch.shape[0] / self.step))
        )  # fmt: skip
        return np.asarray(cv2.resize(patch, size, interpolation=cv2.INTER_AREA))

    def read(
        self, light: Picture, u_gain: Floats, clipped: NDArray[np.bool_] | None = None
    ) -> ContrastReading:
        """Read one frame that lies on the plate with its exposure taken out.

        Parameters
        ----------
        light : ndarray, shape (h, w, 3)
        u_gain : ndarray, shape (3,)
            Relative standard uncertainty of the gain that was taken out.
        clipped : ndarray of bool, shape (h, w), optional
            Pixels blown out in the frame.
        """
        doubts = set(self.doubts)
        if clipped is not None and self.fitters:
            blown = float(clipped[self.cut].mean())
            if blown > 0.2:
                doubts.add(SATURATED)
        if not self.fitters or SATURATED in doubts:
            nan = np.full(3, np.nan)
            return ContrastReading(
                transmittance=nan, u_transmittance=nan, centre=nan, u_centre=nan, veil=nan,
                surface=None, origin_px=(self.x0, self.y0), step_px=self.step,
                doubts=frozenset(doubts or {BOARD_OFF_SECTION}),
            )  # fmt: skip
        seen = self._small(light)
        fits = [
            fitter.fit(
                seen[..., c].astype(np.float64),
                # soot to sunlit fog: nothing is known of the veil but its order
                veil_prior=(0.4 * float(self.white[c]), 0.8 * float(self.white[c])),
            )
            for c, fitter in enumerate(self.fitters)
        ]
        raw, u_raw = (np.array([getattr(f, name) for f in fits]) for name in ("means", "u_means"))
        veil = np.array([f.veil for f in fits])
        u_box = raw[:, 1 : 1 + self.others].std(axis=1) if self.others else np.zeros(3)
        kept = [0, raw.shape[1] - 1] if self.has_line else [0]
        raw, u_raw = raw[:, kept], u_raw[:, kept]
        u_raw[:, 0] = np.hypot(u_raw[:, 0], u_box)
        means, u_tone = self.tone.correct(raw, self.bright, self.dark, veil)
        u_unseen = np.array([self._unseen(f, c) for c, f in enumerate(fits)])[:, None]
        if means.shape[1] > 1:  # a line shows turbulence that the mean over the section does not
            spread = np.array([f.transmittance[self.inside].std() for f in fits])
            u_unseen = np.column_stack([u_unseen, np.hypot(u_unseen[:, 0], U_LINE * spread)])
        u = np.sqrt(
            u_raw**2 + u_tone**2 + u_unseen**2
            + (means * np.asarray(u_gain)[:, None]) ** 2 + U_FLOOR**2
        ) / TOO_WIDE  # fmt: skip
        if means[1, 0] < DENSE_SHARE:
            doubts.add(DENSE)
        return ContrastReading(
            transmittance=means[:, 0],
            u_transmittance=u[:, 0],
            centre=means[:, -1],
            u_centre=u[:, -1],
            veil=veil,
            surface=fits[1].transmittance,
            origin_px=(self.x0, self.y0),
            step_px=self.step,
            doubts=frozenset(doubts),
        )

    def _unseen(self, fit: FieldFit, channel: int) -> float:
        """Uncertainty from smoke before patches of its own colour, where nothing shows it."""
        inside = self.inside[self.mask]
        contrast = np.abs(self.fitters[channel].clean[inside] - fit.veil)
        power = (contrast / max(float(contrast.max()), 1e-9)) ** 2
        blind = float(np.mean(power < 0.05))
        spread = float(fit.transmittance[self.inside].std())
        return UNSEEN * blind * spread / math.sqrt(self.patches)


def contrast_reading(
    frame_light: Picture, plate_light: Picture, board: Backdrop, section: Box
) -> tuple[Floats, Floats, frozenset[Doubt]]:
    """One frame's section by contrast: transmittance, standard uncertainty, doubts.

    For many frames prepare a `SectionByContrast` once.

    Parameters
    ----------
    frame_light, plate_light : ndarray, shape (h, w, 3)
        The frame, laid on the plate with its exposure taken out; the plate.
    board : Backdrop
    section : tuple of float
        x0, y0, x1, y1, the last two exclusive. [working px]

    Returns
    -------
    transmittance, u_transmittance : ndarray, shape (3,)
        NaN where the backdrop cannot answer.
    doubts : frozenset of Doubt
    """
    reading = SectionByContrast(plate_light, board, section).read(frame_light, np.full(3, 0.003))
    return reading.transmittance, reading.u_transmittance, reading.doubts


def _box_cover(box: Box, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Share of each pixel that lies in the box."""
    x, y = np.arange(shape[1]), np.arange(shape[0])
    across = np.clip(np.minimum(x + 1, box[2]) - np.maximum(x, box[0]), 0, 1)
    down = np.clip(np.minimum(y + 1, box[3]) - np.maximum(y, box[1]), 0, 1)
    return np.outer(down, across).astype(np.float32)


def _patch_count(clean: NDArray[np.float32], inside: NDArray[np.bool_]) -> float:
    """About how many patches the section holds, from how often light and dark change."""
    rows, columns = np.nonzero(inside)
    part = clean[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
    high = part > 0.5 * (np.percentile(part, 90) + np.percentile(part, 10))
    across = (high[:, 1:] != high[:, :-1]).sum(axis=1).mean() + 1
    down = (high[1:] != high[:-1]).sum(axis=0).mean() + 1
    return float(across * down)


def find_backdrop(
    codes: NDArray[np.uint16], plate: Picture, clipped: NDArray[np.bool_]
) -> Backdrop | None:
    """Find the printed backdrop in a large copy of the picture that the plate shows.

    Parameters
    ----------
    codes : ndarray of uint16, shape (H, W, 3)
        The same view, as large as may be: markers are small.
    plate, clipped : ndarray, shape (h, w, 3) and (h, w)
        Light without smoke and its blown-out pixels, at working size.

    Returns
    -------
    Backdrop or None
        None where no sheet hangs.
    """
    found = find_sheets((codes // 257).astype(np.uint8))
    factor = plate.shape[1] / codes.shape[1]
    small = [s.scaled(factor) for s in found]
    # patches of a few pixels have no inside left
    small = [s for s in small if s.sheet.cell_mm / s.mm_per_px()[0] > MIN_CELL_PX / 2]
    return backdrop_from_sheets(small, plate, clipped) if small else None


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
