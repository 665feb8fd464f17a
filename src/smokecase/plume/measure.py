"""Reads the measuring section of one frame.

The veil's ensemble is carried through: each member (its veil, spectral slope and tone curve, its
share of the gain's doubt, its idea of where the pipe ends) reads the section on its own, and
their spread is the reading's uncertainty.

Products of light are taken pixel by pixel; once they are smoothed, half as many cells each way
hold all there is in them, and every member is worked out on those.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import DENSE, SATURATED, SECTION_HIDDEN, TOO_DARK, VEIL_LIKE_PLATE, Doubt
from smokecase.measured import COVERAGE
from smokecase.optics.spectrum import channel_powers
from smokecase.optics.veil import Veil, depth_by_veil
from smokecase.plume.cells import (
    CELL_SMOOTH,
    SMOOTH_PX,
    along,
    cells,
    coverage,
    even_part,
    halved,
    mostly,
    overlap,
    smooth,
)
from smokecase.plume.levels import Level, by_level, root_codes
from smokecase.plume.windows import LOSS_AT_HALF, kept_back

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

U_FLOOR_PCT = 0.8  # what registration and compression leave even in clear air
# relative standard uncertainty of the optical depth beside what the members tell: self-shading, a
# veil that varies over the plume, texture that an encoder drops. The least with which 95 % of the
# intervals held on 120 computed clips of known families (examples/accuracy.md tells of others)
U_LN_DEPTH = 0.15
DENSE_PCT = 80.0
WIDEST_PCT = 30.0  # standard uncertainty beyond which the picture does not answer
LIGHTER_PCT = -25.0  # clear air never reads so: something else stands there
HIDDEN = 0.6  # relative light off the line from plate to veil that only a solid thing explains
SATURATED_SHARE, MOST_SATURATED = 0.05, 0.35
DARK_LIGHT = 0.006
LEAST_VEIL = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SectionValues:
    """What one frame gave: transmittance per channel and opacity with its bounds."""

    transmittance: Floats  # (3,)
    u_transmittance: Floats  # (3,)
    opacity_pct: float
    u_opacity_pct: float
    low_pct: float
    high_pct: float
    centre_line_pct: float
    doubts: frozenset[Doubt]


class SectionReader:
    """The measuring section of one scene, ready to read frames."""

    def __init__(
        self,
        plate: Picture,
        u_plate: Picture,
        veil: Veil,
        boxes: Floats,
        line: tuple[Floats, Floats],
        rng: np.random.Generator,
    ) -> None:
        """Prepare.

        Parameters
        ----------
        plate, u_plate : ndarray, shape (h, w, 3)
            Linear light at working size.
        veil : Veil
            With m members; member 0 is the best fit.
        boxes : ndarray, shape (m, 4)
            Section of each member in working pixels, edges as x0, y0, x1, y1 with x1, y1
            exclusive; row 0 is the best.
        line : (ndarray, ndarray)
            x and y of points on the plume's centre line inside the section [working px].
        rng : numpy.random.Generator
            Chance, for each member's share of the gain's doubt.
        """
        levels, order = by_level(veil.bends)
        boxes, slopes, members = boxes[order], veil.slopes[order], veil.members[order]
        (y0, y1), (x0, x1) = (
            even_part(boxes[:, low].min(), boxes[:, low + 2].max(), side)
            for low, side in ((1, plate.shape[0]), (0, plate.shape[1]))
        )
        self.cut = (slice(y0, y1), slice(x0, x1))
        self.inside = overlap(boxes[0], plate.shape[1], plate.shape[0])
        shape = ((y1 - y0) // 2, (x1 - x0) // 2)
        self.weights = np.stack(
            [coverage((box - np.array([x0, y0, x0, y0])) / 2.0, shape) for box in boxes]
        ).reshape(len(boxes), -1)
        self.best_cells = mostly(self.weights[0])
        self.best_box = mostly(coverage(boxes[0] - np.array([x0, y0, x0, y0]), (y1 - y0, x1 - x0)))
        self.line = along(line[0] - x0, line[1] - y0, shape)
        self.veil, self.shape = veil, shape
        patch = plate[self.cut]
        self.dark = bool(np.median(patch[self.best_box]) < DARK_LIGHT)
        self.plate = cells(halved(patch))  # (3, p)
        self.levels = [Level.of(patch, bend, who, members[who]) for bend, who in levels]
        self.below = np.concatenate([level.below for level in self.levels], axis=1)
        self.slopes = slopes[:, None]
        self.powers = channel_powers(slopes).astype(np.float32)  # (m, 3)
        self.gain_draw = rng.normal(size=(len(order), 1))[order]
        self.gain_draw[0] = 0.0
        # how far each member takes the smoke to be brighter than the best one does
        brightness = np.log(np.maximum(members[:, 1], LEAST_VEIL))
        self.brighter = brightness[1:] - brightness[0]
        self.pulled, self.pull_weight = 0.0, 0.0
        away = np.sqrt(np.sum((patch - veil.light) ** 2, axis=-1)) + 0.01
        u = np.sqrt(np.sum(u_plate[self.cut] ** 2, axis=-1)) / away
        self.u_clear = halved(u.astype(np.float32)).ravel()
        self.by_texture = halved(self._by_texture(patch).astype(np.float32)).ravel()

    def _by_texture(self, plate: Picture) -> Floats:
        """Doubt about transmittance where it rests on texture that compression may drop, (h, w).

        Where plate and veil differ on average, the mean tells; where they do not, only the
        texture does, and weak texture under smoke is what an encoder saves on.
        """
        mean = smooth(plate, SMOOTH_PX)
        spread = np.maximum(smooth(plate * plate, SMOOTH_PX) - mean * mean, 0.0)
        apart = (mean - self.veil.light) ** 2
        share = spread.sum(axis=-1) / (spread + apart).sum(axis=-1).clip(1e-9)
        level = np.clip(mean[..., 1], 0.003, 1.0)
        codes = np.sqrt(spread[..., 1]) * 255 / 2.4 * level ** (1 / 2.4 - 1)
        return np.asarray(share * 2 * LOSS_AT_HALF[0] * kept_back(codes), np.float64)

    def read(self, light: Picture, u_gain: Floats, clipped: NDArray[np.bool_]) -> SectionValues:
        """Read one frame that lies on the plate with its exposure taken out.

        Parameters
        ----------
        light : ndarray, shape (h, w, 3)
        u_gain : ndarray, shape (3,)
            Relative standard uncertainty of the gain that was taken out.
        clipped : ndarray of bool, shape (h, w)
            Pixels blown out in the frame or on the plate.

        Returns
        -------
        SectionValues
            NaN opacity where the picture cannot answer, with the doubt that says why.
        """
        return self.read_part(light[self.cut], u_gain, clipped[self.cut])

    def read_part(
        self, light: Picture, u_gain: Floats, clipped: NDArray[np.bool_]
    ) -> SectionValues:
        """Read a frame of which only the part `cut` is given; else as `read`."""
        patch = np.maximum(light, 0)
        gains = (1.0 + self.gain_draw * u_gain).astype(np.float32)
        codes = root_codes(patch)
        top = np.empty_like(self.below)
        for level in self.levels:
            top[:, level.who] = level.top(codes, gains[level.who])
        # channels last as that wants them, and still each in one piece
        depth = depth_by_veil(np.moveaxis(top, 0, -1), np.moveaxis(self.below, 0, -1), self.slopes)
        means = np.empty((len(depth), 3))
        through = np.empty((3, depth.shape[1]), np.float32)  # of the best member
        for c in range(3):
            light_left = np.exp(-depth * self.powers[:, c, None])
            means[:, c] = np.einsum("mp,mp->m", self.weights, light_left)
            through[c] = light_left[0]
        opacity = 100.0 * (1.0 - means[:, 1])
        self._note_pull(opacity)
        doubts = set()
        bright = clipped[self.best_box].mean() if self.best_box.any() else 0.0
        if bright > SATURATED_SHARE:
            doubts.add(SATURATED)
        if self.dark and float(np.median(patch[self.best_box])) < DARK_LIGHT:
            doubts.add(TOO_DARK)
        # blown-out smoke reads as thinner than it is
        noise = float(np.hypot(self._noise(through), 30.0 * bright))
        value, u, low, high = _spread(opacity, noise)
        if bright > MOST_SATURATED:
            value = np.nan
        if value > DENSE_PCT:
            doubts.add(DENSE)
        if self._hidden(patch, through) or value < LIGHTER_PCT:
            doubts.add(SECTION_HIDDEN)
            value = np.nan
        if u > WIDEST_PCT:
            doubts.add(VEIL_LIKE_PLATE)
            value = np.nan
        return SectionValues(
            transmittance=means[0],
            u_transmittance=np.hypot(means.std(axis=0), 0.01 * U_FLOOR_PCT),
            opacity_pct=float(value),
            u_opacity_pct=float(u),
            low_pct=float(low),
            high_pct=float(high),
            centre_line_pct=float(100.0 * (1.0 - self.line @ through[1]))
            if np.isfinite(value)
            else np.nan,
            doubts=frozenset(doubts),
        )

    def _note_pull(self, opacity: Floats) -> None:
        held = max(float(opacity[0]), 0.0)
        self.pulled += held * float(self.brighter @ (opacity[1:] - opacity[0]))
        self.pull_weight += held**2 * float(self.brighter @ self.brighter)

    def veil_doubt(self) -> dict[str, float] | None:
        """Tell how unsure the smoke's brightness is, and what of the opacity hangs on it.

        Returns
        -------
        dict or None
            ``ln_veil`` and ``u_ln_veil``: logarithm of the veil's green light and its standard
            uncertainty; ``opacity_per_ln_veil``: relative change of the opacity with it, over all
            frames read until now. None where no smoke was read.
        """
        if not self.pull_weight > 0:
            return None
        return {
            "ln_veil": float(np.log(max(self.veil.light[1], LEAST_VEIL))),
            "u_ln_veil": float(np.sqrt(np.mean(self.brighter**2))),
            "opacity_per_ln_veil": self.pulled / self.pull_weight,
        }

    def _noise(self, through: Picture) -> float:
        """Work out the standard uncertainty from plate and texture, in percent of opacity."""
        if not self.best_cells.any():
            return 0.0
        here = through[1, self.best_cells].astype(np.float64)
        # a plate's error is partly common to neighbours: between mean and mean over root n
        own = 0.3 * float(np.mean(self.u_clear[self.best_cells] * here))
        held = 1.0 - np.clip(here, 0.0, 1.0)
        # an encoder that copies a still block on hides smoke: also clear air is then in doubt
        copied = float(np.mean(self.by_texture[self.best_cells] * np.maximum(held, 0.2)))
        return 100.0 * float(np.hypot(own, copied))

    def _hidden(self, patch: Picture, through: Picture) -> bool:
        """Tell whether the light lies far off the line from plate to veil: something solid."""
        veil = self.veil.light[:, None].astype(np.float32)
        model = through * self.plate + (1.0 - through) * veil
        away = cells(halved(patch)) - model
        off = np.stack([smooth(a.reshape(self.shape), CELL_SMOOTH).ravel() for a in away])
        scale = 0.02 + np.maximum(model, self.plate)
        return bool(np.sqrt(np.mean((off / scale)[:, self.best_cells] ** 2)) > HIDDEN)


def _spread(opacity: Floats, noise: float) -> tuple[float, float, float, float]:
    """Value, standard uncertainty and 95 % bounds from the members and the rest."""
    value = float(opacity[0])
    through = float(np.clip(1.0 - 0.01 * value, 0.01, 1.0))
    of_depth = 100.0 * U_LN_DEPTH * through * -math.log(through)
    rest = math.sqrt(noise**2 + U_FLOOR_PCT**2 + of_depth**2)
    away = opacity[1:] - value
    above = float(np.sqrt(np.mean(np.maximum(away, 0.0) ** 2) * 2.0))
    below = float(np.sqrt(np.mean(np.minimum(away, 0.0) ** 2) * 2.0))
    u = float(np.sqrt(np.mean(away**2) + rest**2))
    return (
        value, u,
        value - COVERAGE * float(np.hypot(below, rest)),
        value + COVERAGE * float(np.hypot(above, rest)),
    )  # fmt: skip
