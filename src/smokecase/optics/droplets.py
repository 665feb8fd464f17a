"""What spheres of soot, oil, fuel and water do to light (Mie), and what a slope says of size.

Model: an electromagnetic plane wave on a homogeneous sphere of refractive index
``m = n - i k`` and size parameter ``x = pi d / lambda``; clouds of spheres whose number is
lognormal in the diameter. Real soot is an agglomerate of small spheres: use the diameter of
those (about 0.03 um), never that of the agglomerate.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smokecase.optics.colour import WAVELENGTHS_UM

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Material:
    """A substance that smoke is made of."""

    name: str
    n: float  # refractive index, real part, near 0.55 um [1]
    k: float  # its absorbing part [1]


# Oil and fuel: middle of the published range; water: IAPWS R9-97 (memory); soot: highest
# recommended value of Bond and Bergstrom 2006, Aerosol Sci. Technol. 40, 27.
OIL = Material("oil", 1.465, 0.0)
FUEL = Material("fuel", 1.46, 0.0)
WATER = Material("water", 1.333, 0.0)
SOOT = Material("soot", 1.95, 0.79)

# spread of droplet sizes within one plume; assumed, as nothing in a picture shows it
GEOMETRIC_STD = 1.4


def mie_efficiencies(
    n: float, k: float, size_parameter: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Extinction and scattering efficiency and asymmetry of spheres.

    Parameters
    ----------
    n, k : float
        Refractive index ``m = n - i k``, relative to air. [1]
    size_parameter : array_like, shape (...)
        ``x = pi d / lambda``, above zero. [1]

    Returns
    -------
    extinction, scattering, asymmetry : ndarray, shape (...)
        Cross-section over the sphere's own shadow; mean cosine of the scattering angle. [1]

    Raises
    ------
    ValueError
        If a size parameter is not above zero.

    Source
    ------
    Mie series with the logarithmic derivative by downward recurrence, as in Bohren and
    Huffman 1983, Absorption and Scattering of Light by Small Particles, chapter 4 and
    appendix A; number of terms by Wiscombe 1979, NCAR/TN-140+STR.
    """
    x = np.asarray(size_parameter, np.float64)
    if not np.all(x > 0):
        msg = f"size_parameter must be above zero (got {float(np.min(x))})"
        raise ValueError(msg)
    flat = x.reshape(-1)
    m = complex(n, -k)
    stop = np.ceil(flat + 4.05 * np.cbrt(flat) + 2.0).astype(int)
    terms = int(stop.max())
    derivative = _log_derivative((m * flat).astype(np.complex128), terms)

    # psi and chi: Riccati-Bessel functions, upward; xi = psi + i chi (index n - ik)
    psi_before, psi = np.cos(flat), np.sin(flat)
    chi_before, chi = -np.sin(flat), np.cos(flat)
    extinction, scattering, asymmetry = np.zeros((3, flat.size))
    a_before = b_before = np.zeros(flat.size, complex)
    # a small sphere beside a large one runs past its last term, where chi grows without bound
    with np.errstate(over="ignore", invalid="ignore"):
        for j in range(1, terms + 1):
            psi_before, psi = psi, (2 * j - 1) / flat * psi - psi_before
            chi_before, chi = chi, (2 * j - 1) / flat * chi - chi_before
            xi, xi_before = psi + 1j * chi, psi_before + 1j * chi_before
            electric = derivative[j] / m + j / flat
            magnetic = derivative[j] * m + j / flat
            a = (electric * psi - psi_before) / (electric * xi - xi_before)
            b = (magnetic * psi - psi_before) / (magnetic * xi - xi_before)
            inside = j <= stop
            a, b = np.where(inside, a, 0.0), np.where(inside, b, 0.0)
            extinction += (2 * j + 1) * (a + b).real
            scattering += (2 * j + 1) * (np.abs(a) ** 2 + np.abs(b) ** 2)
            asymmetry += (2 * j + 1) / (j * (j + 1)) * (a * b.conj()).real
            if j > 1:
                pair = (a_before * a.conj() + b_before * b.conj()).real
                asymmetry += (j - 1) * (j + 1) / j * pair
            a_before, b_before = a, b
    scale = 2.0 / flat**2
    return (
        (scale * extinction).reshape(x.shape),
        (scale * scattering).reshape(x.shape),
        (2.0 * asymmetry / scattering).reshape(x.shape),
    )


def _log_derivative(z: NDArray[np.complex128], terms: int) -> NDArray[np.complex128]:
    """D_j(z) = d ln psi_j / dz for j = 0 to `terms`, from far above downwards."""
    reach = float(np.abs(z).max())
    # the start's error fades only beyond the turning point, some cube roots above |z|
    start = max(terms, math.ceil(reach + 8.0 * reach ** (1 / 3))) + 16
    kept = np.zeros((terms + 1, z.size), complex)
    d = np.zeros(z.size, complex)
    for j in range(start, 0, -1):
        d = j / z - 1.0 / (d + j / z)
        if j - 1 <= terms:
            kept[j - 1] = d
    return kept


@dataclass(frozen=True, slots=True)
class CloudOptics:
    """A cloud of spheres at one wavelength."""

    extinction: float  # mean efficiency, weighted by the spheres' area [1]
    albedo: float  # share of the extinction that is scattered [0 to 1]
    asymmetry: float  # mean cosine of the scattering angle [-1 to 1]
    extinction_per_volume: float  # cross-section over the volume of matter [1/um]


@lru_cache(maxsize=512)  # the same few clouds are asked for again and again
def cloud_optics(
    material: Material,
    median_um: float,
    wavelength_um: float,
    geometric_std: float = GEOMETRIC_STD,
) -> CloudOptics:
    """Optics of spheres whose number is lognormal in the diameter.

    Parameters
    ----------
    material : Material
        What the spheres are made of.
    median_um : float
        Count median diameter. [um]
    wavelength_um : float
        Of the light, in air. [um]
    geometric_std : float
        Geometric standard deviation of the diameter, above 1. [1]

    Raises
    ------
    ValueError
        If a size is not above zero or `geometric_std` is not above 1.

    Source
    ------
    Mie theory; lognormal integral by the trapezoid rule over ten standard deviations.
    """
    for name, value in (("median_um", median_um), ("wavelength_um", wavelength_um)):
        if not value > 0:
            msg = f"{name} must be above zero (got {value})"
            raise ValueError(msg)
    if not geometric_std > 1:
        msg = f"geometric_std must be above 1 (got {geometric_std})"
        raise ValueError(msg)
    steps = np.linspace(-5.0, 5.0, 401)
    weight = np.exp(-0.5 * steps**2)
    weight[[0, -1]] /= 2.0  # trapezoid
    d = median_um * np.exp(steps * math.log(geometric_std))
    extinct, scatter, cosine = mie_efficiencies(material.n, material.k, np.pi * d / wavelength_um)
    area = weight * np.pi * d**2 / 4.0
    volume = weight * np.pi * d**3 / 6.0
    cross, scattered = (area * extinct).sum(), (area * scatter).sum()
    return CloudOptics(
        extinction=float(cross / area.sum()),
        albedo=float(scattered / cross),
        asymmetry=float((area * scatter * cosine).sum() / scattered),
        extinction_per_volume=float(cross / volume.sum()),
    )


def cloud_slope(
    material: Material,
    median_um: float,
    *,
    wavelengths_um: tuple[float, float] = (WAVELENGTHS_UM[2], WAVELENGTHS_UM[0]),
    geometric_std: float = GEOMETRIC_STD,
) -> float:
    """Angstrom exponent of a cloud's extinction between two wavelengths.

    Source
    ------
    Definition: ``-ln(C_1 / C_2) / ln(lambda_1 / lambda_2)``.
    """
    one, other = (
        cloud_optics(material, median_um, w, geometric_std).extinction for w in wavelengths_um
    )
    return -math.log(one / other) / math.log(wavelengths_um[0] / wavelengths_um[1])


def droplet_size_hint(
    material: Material, slope: float, u_slope: float
) -> tuple[float, float] | None:
    """Droplet sizes that fit a measured spectral slope within its 95 % interval.

    A hint, no measurement: it takes spheres of one material with a usual spread of sizes.
    Coarse droplets all have a slope near zero, so the upper end may be open.

    Parameters
    ----------
    material : Material
        What the droplets are taken to be made of.
    slope, u_slope : float
        Angstrom exponent and its standard uncertainty. [1]

    Returns
    -------
    tuple of float or None
        Smallest and largest count median diameter that fit [um]; infinite where sizes of
        10 um still fit; None where none fits.

    Source
    ------
    `cloud_slope`, sizes from 0.03 to 10 um.
    """
    sizes, slopes = _slope_table(material)
    fits = np.abs(slopes - slope) <= 1.96 * u_slope + 0.05  # 0.05: half a step of the table
    if not fits.any():
        return None
    smallest, largest = sizes[fits][[0, -1]]
    return float(smallest), math.inf if largest == sizes[-1] else float(largest)


@lru_cache(maxsize=8)
def _slope_table(material: Material) -> tuple[Floats, Floats]:
    sizes = np.geomspace(0.03, 10.0, 60)
    return sizes, np.array([cloud_slope(material, float(d)) for d in sizes])
