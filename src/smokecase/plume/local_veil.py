"""A veil that varies slowly over the plume: brighter at a sunlit rim, darker in its own shade.

The common veil is scaled by a smooth field, found where windows tell it and held near 1 where
they do not.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.optics.veil import Veil, depth_by_veil, window_cost
from smokecase.optics.veil_fit import U_SLOPE_COMMON
from smokecase.plume.windows import Windows

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

STEPS = np.linspace(-0.9, 0.9, 19)  # ln scale that is tried
U_LN_SCALE = 0.15  # how far the veil strays from the common one (measured on path-traced plumes)
REACH_PX = 28.0  # over which it is taken as one
GRID_PX = 12
SMOOTH_PX = 2.0
FEWEST_NEAR = 20
SLOPES_OFF = ((-1.2, 0.25), (0.0, 0.5), (1.2, 0.25))  # in standard uncertainties; weight
WINDOWS_PER_FACT = 30.0  # windows of neighbouring places and frames that make one look
# compression eats most where the plume is fastest, at the pipe, and would pass for a darker
# veil: the place's own evidence shifts it little, and leaves this much open
U_LN_SHIFT, U_LN_LEVEL, U_LN_TINT = 0.06, 0.12, 0.04


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LocalVeil:
    """The veil at every place, with its ensemble."""

    veil: Veil
    ln_scale: NDArray[np.float32]  # (gy, gx) on a coarse grid over the picture
    u_ln_scale: NDArray[np.float32]
    draws: NDArray[np.float32]  # (m, gy, gx) smooth fields of unit spread; 0 for member 0

    def light(self, shape: tuple[int, ...]) -> Picture:
        """Best veil at every pixel, shape (h, w, 3)."""
        scale = np.exp(_spread_out(self.ln_scale, shape))
        return (scale[..., None] * self.veil.light).astype(np.float32)

    def depth(self, light: Picture, plate: Picture) -> Floats:
        """Green optical depth of every pixel for each member, shape (m, h, w)."""
        shape = light.shape[:2]
        ln_scale = _spread_out(self.ln_scale, shape)
        u = _spread_out(self.u_ln_scale, shape)
        cross, mean = _smooth(light * plate), _smooth(light)
        clear, square = _smooth(plate), _smooth(plate * plate)
        depths = []
        for member, slope, draw in zip(
            self.veil.members, self.veil.slopes, self.draws, strict=True
        ):
            j = np.exp(ln_scale + u * _spread_out(draw, shape))[..., None] * member
            top = cross - j * (mean + clear) + j * j
            below = square - 2 * j * clear + j * j
            depths.append(depth_by_veil(top, below, float(slope)))
        return np.stack(depths)


def fit_local_veil(windows: Windows, veil: Veil) -> LocalVeil:
    """Fit the scale of the veil over the picture.

    Parameters
    ----------
    windows : Windows
        Smoky windows of one picture (or of one moment).
    veil : Veil
        The common veil.

    Returns
    -------
    LocalVeil
    """
    w, h = int(windows.x.max()) + GRID_PX, int(windows.y.max()) + GRID_PX
    grid_x, grid_y = np.arange(0, w + GRID_PX, GRID_PX), np.arange(0, h + GRID_PX, GRID_PX)
    costs = np.stack([window_cost(windows, veil, float(np.exp(s))) for s in STEPS], axis=1)
    gx, gy = np.meshgrid(grid_x, grid_y)
    away = (gx.ravel()[:, None] - windows.x) ** 2 + (gy.ravel()[:, None] - windows.y) ** 2
    # 1 window in so many is an independent look, as in the common fit
    kernel = np.exp(-0.5 * away / REACH_PX**2) / 4.0
    total = kernel @ costs + 0.5 * (STEPS / U_LN_SCALE) ** 2
    odds = np.exp(-(total - total.min(axis=1, keepdims=True)))
    odds /= odds.sum(axis=1, keepdims=True)
    mean = odds @ STEPS
    u = np.sqrt(np.maximum(odds @ STEPS**2 - mean**2, 0.03**2))
    rng = np.random.default_rng(len(windows))
    draws = np.zeros((len(veil.members), *gx.shape), np.float32)
    for m in range(1, len(draws)):
        noise = rng.normal(size=gx.shape).astype(np.float32)
        soft = cv2.GaussianBlur(noise, (0, 0), REACH_PX / GRID_PX)
        draws[m] = soft / max(float(soft.std()), 1e-6)
    return LocalVeil(
        veil=veil,
        ln_scale=mean.reshape(gx.shape).astype(np.float32),
        u_ln_scale=u.reshape(gx.shape).astype(np.float32),
        draws=draws,
    )


def veil_at(
    windows: Windows,
    veil: Veil,
    place: tuple[float, float],
    reach_px: float,
    rng: np.random.Generator,
) -> Veil:
    """Find the veil near one place, with what the place itself leaves open in the ensemble.

    Parameters
    ----------
    windows : Windows
        Smoky windows of many frames.
    veil : Veil
        The common veil.
    place : tuple of float
        x, y [working px].
    reach_px : float
        Windows further away than this hardly count. [px]
    rng : numpy.random.Generator
        Chance.

    Returns
    -------
    Veil
        The same kind and slope; light and members scaled.
    """
    away = np.hypot(windows.x - place[0], windows.y - place[1])
    near = away < 2.5 * reach_px
    mean = 0.0
    if near.sum() >= FEWEST_NEAR:
        close = windows.pick(near)
        kernel = np.exp(-0.5 * (away[near] / reach_px) ** 2) / WINDOWS_PER_FACT
        odds = _odds(close, kernel, veil)
        mean = float(odds @ STEPS)
    m = len(veil.members)
    level = U_LN_LEVEL * rng.normal(size=(m, 1))
    tint = U_LN_TINT * rng.normal(size=(m, 3))
    stray = level + tint
    stray[0] = 0.0
    return replace(
        veil, light=veil.light * np.exp(mean), members=veil.members * np.exp(mean + stray)
    )


def _odds(windows: Windows, kernel: Floats, veil: Veil) -> Floats:
    """Weight of each scale in STEPS, with slopes that may all be off together."""
    off = np.hypot(0.5 * windows.u_common, U_SLOPE_COMMON)
    totals = []
    for z, before in SLOPES_OFF:
        bent = replace(windows, slope=windows.slope + z * off)
        costs = np.stack([window_cost(bent, veil, float(np.exp(s))) for s in STEPS], axis=1)
        totals.append(kernel @ costs + 0.5 * (STEPS / U_LN_SHIFT) ** 2 - np.log(before))
    total: Floats = np.array(totals, np.float64)
    odds = np.sum(np.exp(-(total - np.min(total))), axis=0)
    return np.asarray(odds / odds.sum())


def _spread_out(field: NDArray[np.float32], shape: tuple[int, ...]) -> Picture:
    """Read a field on the coarse grid at every pixel."""
    h, w = shape[:2]
    x = np.minimum(np.arange(w, dtype=np.float32) / GRID_PX, field.shape[1] - 1)
    y = np.minimum(np.arange(h, dtype=np.float32) / GRID_PX, field.shape[0] - 1)
    at_x, at_y = np.meshgrid(x, y)
    return np.asarray(cv2.remap(field, at_x, at_y, cv2.INTER_LINEAR), np.float32)


def _smooth(picture: Picture) -> Picture:
    return np.asarray(
        cv2.GaussianBlur(picture, (0, 0), SMOOTH_PX, borderType=cv2.BORDER_REFLECT), np.float32
    )
