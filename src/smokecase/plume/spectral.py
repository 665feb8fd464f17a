"""How the smoke's optical depth falls to the red, with the tint of the light left open.

Before a dark background thin smoke shows its veil times its depth, ``J_c r_c tau``: a bluish light
and a steep slope look the same there. Only smoke before something brighter, or smoke that is now
thin and now thick, parts the two. So the slope is fitted once more for the colour, with a veil
whose tint may be that of any daylight or lamp, and its standard uncertainty says how far the
windows part them.

Where a picture was stored without loss, each channel's own texture is a second witness
(`channel_texture.py`).

Model and windows are those of `optics/veil.py`; the tint runs along the line from lamp to sky.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from smokecase.optics.spectrum import channel_powers
from smokecase.plume.channel_texture import ChannelTexture
from smokecase.plume.windows import Windows

Floats = NDArray[np.float64]

MOST_WINDOWS = 500  # more change nothing
WINDOWS_PER_FACT = 6.0  # correlated windows that count as one independent look
# ln of red and blue over green, from lamp to blue sky: measured on `demo/light.py`, as daylight
# locus of CIE 15:2018 within a tenth (memory)
TINT_AXIS = np.array([-0.514, 0.857])
OFF_AXIS = np.array([0.857, 0.514])
TINT_PRIOR = (0.12, 0.25)  # along the axis: sky adds blue to what the sun leaves; spread
U_OFF_AXIS = 0.07  # across it: a camera's white is off by this (common practice, no source)
U_LN_LEVEL = 1.0  # the veil's level may move this far from the common fit
SLOPE_PRIOR = (1.0, 1.2)
BOUNDS_SLOPE = (-1.5, 4.0)
AT_BOUND = 0.05
U_LIGHT = (0.003, 0.012)  # a window's mean misses the model by this: absolute, relative
STEPS = 3  # of Gauss and Newton to a window's own depth


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectral:
    """Slope and tint of one clip's smoke."""

    slope: float  # Angstrom exponent of the optical depth
    u_slope: float
    tint: float  # ln of blue over red of the veil, against white
    u_tint: float
    off_axis: float  # the veil's tint across the line from lamp to sky: pink above, green below
    u_off_axis: float
    misfit: float  # mean squared misfit of the windows, robust; about 1 where one smoke fits


def fit_spectral(  # noqa: PLR0913 - what is known of the smoke, by place
    windows: Windows | None,
    light: Floats,
    slope: float,
    white: Floats,
    exit_px: tuple[float, float] | None,
    diameter_px: float | None,
    channels: ChannelTexture | None = None,
) -> Spectral | None:
    """Fit slope and tint to the windows that smoke reached.

    Parameters
    ----------
    windows : Windows or None
        As `learn_veil` found them.
    light, slope : ndarray of shape (3,), float
        Of the common veil, where the fit starts.
    white : ndarray, shape (3,)
        Light of a white card, in the plate's unit.
    exit_px, diameter_px : tuple, float or None
        The pipe, in working pixels: windows near it count most.
    channels : ChannelTexture, optional
        Of the same windows, where the picture was stored without loss.

    Returns
    -------
    Spectral or None
        None where there was nothing to fit.
    """
    if windows is None or not len(windows):
        return None
    telling = _most_telling(windows)
    windows = windows.pick(telling)
    channels = None if channels is None else channels.pick(telling)
    weight = np.full(len(windows), 1.0 / WINDOWS_PER_FACT)
    if exit_px is not None and diameter_px is not None:
        away = np.hypot(windows.x - exit_px[0], windows.y - exit_px[1])
        weight /= 1.0 + (away / (6.0 * diameter_px)) ** 2
    scale = np.sqrt(weight)[:, None]
    level = float(np.log(light[1]))
    ln_white = np.log(white[[0, 2]] / white[1])

    def misfit(p: Floats) -> Floats:
        of_light, of_texture, of_channels = _misses(windows, channels, np.exp(p[:3]), float(p[3]))
        tint = p[[0, 2]] - p[1] - ln_white
        priors = np.array([
            (p[1] - level) / U_LN_LEVEL,
            (tint @ TINT_AXIS - TINT_PRIOR[0]) / TINT_PRIOR[1],
            tint @ OFF_AXIS / U_OFF_AXIS,
            (p[3] - SLOPE_PRIOR[0]) / SLOPE_PRIOR[1],
        ])  # fmt: skip
        told = [(_soft(miss) * scale).ravel() for miss in (of_light, of_texture, of_channels)]
        return np.concatenate([*told, priors])

    edge = 1e-6
    low = np.array([-9.3, -9.3, -9.3, BOUNDS_SLOPE[0]])
    high = np.array([2.5, 2.5, 2.5, BOUNDS_SLOPE[1]])
    start = np.clip(np.append(np.log(light), slope), low + edge, high - edge)
    found = least_squares(misfit, start, bounds=(low, high), max_nfev=25, x_scale=0.3)
    spread = np.linalg.inv(found.jac.T @ found.jac + 1e-9 * np.eye(4))
    u = np.sqrt(np.diag(spread))
    if not BOUNDS_SLOPE[0] + AT_BOUND < found.x[3] < BOUNDS_SLOPE[1] - AT_BOUND:
        u[3] = max(u[3], SLOPE_PRIOR[1])  # no smoke is so: something else drove it there
    tint = found.x[[0, 2]] - found.x[1] - ln_white
    across = np.array([OFF_AXIS[0], -OFF_AXIS.sum(), OFF_AXIS[1]])
    along = np.array([-1.0, 0.0, 1.0])
    of_light, of_texture, _ = _misses(windows, None, np.exp(found.x[:3]), float(found.x[3]))
    return Spectral(
        slope=float(found.x[3]),
        u_slope=float(u[3]),
        tint=float(tint[1] - tint[0]),
        u_tint=float(np.sqrt(along @ spread[:3, :3] @ along)),
        off_axis=float(tint @ OFF_AXIS),
        u_off_axis=float(np.sqrt(across @ spread[:3, :3] @ across)),
        misfit=float(np.mean(_soft(of_light) ** 2) + np.mean(_soft(of_texture) ** 2)),
    )


def _most_telling(windows: Windows) -> NDArray[np.intp]:
    """Thin the windows out to those that changed and whose texture is well known."""
    if len(windows) <= MOST_WINDOWS:
        return np.arange(len(windows))
    change = np.abs(windows.light - windows.plate).max(axis=1)
    change /= windows.plate.max(axis=1) + 0.02
    share = np.minimum(change, 1.0) ** 2 / (windows.u_slope.min(axis=1) ** 2 + 0.1**2)
    # evenly along the heap of shares, so that no chance is needed
    heap = np.cumsum(share) / share.sum()
    at = np.searchsorted(heap, (np.arange(MOST_WINDOWS) + 0.5) / MOST_WINDOWS)
    return np.unique(at)


def _misses(
    windows: Windows, channels: ChannelTexture | None, veil: Floats, slope: float
) -> tuple[Floats, Floats, Floats]:
    """Misfits at each window's own best depth, in sigmas.

    Of light (n, 3), of luma texture (n, b), and of red's and blue's texture over green's (n, 2),
    with no column where the channels are not known.
    """
    powers = channel_powers(slope)
    away = windows.plate - veil
    u_light = U_LIGHT[0] + U_LIGHT[1] * windows.light
    far = np.abs(away) > 0.02
    by_light = (windows.light - veil) / np.where(far, away, 1.0)
    start = np.clip(np.where(far, by_light, windows.slope[:, :1]), 0.03, 1.3)
    trust = away**2 + 1e-4
    depth = np.sum(trust * -np.log(start) / powers, axis=1) / np.sum(trust, axis=1)
    for step in range(STEPS + 1):
        through = np.exp(-depth[:, None] * powers)
        of_light = (windows.light - veil - through * away) / u_light
        of_texture = windows.slope - np.einsum("nbc,nc->nb", windows.share, through)
        of_texture /= windows.u_slope
        if step == STEPS:
            break
        fall = -powers * through
        grow_light = fall * away / u_light
        grow_texture = np.einsum("nbc,nc->nb", windows.share, fall) / windows.u_slope
        top = np.sum(of_light * grow_light, axis=1) + np.sum(of_texture * grow_texture, axis=1)
        below = np.sum(grow_light**2, axis=1) + np.sum(grow_texture**2, axis=1) + 1e-6
        depth = np.clip(depth + top / below, -0.3, 5.0)
    if channels is None:
        return of_light, of_texture, np.zeros((len(windows), 0))
    expected = np.exp(-depth[:, None] * (powers[[0, 2]] - 1.0))
    return of_light, of_texture, (channels.ratio - expected) / channels.u_ratio


def _soft(miss: Floats) -> Floats:
    """Let misfits beyond one sigma grow with the root only: a leg or a leaf hardly pulls."""
    return np.asarray(np.sign(miss) * np.sqrt(2 * (np.sqrt(1 + miss**2) - 1)))
