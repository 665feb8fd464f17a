"""The contrast way: smoke before something bright and something dark side by side.

A patch of clean light B is seen through smoke as ``S = B T + J (1 - T)`` (J: the veil). Two
patches with the same smoke before them give both unknowns without knowing the smoke:

    T        = (S_bright - S_dark) / (B_bright - B_dark)
    J (1 - T) = S_dark - T B_dark
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def transmittance_by_contrast(
    clean: ArrayLike,
    seen: ArrayLike,
    *,
    u_clean: ArrayLike = 0.0,
    u_seen: ArrayLike = 0.0,
) -> tuple[Floats, Floats]:
    """Transmittance before one bright and one dark patch, each with its own uncertainty.

    Parameters
    ----------
    clean, seen : array_like, shape (2, ...)
        Light of the bright and the dark patch without smoke, and through it. [any, linear]
    u_clean, u_seen : array_like
        Standard uncertainty of each, in the same unit; independent of one another.

    Returns
    -------
    transmittance, u_transmittance : ndarray, shape (...)
        Not clipped. [0 to 1] NaN where the patches do not differ.

    Source
    ------
    The contrast model of Du et al. 2007, J. Air & Waste Manage. Assoc. 57 (method from memory);
    uncertainty by JCGM 100:2008, 5.1.2, eq. (10).
    """
    b, s = np.asarray(clean, np.float64), np.asarray(seen, np.float64)
    u_b = np.broadcast_to(np.asarray(u_clean, np.float64), b.shape)
    u_s = np.broadcast_to(np.asarray(u_seen, np.float64), s.shape)
    gap = b[0] - b[1]
    differs = gap != 0
    safe = np.where(differs, gap, 1.0)
    t = (s[0] - s[1]) / safe
    u = np.sqrt(u_s[0] ** 2 + u_s[1] ** 2 + t**2 * (u_b[0] ** 2 + u_b[1] ** 2)) / np.abs(safe)
    return np.where(differs, t, np.nan), np.where(differs, u, np.nan)


def veil_by_contrast(clean: ArrayLike, seen: ArrayLike, transmittance: ArrayLike) -> Floats:
    """Light that the smoke adds, scaled to an endlessly thick plume.

    ``J = (S - T B) / (1 - T)``, mean of the two patches.

    Parameters
    ----------
    clean, seen : array_like, shape (2, ...)
        Light of the bright and the dark patch without smoke, and through it. [any, linear]
    transmittance : array_like, shape (...)
        Found by `transmittance_by_contrast`. [0 to 1]

    Returns
    -------
    ndarray, shape (...)
        Veil, in the unit of the light. NaN where there is no smoke.

    Source
    ------
    The picture model at the head of this file, solved for J.
    """
    b, s = np.asarray(clean, np.float64), np.asarray(seen, np.float64)
    t = np.asarray(transmittance, np.float64)
    held = 1.0 - t
    smoky = held != 0
    added = np.mean(s - t * b, axis=0)
    return np.where(smoky, added / np.where(smoky, held, 1.0), np.nan)
