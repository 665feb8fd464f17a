"""How much light smoke holds back, in each of the forms that people use.

With the transmittance T and the path length L through the smoke:

    optical depth  tau = -ln T
    opacity        N   = 100 (1 - T)              [%]
    coefficient    k   = tau / L                  [1/m]
    other path     N_s = 100 (1 - (1 - N_m / 100)^(L_s / L_m))
    Ringelmann     n   = N / 20                   black smoke only
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smokecase.measured import Measured

Floats = NDArray[np.float64]

OPACITY_PER_RINGELMANN = 20.0  # [%] US Bureau of Mines Information Circular 8333 (1967)


def opacity_from_transmittance(
    transmittance: ArrayLike, *, u_transmittance: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Opacity of smoke that lets a share of the light through.

    Parameters
    ----------
    transmittance : array_like, shape (...)
        Share of the plate's light that comes through; not clipped. [0 to 1]
    u_transmittance : array_like
        Its standard uncertainty.

    Returns
    -------
    opacity, u_opacity : ndarray, shape (...)
        Opacity and its standard uncertainty. [%]

    Source
    ------
    Definition, as in 40 CFR 60, appendix A.
    """
    t, u = np.asarray(transmittance, np.float64), np.asarray(u_transmittance, np.float64)
    return 100.0 * (1.0 - t), np.broadcast_to(100.0 * u, t.shape).copy()


def optical_depth(
    transmittance: ArrayLike, *, u_transmittance: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Optical depth ``tau = -ln T``.

    Parameters
    ----------
    transmittance : array_like, shape (...)
        Share of the plate's light that comes through. [0 to 1]
        Noise around clear air may carry it above 1; it is not clipped.
    u_transmittance : array_like
        Its standard uncertainty.

    Returns
    -------
    tau, u_tau : ndarray, shape (...)
        Optical depth and its standard uncertainty. [1] NaN where no light came through.

    Source
    ------
    Beer-Lambert law; uncertainty by JCGM 100:2008, 5.1.2, eq. (10).
    """
    t, u = np.broadcast_arrays(
        np.asarray(transmittance, np.float64), np.asarray(u_transmittance, np.float64)
    )
    through = t > 0
    safe = np.where(through, t, 1.0)
    return np.where(through, -np.log(safe), np.nan), np.where(through, u / safe, np.nan)


def absorption_coefficient(
    transmittance: ArrayLike,
    path_length_m: float,
    *,
    u_transmittance: ArrayLike = 0.0,
    u_path_length_m: float = 0.0,
) -> tuple[Floats, Floats]:
    """Light absorption coefficient of the smoke on the line of sight.

    ``k = -ln(T) / L``. Indicative: a camera reads an open plume, no closed cell.

    Parameters
    ----------
    transmittance : array_like, shape (...)
        Share of the plate's light that comes through. [0 to 1]
        Noise around clear air may carry it above 1; it is not clipped.
    path_length_m : float
        Way of the line of sight through the plume. [m]
    u_transmittance, u_path_length_m : array_like, float
        Standard uncertainty of each, in its unit.

    Returns
    -------
    k, u_k : ndarray, shape (...)
        Coefficient and its standard uncertainty. [1/m]
        NaN where no light came through.

    Raises
    ------
    ValueError
        If `path_length_m` is not above zero.

    Source
    ------
    Beer-Lambert law; uncertainty by JCGM 100:2008, 5.1.2, eq. (10).

    Examples
    --------
    >>> k, u_k = absorption_coefficient(0.5, 0.1, u_transmittance=0.02)
    >>> print(f"{k:.2f} +/- {u_k:.2f} 1/m")
    6.93 +/- 0.40 1/m
    """
    _above_zero("path_length_m", path_length_m)
    tau, u_tau = optical_depth(transmittance, u_transmittance=u_transmittance)
    k = tau / path_length_m
    return k, np.hypot(u_tau / path_length_m, k * u_path_length_m / path_length_m)


def measured_coefficient(transmittance: Measured, path_length: Measured) -> Measured | None:
    """Light absorption coefficient with its lopsided 95 % interval.

    In dense smoke the logarithm stretches the interval upwards; where the lower bound of T
    reaches zero it stays open. Indicative: a camera reads an open plume, no closed cell.

    Parameters
    ----------
    transmittance : Measured
        On the plume's centre line. [0 to 1]
    path_length : Measured
        The plume's depth along the line of sight. [m]

    Returns
    -------
    Measured or None
        k [1/m]; None where no light came through.

    Raises
    ------
    ValueError
        If `path_length` is not above zero.

    Source
    ------
    Beer-Lambert law. Bounds: each input's 95 % bound carried through alone, the shifts added
    in quadrature (JCGM 100:2008, 5.1.2, eq. (10), without its linearisation).
    """
    _above_zero("path_length", path_length.value)
    if transmittance.value <= 0:
        return None
    k = -math.log(transmittance.value) / path_length.value

    def bound(t: float, length: float, sign: float) -> float:
        if t <= 0 or length <= 0:
            return sign * math.inf
        by_light = -math.log(t) / path_length.value - k
        by_length = -math.log(transmittance.value) / length - k
        return k + sign * math.hypot(by_light, by_length)

    # a longer path lowers a positive k and raises a negative one
    short, long = path_length.low, path_length.high
    low = bound(transmittance.high, long if k > 0 else short, -1.0)
    high = bound(transmittance.low, short if k > 0 else long, 1.0)
    _, u = absorption_coefficient(
        transmittance.value,
        path_length.value,
        u_transmittance=transmittance.u,
        u_path_length_m=path_length.u,
    )
    return Measured(value=k, u=float(u), unit="1/m", low=low, high=high)


def to_path_length(
    opacity: ArrayLike,
    measured_length_m: float,
    standard_length_m: float,
    *,
    u_opacity: ArrayLike = 0.0,
    u_measured_length_m: float = 0.0,
) -> tuple[Floats, Floats]:
    """Opacity that the same smoke would have over another path length.

    ``N_s = 100 (1 - (1 - N_m / 100)^(L_s / L_m))``

    Parameters
    ----------
    opacity : array_like, shape (...)
        Measured opacity. [%]
    measured_length_m, standard_length_m : float
        Path it was measured over; path it is wanted for. [m]
    u_opacity, u_measured_length_m : array_like, float
        Standard uncertainty of each, in its unit.

    Returns
    -------
    opacity, u_opacity : ndarray, shape (...)
        Over the standard length. [%] NaN where no light came through.

    Raises
    ------
    ValueError
        If a length is not above zero.

    Source
    ------
    40 CFR 86.884-14; uncertainty by JCGM 100:2008, 5.1.2, eq. (10).
    """
    _above_zero("measured_length_m", measured_length_m)
    _above_zero("standard_length_m", standard_length_m)
    t = 1.0 - np.asarray(opacity, np.float64) / 100.0
    k, u_k = absorption_coefficient(
        t,
        measured_length_m,
        u_transmittance=np.asarray(u_opacity, np.float64) / 100.0,
        u_path_length_m=u_measured_length_m,
    )
    converted = np.exp(-k * standard_length_m)
    return 100.0 * (1.0 - converted), 100.0 * converted * standard_length_m * u_k


def ringelmann_number(opacity: ArrayLike, *, u_opacity: ArrayLike = 0.0) -> tuple[Floats, Floats]:
    """Ringelmann number of black smoke: one for each 20 % of opacity.

    Only black smoke has one; whoever calls must know that the smoke is black.

    Parameters
    ----------
    opacity, u_opacity : array_like, shape (...)
        Opacity and its standard uncertainty; not clipped. [%]

    Returns
    -------
    number, u_number : ndarray, shape (...)
        0 for no smoke to 5 for no light. [1]

    Source
    ------
    US Bureau of Mines Information Circular 8333 (May 1967).
    """
    n, u = np.broadcast_arrays(np.asarray(opacity, np.float64), np.asarray(u_opacity, np.float64))
    return n / OPACITY_PER_RINGELMANN, u / OPACITY_PER_RINGELMANN


def grid_black_share(line_width_mm: float, line_pitch_mm: float) -> float:
    """Share of the area that a grid of black lines covers, as on a Ringelmann card.

    Raises
    ------
    ValueError
        If the lines are wider than their pitch, or a size is not above zero.

    Source
    ------
    Geometry; card sizes in US Bureau of Mines Information Circular 8333 (May 1967).
    """
    _above_zero("line_pitch_mm", line_pitch_mm)
    if not 0 <= line_width_mm <= line_pitch_mm:
        msg = f"line_width_mm must lie between 0 and {line_pitch_mm} (got {line_width_mm})"
        raise ValueError(msg)
    return 1.0 - ((line_pitch_mm - line_width_mm) / line_pitch_mm) ** 2


def _above_zero(name: str, value: float) -> None:
    if not value > 0:
        msg = f"{name} must be above zero (got {value})"
        raise ValueError(msg)
