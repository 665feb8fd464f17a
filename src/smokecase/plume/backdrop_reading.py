"""Reads the measuring section by the contrast of the backdrop behind it.

Nothing need be known of the smoke: what is dark and what is light behind it come nearer to one
another by the share of light that gets through. Coordinates are working pixels.
"""

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import BOARD_OFF_SECTION, DENSE, SATURATED, Doubt
from smokecase.optics.contrast import MIN_PIXELS, FieldFit, FieldFitter
from smokecase.plume.backdrop import MIN_CONTRAST, Backdrop

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

MARGIN = 0.5  # of the section's side: the surface is fitted over that much more around it
KNOTS = 4.0  # to a section's side
WIDEST_PX = 36  # a section wider than this is read from a smaller copy: noise goes, time too
MIN_COVER = 0.7  # share of the section that must lie before the backdrop
U_FLOOR = 0.003  # what registration and compression leave even in clear air
LINE_BLUR = 0.01  # of the section's side: wider, and the thinner rims are read along with it
U_LINE = 0.09  # of the surface's spread: what it smooths away on the centre line
UNSEEN = 0.35  # turbulence on patches that cannot show it, relative to that seen on the others
# the parts of the doubt are each taken at their full size, and together come out too large: on 24
# invented yards (tests/benchmarks/backdrop_figures.py, --first 3000) by this
TOO_WIDE = 1.25
DENSE_SHARE = 0.2  # of the light left, below which smoke is called dense


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
