"""Reads the measuring section of one frame.

The veil's ensemble is carried through: each member (its veil, spectral slope and tone curve, its
share of the gain's doubt, its idea of where the pipe ends) reads the section on its own, and
their spread is the reading's uncertainty.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import DENSE, SATURATED, SECTION_HIDDEN, TOO_DARK, VEIL_LIKE_PLATE, Doubt
from smokecase.measured import COVERAGE
from smokecase.optics.tone import CURVE_GRID, Bend
from smokecase.optics.veil import Veil, channel_powers, depth_by_veil
from smokecase.plume.windows import LOSS_AT_HALF, kept_back

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

SMOOTH_PX = 2.5  # pixels are averaged over this sigma: noise goes, the plume's edge stays
U_FLOOR_PCT = 0.8  # what registration and compression leave even in clear air
U_LEVEL = 0.02  # of the opacity: self-shading and a veil that varies within the section
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
        h, w = plate.shape[:2]
        pad = int(3 * SMOOTH_PX) + 1
        x0 = int(np.clip(np.floor(boxes[:, 0].min()) - pad, 0, w - 2))
        y0 = int(np.clip(np.floor(boxes[:, 1].min()) - pad, 0, h - 2))
        x1 = int(np.clip(np.ceil(boxes[:, 2].max()) + pad, x0 + 2, w))
        y1 = int(np.clip(np.ceil(boxes[:, 3].max()) + pad, y0 + 2, h))
        self.cut = (slice(y0, y1), slice(x0, x1))
        self.inside = _overlap(boxes[0], w, h)
        shape = (y1 - y0, x1 - x0)
        self.weights = np.stack(
            [_coverage(box - np.array([x0, y0, x0, y0]), shape) for box in boxes]
        ).reshape(len(boxes), -1)
        self.veil = veil
        self.levels, self.level_of = _levels(veil.bends)
        self.veils = np.stack(
            [self.levels[i].straight(j) for i, j in zip(self.level_of, veil.members, strict=True)]
        )
        self.tables = [level.table()[0].astype(np.float32) for level in self.levels]
        patch = plate[self.cut]
        self.plate, self.u_plate = patch, u_plate[self.cut]
        self.plates = [self._straight(patch, level) for level in range(len(self.levels))]
        self.plate_means = [_smooth(p) for p in self.plates]
        self.below = [self._below(level) for level in range(len(self.levels))]
        self.gain_draw = rng.normal(size=(len(veil.members), 1, 1, 1))
        self.gain_draw[0] = 0.0
        self.powers = channel_powers(veil.slopes).astype(np.float32)  # (m, 3)
        # how far each member takes the smoke to be brighter than the best one does
        brightness = np.log(np.maximum(veil.members[:, 1], LEAST_VEIL))
        self.brighter = brightness[1:] - brightness[0]
        self.pulled, self.pull_weight = 0.0, 0.0
        self.line = (
            np.clip(np.round(line[1]).astype(int) - y0, 0, shape[0] - 1),
            np.clip(np.round(line[0]).astype(int) - x0, 0, shape[1] - 1),
        )
        self.by_texture = self._by_texture(patch)
        best = self.weights[0].reshape(shape)
        self.best_box = best > 0.5 * best.max()

    def _straight(self, patch: Picture, level: int) -> Picture:
        """Light as the lens saw it, if the camera's curve was that of this level."""
        return np.asarray(np.interp(patch, CURVE_GRID, self.tables[level]), np.float32)

    def _below(self, level: int) -> Picture:
        """Smoothed squared distance of plate and veil for the members of a level, (k, h, w, 3)."""
        square = _smooth(self.plates[level] * self.plates[level])
        j = self.veils[self.level_of == level][:, None, None, :]
        return np.asarray(square - 2 * j * self.plate_means[level] + j * j, np.float32)

    def _by_texture(self, plate: Picture) -> Floats:
        """Doubt about transmittance where it rests on texture that compression may drop, (h, w).

        Where plate and veil differ on average, the mean tells; where they do not, only the
        texture does, and weak texture under smoke is what an encoder saves on.
        """
        mean = _smooth(plate)
        spread = np.maximum(_smooth(plate * plate) - mean * mean, 0.0)
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
        patch = np.maximum(light[self.cut], 0)
        members, (h, w) = len(self.veil.members), patch.shape[:2]
        depth = np.empty((members, h, w), np.float32)
        for level in range(len(self.levels)):
            who = np.nonzero(self.level_of == level)[0]
            if not len(who):
                continue
            bent = self._straight(patch, level)
            mean = self.plate_means[level]
            cross, seen = _smooth(bent * self.plates[level]), _smooth(bent)
            j = self.veils[who][:, None, None, :].astype(np.float32)
            g = (1.0 + self.gain_draw[who] * u_gain).astype(np.float32)
            top = g * (cross - j * seen) + j * (j - mean)
            depth[who] = depth_by_veil(top, self.below[level], self.veil.slopes[who, None, None])
        means = np.empty((members, 3))
        through = np.empty((h, w, 3))  # of the best member
        for c in range(3):
            light_left = np.exp(-depth * self.powers[:, None, None, c])
            means[:, c] = np.einsum("mp,mp->m", self.weights, light_left.reshape(members, -1))
            through[..., c] = light_left[0]
        opacity = 100.0 * (1.0 - means[:, 1])
        self._note_pull(opacity)
        doubts = set()
        bright = clipped[self.cut][self.best_box].mean() if self.best_box.any() else 0.0
        if bright > SATURATED_SHARE:
            doubts.add(SATURATED)
        if (
            float(np.median(self.plate[self.best_box])) < DARK_LIGHT
            and float(np.median(patch[self.best_box])) < DARK_LIGHT
        ):
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
            centre_line_pct=float(100.0 * (1.0 - np.mean(through[..., 1][self.line])))
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

    def _noise(self, through: Floats) -> float:
        """Work out the standard uncertainty from plate and texture, in percent of opacity."""
        away = np.abs(self.plate - self.veil.light)
        best = np.sqrt(np.sum(away**2, axis=-1)) + 0.01
        u = np.sqrt(np.sum(self.u_plate**2, axis=-1)) * through[..., 1] / best
        # a plate's error is partly common to neighbours: between mean and mean over root n
        if not self.best_box.any():
            return 0.0
        own = 0.3 * float(np.mean(u[self.best_box]))
        held = 1.0 - np.clip(through[..., 1], 0.0, 1.0)
        # an encoder that copies a still block on hides smoke: also clear air is then in doubt
        copied = float(np.mean((self.by_texture * np.maximum(held, 0.2))[self.best_box]))
        return 100.0 * float(np.hypot(own, copied))

    def _hidden(self, patch: Picture, through: Floats) -> bool:
        """Tell whether the light lies far off the line from plate to veil: something solid."""
        model = through * self.plate + (1.0 - through) * self.veil.light
        off = _smooth((patch - model).astype(np.float32))[self.best_box]
        scale = 0.02 + np.maximum(model[self.best_box], self.plate[self.best_box])
        return bool(np.sqrt(np.mean((off / scale) ** 2)) > HIDDEN)


def _levels(bends: tuple[Bend, ...]) -> tuple[list[Bend], NDArray[np.intp]]:
    """Few tone curves that stand for those of all members; the best member keeps its own."""
    own = np.array([[b.share, b.shoulder] for b in bends])
    ends = [np.quantile(column, (0.2, 0.8)) for column in own.T]
    few = np.array([own[0], *((a, b) for a in ends[0] for b in ends[1])])
    away = np.sum((own[:, None] - few[None]) ** 2, axis=-1)
    who = np.argmin(away, axis=1)
    used, who = np.unique(who, return_inverse=True)
    return [Bend(float(a), float(b)) for a, b in few[used]], who


def _spread(opacity: Floats, noise: float) -> tuple[float, float, float, float]:
    """Value, standard uncertainty and 95 % bounds from the members and the rest."""
    value = float(opacity[0])
    rest = np.sqrt(noise**2 + U_FLOOR_PCT**2 + (U_LEVEL * value) ** 2)
    away = opacity[1:] - value
    above = float(np.sqrt(np.mean(np.maximum(away, 0.0) ** 2) * 2.0))
    below = float(np.sqrt(np.mean(np.minimum(away, 0.0) ** 2) * 2.0))
    u = float(np.sqrt(np.mean(away**2) + rest**2))
    return (
        value, u,
        value - COVERAGE * float(np.hypot(below, rest)),
        value + COVERAGE * float(np.hypot(above, rest)),
    )  # fmt: skip


def _smooth(picture: Picture) -> Picture:
    return np.asarray(
        cv2.GaussianBlur(picture, (0, 0), SMOOTH_PX, borderType=cv2.BORDER_REFLECT), np.float32
    )


def _coverage(box: Floats, shape: tuple[int, int]) -> Floats:
    """Share of each pixel that lies in the box, scaled to sum to 1."""
    # pixel i spans i - 0.5 to i + 0.5; box edges are given as first and past-the-last pixel
    across = np.clip(
        np.minimum(np.arange(shape[1]) + 1, box[2]) - np.maximum(np.arange(shape[1]), box[0]), 0, 1
    )
    down = np.clip(
        np.minimum(np.arange(shape[0]) + 1, box[3]) - np.maximum(np.arange(shape[0]), box[1]), 0, 1
    )
    covered = down[:, None] * across[None, :]
    total = covered.sum()
    return covered / total if total > 0 else np.full(shape, 1.0 / (shape[0] * shape[1]))


def _overlap(box: Floats, w: int, h: int) -> float:
    """Share of the box that lies in the picture."""
    area = (box[2] - box[0]) * (box[3] - box[1])
    cut = (min(box[2], w) - max(box[0], 0.0)) * (min(box[3], h) - max(box[1], 0.0))
    return float(max(0.0, cut) / area)
