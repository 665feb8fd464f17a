"""Makes `droplet_optics.npz`: what soot, oil, fuel and water particles do to light.

Run again with ``python models/make_droplet_optics.py``. The renderer of invented clips
(`smokecase.demo`) reads the table; nothing that measures does. Liquids are spheres by Mie
theory over lognormal number distributions. Soot is an agglomerate of small spheres, treated by
the Rayleigh-Debye-Gans rule: its primary spheres absorb each on their own, scattering grows with
the square of their number as far as the agglomerate stays small against the wavelength.

Source
------
Refractive indices: `shared/reference/06_refractive_indices.csv` (Bond and Bergstrom 2006 for
soot, 1.95 - 0.79i; oil 1.465, fuel 1.46, water 1.333). Agglomerates: structure factor of
Dobbins and Megaridis 1991 with fractal dimension 1.8 and prefactor 1.3 (from memory).
"""

from pathlib import Path

import miepython
import numpy as np

INDEX = {"oil": 1.465, "fuel": 1.46, "water": 1.333}
SOOT_INDEX = 1.95 - 0.79j
# red, green, blue of a phone's sensor: three lines each, so that no ripple of one line stays
BANDS_UM = np.array([[0.590, 0.610, 0.630], [0.525, 0.545, 0.565], [0.440, 0.460, 0.480]])
BAND_WEIGHTS = np.array([0.25, 0.5, 0.25])
DIAMETERS_UM = np.geomspace(0.08, 12.0, 36)  # count median
SPREADS = np.array([1.3, 1.4, 1.6, 1.8])  # geometric standard deviation
PRIMARY_UM = np.array([0.02, 0.03, 0.04])  # diameter of soot's primary spheres
PRIMARIES = np.array([20.0, 50.0, 100.0, 200.0, 400.0])  # in an agglomerate, median


def lognormal_optics(index, diameter_um, spread, wavelength_um, points=401):
    """Extinction efficiency, albedo and asymmetry of spheres with lognormal numbers.

    Parameters
    ----------
    index : complex
        Refractive index n - ik in air.
    diameter_um : float
        Count median diameter. [um]
    spread : float
        Geometric standard deviation; 1 gives a single size.
    wavelength_um : float
        In vacuum. [um]
    points : int
        Sizes summed over +/- 5 standard deviations of ln d.

    Returns
    -------
    q_ext, albedo, asymmetry, area_um2 : float
        Efficiency over the mean cross section, and that cross section. [1, 1, 1, um2]
    """
    width = np.log(spread)
    z = np.linspace(-5, 5, points)
    diameter = diameter_um * np.exp(width * z)
    number = np.exp(-0.5 * z**2)
    number /= number.sum()
    q_ext, q_sca, _, g = miepython.efficiencies_mx(index, np.pi * diameter / wavelength_um)
    area = np.pi / 4 * diameter**2
    ext = np.sum(number * q_ext * area)
    sca = np.sum(number * q_sca * area)
    mean_area = np.sum(number * area)
    return ext / mean_area, sca / ext, np.sum(number * q_sca * area * g) / sca, mean_area


def agglomerate_optics(primary_um, primaries, wavelength_um, spread=2.0):
    """Extinction per primary sphere [um2], albedo and asymmetry of soot agglomerates."""
    dimension, prefactor = 1.8, 1.3
    x = np.pi * primary_um / wavelength_um
    q_ext, q_sca, _, _ = miepython.efficiencies_mx(SOOT_INDEX, np.array([x]))
    area = np.pi / 4 * primary_um**2
    c_abs, c_sca = (q_ext - q_sca)[0] * area, q_sca[0] * area
    z = np.linspace(-3, 3, 61)
    count = np.maximum(primaries * np.exp(np.log(spread) * z), 1.0)
    share = np.exp(-0.5 * z**2)
    share /= share.sum()
    gyration = primary_um / 2 * (count / prefactor) ** (1 / dimension)
    mu = np.linspace(-1, 1, 721)
    q = 4 * np.pi / wavelength_um * np.sqrt((1 - mu) / 2)
    s = (q[None, :] * gyration[:, None]) ** 2
    structure = np.where(
        s < 1.5 * dimension,
        np.exp(-s / 3),
        (3 * dimension / (2 * np.e * np.maximum(s, 1e-12))) ** (dimension / 2),
    )
    phase = structure * (1 + mu**2) * 3 / 8  # Rayleigh spheres times the structure factor
    step = mu[1] - mu[0]
    scattered = np.sum(share * count**2 * c_sca * phase.sum(axis=1) * step)
    forward = np.sum(share * count**2 * c_sca * (phase * mu).sum(axis=1) * step)
    mean_count = np.sum(share * count)
    absorbed = mean_count * c_abs
    extinct = absorbed + scattered
    return extinct / mean_count, scattered / extinct, forward / scattered


def main():
    """Write the table beside this script."""
    table = {
        "bands_um": BANDS_UM,
        "diameter_um": DIAMETERS_UM,
        "spread": SPREADS,
        "primary_um": PRIMARY_UM,
        "primaries": PRIMARIES,
    }
    for name, index in INDEX.items():
        values = np.zeros((len(DIAMETERS_UM), len(SPREADS), 3, 3))  # size, spread, what, channel
        for i, d in enumerate(DIAMETERS_UM):
            for j, spread in enumerate(SPREADS):
                for c in range(3):
                    lines = [lognormal_optics(index, d, spread, w, 161) for w in BANDS_UM[c]]
                    ext, albedo, g, _ = np.array(lines).T
                    scattering = BAND_WEIGHTS * ext * albedo
                    q = BAND_WEIGHTS @ ext
                    values[i, j, :, c] = q, scattering.sum() / q, scattering @ g / scattering.sum()
        table[name] = values
    soot = np.zeros((len(PRIMARIES), len(PRIMARY_UM), 3, 3))
    for i, n in enumerate(PRIMARIES):
        for j, d in enumerate(PRIMARY_UM):
            for c in range(3):
                lines = [agglomerate_optics(d, n, w) for w in BANDS_UM[c]]
                ext, albedo, g = np.array(lines).T
                scattering = BAND_WEIGHTS * ext * albedo
                q = BAND_WEIGHTS @ ext
                soot[i, j, :, c] = q, scattering.sum() / q, scattering @ g / scattering.sum()
    table["soot"] = soot
    out = Path(__file__).with_name("droplet_optics.npz")
    np.savez_compressed(out, **{k: np.asarray(v, dtype=np.float64) for k, v in table.items()})
    print(f"{out.name}: {out.stat().st_size} bytes")


if __name__ == "__main__":
    main()
