"""The smoke's own colour: its veil against white, and how its optical depth falls to the red.

Both are optics, not paint: the veil J is the light of an endlessly thick plume, W that of a
white card in the same light. The spectral slope a is the Angstrom exponent,
``tau(lambda) ~ lambda^-a``: about 1 for soot, 1.5 to 3 for oil mist, 0 for coarse droplets.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Centres of a camera's red, green and blue in daylight [um]. Common practice, no source;
# cameras differ by some 0.01 um, which moves a slope by about a tenth of itself.
WAVELENGTHS_UM = (0.610, 0.545, 0.460)


def veil_reflectance(
    veil: ArrayLike, white: ArrayLike, *, u_veil: ArrayLike = 0.0, u_white: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Veil relative to a white card in the same light, per channel.

    Parameters
    ----------
    veil, white : array_like, shape (..., 3)
        Light of the veil and of white, red, green, blue. [any, linear]
    u_veil, u_white : array_like
        Standard uncertainty of each, in the same unit.

    Returns
    -------
    reflectance, u_reflectance : ndarray, shape (..., 3)
        [1] Above 1 where the sun behind the plume makes it glow. NaN where white is dark.

    Source
    ------
    Definition; uncertainty by JCGM 100:2008, 5.1.2, eq. (10).
    """
    j, w, u_j, u_w = np.broadcast_arrays(
        *(np.asarray(a, np.float64) for a in (veil, white, u_veil, u_white))
    )
    lit = w > 0
    safe = np.where(lit, w, 1.0)
    r = j / safe
    return np.where(lit, r, np.nan), np.where(lit, np.hypot(u_j, r * u_w) / safe, np.nan)


def chromaticity(light: ArrayLike, *, u_light: ArrayLike = 0.0) -> tuple[Floats, Floats]:
    """Share of each channel in the whole, free of brightness.

    Parameters
    ----------
    light, u_light : array_like, shape (..., 3)
        Linear red, green, blue, and its standard uncertainty, the channels independent.

    Returns
    -------
    share, u_share : ndarray, shape (..., 3)
        Sum to 1; a third each is neutral. [1] NaN where there is no light.

    Source
    ------
    Definition; uncertainty by JCGM 100:2008, 5.1.2, eq. (10).
    """
    c, u = np.broadcast_arrays(np.asarray(light, np.float64), np.asarray(u_light, np.float64))
    total = c.sum(axis=-1, keepdims=True)
    lit = total > 0
    safe = np.where(lit, total, 1.0)
    share = c / safe
    variance = u**2
    # d share_i / d c_j = (delta_ij - share_i) / total
    spread = variance * (1.0 - 2.0 * share) + share**2 * variance.sum(axis=-1, keepdims=True)
    u_share = np.sqrt(np.maximum(spread, 0.0)) / safe
    return np.where(lit, share, np.nan), np.where(lit, u_share, np.nan)


def spectral_slope(
    optical_depth: ArrayLike,
    *,
    u_optical_depth: ArrayLike,
    wavelengths_um: tuple[float, float, float] = WAVELENGTHS_UM,
) -> tuple[Floats, Floats]:
    """Angstrom exponent of the optical depth over red, green and blue.

    Weighted straight line through ln tau against ln lambda.

    Parameters
    ----------
    optical_depth, u_optical_depth : array_like, shape (..., 3)
        Red, green, blue, and standard uncertainty, above zero, the channels independent.
    wavelengths_um : tuple of float
        Centre of each channel. [um]

    Returns
    -------
    slope, u_slope : ndarray, shape (...)
        ``-d ln tau / d ln lambda``. [1] NaN where a channel's depth is not above zero.

    Raises
    ------
    ValueError
        If an uncertainty is not above zero.

    Source
    ------
    Angstrom's law; weighted least squares, uncertainty by JCGM 100:2008, 5.1.2, eq. (10).
    """
    tau, u = np.broadcast_arrays(
        np.asarray(optical_depth, np.float64), np.asarray(u_optical_depth, np.float64)
    )
    if not np.all((u > 0) | np.isnan(u)):
        msg = "u_optical_depth must be above zero"
        raise ValueError(msg)
    known = np.all(tau > 0, axis=-1)
    safe = np.where(known[..., None], tau, 1.0)
    x = np.log(np.asarray(wavelengths_um))
    y = np.log(safe)
    weight = (safe / u) ** 2  # u(ln tau) = u / tau
    total = weight.sum(axis=-1)
    x_mean = (weight * x).sum(axis=-1) / total
    away = x - x_mean[..., None]
    leverage = (weight * away**2).sum(axis=-1)
    slope = -(weight * away * y).sum(axis=-1) / leverage
    return np.where(known, slope, np.nan), np.where(known, leverage**-0.5, np.nan)
