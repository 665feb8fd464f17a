"""Which pixels are smoke, and how dense it is there.

A pixel is smoke where its light lies on the line from its plate towards the veil, further along
than noise explains, and where it hangs together with the pipe's end or with smoke that did a
moment ago. Legs, cars and leaves leave the line; shadows and rain do not hang together with the
pipe.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.optics.veil import Veil, depth_by_veil

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

THIN_PCT = 2.5  # thinner smoke is not told from noise pixel by pixel
SIGMAS = 3.0
SMOOTH_PX = 2.0
OFF_LINE = 0.25  # relative light off the line beyond which a pixel shows something solid
START_DIAMETERS = 2.6  # smoke may begin this far from the exit (detached fog)
VISIBLE_PCT, VISIBLE_SHARE = 5.0, 0.0005  # what counts as visible: p95, and share of the picture


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmokeMap:
    """Smoke over the whole picture in one frame, at half working size."""

    opacity_pct: NDArray[np.float32]  # (h, w) green
    mask: NDArray[np.bool_]  # (h, w)
    p95_pct: float  # over the mask; nan where there is none
    area_px: float  # of the full-size upright picture
    length_px: float  # 98th percentile of the distance from the exit
    at_edge: bool

    @property
    def visible(self) -> bool:
        """Visible smoke: 5 % at the plume's 95th percentile, on enough of the picture."""
        share = self.mask.mean()
        return bool(share >= VISIBLE_SHARE and self.p95_pct >= VISIBLE_PCT)


class SmokeFinder:
    """Finds the plume in frames of one scene."""

    def __init__(
        self,
        plate: Picture,
        u_plate: Picture,
        veil: Veil,
        exit_px: tuple[float, float] | None,
        diameter_px: float,
        scale: float,
    ) -> None:
        """Prepare; `exit_px` and `diameter_px` in working pixels, `scale` working over full."""
        self.plate = _half(plate)
        self.veil = veil.light.astype(np.float32)
        self.slope = veil.slope
        # channels first, each in one piece: many times quicker than across them
        self.mean = _planes(_smooth(self.plate))
        j = self.veil[:, None, None]
        self.below = _planes(_smooth(self.plate**2)) - 2 * j * self.mean + j * j
        self.scale = scale / 2.0
        away = np.sqrt(np.sum((self.plate - self.veil) ** 2, axis=-1))
        noise = (
            np.sqrt(np.sum(_half(u_plate) ** 2, axis=-1)) + 0.004 + 0.01 * self.plate.max(axis=-1)
        )
        # noise of one pixel's opacity, after smoothing; where plate and veil are alike it explodes
        self.u_pct = _smooth((100.0 * 0.35 * noise / (away + 1e-3)).astype(np.float32))
        h, w = self.u_pct.shape
        self.exit = None
        self.start = np.ones((h, w), bool)
        if exit_px is not None:
            self.exit = (exit_px[0] / 2.0 - 0.25, exit_px[1] / 2.0 - 0.25)
            y, x = np.mgrid[:h, :w]
            reach = START_DIAMETERS * diameter_px / 2.0
            self.start = (x - self.exit[0]) ** 2 + (y - self.exit[1]) ** 2 < reach**2
        self.before: NDArray[np.bool_] | None = None

    def find(self, light: Picture) -> SmokeMap:
        """Smoke in one frame that lies on the plate, exposure taken out. Call in order of time."""
        seen = _half(light)
        cross, mean = _planes(_smooth(seen * self.plate)), _planes(_smooth(seen))
        j = self.veil[:, None, None]
        top = cross - j * (mean + self.mean) + j * j
        depth = depth_by_veil(np.moveaxis(top, 0, -1), np.moveaxis(self.below, 0, -1), self.slope)
        opacity = np.asarray(100.0 * (1.0 - np.exp(-depth)), np.float32)
        off = level = np.zeros(opacity.shape, np.float32)
        for c in range(3):
            through = top[c] / (self.below[c] + 1e-6)
            np.clip(through, 0.0, 1.2, out=through)
            model = through * (self.mean[c] - self.veil[c]) + self.veil[c]
            off = np.maximum(off, np.abs(mean[c] - model))
            level = np.maximum(level, np.maximum(mean[c], self.mean[c]))
        off /= 0.02 + level
        smoky = (opacity > np.maximum(THIN_PCT, SIGMAS * self.u_pct)) & (off < OFF_LINE)
        return self._connected(opacity, smoky)

    def _connected(self, opacity: NDArray[np.float32], smoky: NDArray[np.bool_]) -> SmokeMap:
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
        tidy = cv2.morphologyEx(smoky.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        count, labels = cv2.connectedComponents(cv2.dilate(tidy, kernel))
        seed = self.start.copy()
        if self.before is not None:
            seed |= self.before
        kept = np.zeros(count, bool)
        kept[np.unique(labels[seed & (tidy > 0)])] = True
        kept[0] = False
        mask = kept[labels] & (tidy > 0)
        self.before = mask if self.exit is not None else None
        if not mask.any():
            return SmokeMap(
                opacity_pct=opacity, mask=mask, p95_pct=np.nan, area_px=0.0, length_px=0.0,
                at_edge=False,
            )  # fmt: skip
        y, x = np.nonzero(mask)
        length = 0.0
        if self.exit is not None:
            length = float(np.percentile(np.hypot(x - self.exit[0], y - self.exit[1]), 98))
        edge = mask.copy()
        edge[2:-2, 2:-2] = False
        return SmokeMap(
            opacity_pct=opacity,
            mask=mask,
            p95_pct=float(np.percentile(opacity[mask], 95)),
            area_px=float(mask.sum() / self.scale**2),
            length_px=length / self.scale,
            at_edge=bool(edge.sum() > 4),
        )


def _half(picture: Picture) -> Picture:
    h, w = picture.shape[:2]
    small = cv2.resize(picture, (max(1, w // 2), max(1, h // 2)), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32)


def _planes(picture: Picture) -> Picture:
    return np.stack(cv2.split(picture))


def _smooth(picture: Picture) -> Picture:
    return np.asarray(
        cv2.GaussianBlur(picture, (0, 0), SMOOTH_PX / 2.0, borderType=cv2.BORDER_REFLECT),
        np.float32,
    )
