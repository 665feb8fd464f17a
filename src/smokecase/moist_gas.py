"""Water in moist gases: its vapour pressure and dew point, and its share in air and in exhaust.

Public, in reading order: `saturation_pressure`, `dew_point`, `air_water_share`, `burnt_water`.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

STANDARD_PA = 101325.0
OXYGEN, AIR_G_PER_MOL = (
    0.20946,
    28.9647,
)  # dry air: CIPM-2007 (from memory); 07_combustion_water.csv
CARBON, HYDROGEN = 12.011, 1.00794  # molar masses [g/mol], IUPAC (from memory)


def saturation_pressure(temperature_degc: ArrayLike) -> Floats:
    """Vapour pressure of water over liquid, supercooled below 0, in pascal.

    Parameters
    ----------
    temperature_degc : array_like
        From -60 to 370. [degC]

    Source
    ------
    From 0.01 degC: Wagner and Pruss, IAPWS SR1-86 (1992), eq. 1 (coefficients from memory, digits
    come out again in shared/reference/07_saturation_pressure.csv). Below: Murphy and Koop 2005,
    Q. J. R. Meteorol. Soc. 131, eq. 10 (from memory, same table).
    """
    kelvin = np.asarray(temperature_degc, dtype=np.float64) + 273.15
    warm = np.maximum(kelvin, 273.16)
    t = 1 - warm / 647.096
    powers = (1.0, 1.5, 3.0, 3.5, 4.0, 7.5)
    terms = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
    above = 22.064e6 * np.exp(
        647.096 / warm * sum(a * t**n for a, n in zip(terms, powers, strict=True))
    )
    cold = np.minimum(kelvin, 273.16)
    log = np.log(cold)
    below = np.exp(
        54.842763
        - 6763.22 / cold
        - 4.210 * log
        + 0.000367 * cold
        + np.tanh(0.0415 * (cold - 218.8))
        * (53.878 - 1331.22 / cold - 9.44523 * log + 0.014025 * cold)
    )
    return np.where(kelvin >= 273.16, above, below)


def dew_point(water_share: ArrayLike, pressure_pa: float = STANDARD_PA) -> Floats:
    """Temperature in degC below which water drops out of a gas.

    Parameters
    ----------
    water_share : array_like
        By amount. [0 to 1]
    """
    wanted = np.asarray(water_share, dtype=np.float64) * pressure_pa
    low, high = np.full(wanted.shape, -60.0), np.full(wanted.shape, 150.0)
    for _ in range(50):  # halves 210 K to far below any digit that matters
        middle = (low + high) / 2
        under = saturation_pressure(middle) < wanted
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.asarray((low + high) / 2)


def air_water_share(
    temperature_degc: ArrayLike, humidity_pct: ArrayLike, pressure_pa: float = STANDARD_PA
) -> Floats:
    """Share of water in moist air, by amount, 0 to 1."""
    humidity = np.asarray(humidity_pct, dtype=np.float64)
    return np.asarray(humidity / 100 * saturation_pressure(temperature_degc) / pressure_pa)


def burnt_water(
    hydrogen_to_carbon: ArrayLike, air_fuel: ArrayLike, intake_share: ArrayLike = 0.0
) -> Floats:
    """Share of water in the exhaust of a lean engine, by amount, 0 to 1.

    Parameters
    ----------
    hydrogen_to_carbon : array_like
        Atoms in the fuel: diesel 1.80 to 1.90, petrol 1.85 to 2.0. [1]
    air_fuel : array_like
        Dry air to fuel by mass; below the exact ratio the exact ratio is used. [kg/kg]
    intake_share : array_like
        Share of water in the intake air, by amount. [0 to 1]

    Source
    ------
    Element balance of CHx + (1 + x/4) O2 -> CO2 + x/2 H2O; held against
    shared/reference/07_combustion_water.csv.
    """
    x = np.asarray(hydrogen_to_carbon, dtype=np.float64)
    exact = (1 + x / 4) / OXYGEN  # mol dry air per mol fuel
    air = np.maximum(np.asarray(air_fuel) * (CARBON + x * HYDROGEN) / AIR_G_PER_MOL, exact)
    share = np.asarray(intake_share, dtype=np.float64)
    moist = air * share / (1 - share)
    return np.asarray((x / 2 + moist) / (air + x / 4 + moist))
