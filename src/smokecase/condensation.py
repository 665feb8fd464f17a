"""Must harmless fog be seen: moist exhaust mixed with moist air, minute by minute after a start.

Exhaust (temperature T1, water share w1) and outside air (T0, w0) mix in shares f and 1 - f:

    T(f) = T0 + f (T1 - T0),   w(f) = w0 + f (w1 - w0),   ratio(f) = p w(f) / e(T(f))

Fog forms where the ratio exceeds 1, with e over liquid water also below 0 degC. Gas that leaves a
pipe colder than its dew point leaves saturated; the rest of its water stays in the pipe. What can
be seen follows from the water in droplets, their size and the width of the plume.

Public, in reading order: `mix`, `forecast_fog`; how much water a gas holds tells `moist_gas.py`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from smokecase.measured import Measured
from smokecase.moist_gas import (
    STANDARD_PA,
    Floats,
    air_water_share,
    burnt_water,
    dew_point,
    saturation_pressure,
)

WATER = 18.01528  # molar mass [g/mol], IUPAC (from memory)
_GAS = 8.314462618  # molar gas constant [J/(mol K)], CODATA 2018
VISIBLE_PCT = 5.0  # opacity from which smoke counts as visible, as in the readings


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixture:
    """What happens along the way from exhaust to outside air."""

    fog_forms: bool
    peak_ratio: float  # highest saturation ratio
    share_at_peak: float  # of exhaust
    share_begins: float | None  # fog begins (as the plume thins) ...
    share_ends: float | None  # ... and has evaporated
    excess_g_per_m3: float  # most water in droplets, an upper bound (no latent heat)


_SHARES = np.concatenate([[0.0], np.geomspace(1e-4, 1.0, 4000)])


def mix(
    *,
    air_degc: float,
    air_share: float,
    gas_degc: float,
    gas_share: float,
    pressure_pa: float = STANDARD_PA,
) -> Mixture:
    """Mix exhaust and outside air along their straight line.

    Parameters
    ----------
    air_degc, gas_degc : float
        Temperatures of outside air and of the exhaust at its outlet. [degC]
    air_share, gas_share : float
        Their shares of water by amount. [0 to 1]

    Source
    ------
    shared/reference/07_mixing_line_cases.csv states the rule and 24 worked cases.
    """
    f = _SHARES
    degc = air_degc + f * (gas_degc - air_degc)
    pressure = pressure_pa * (air_share + f * (gas_share - air_share))
    saturated = saturation_pressure(degc)
    ratio = pressure / saturated
    peak = int(np.argmax(ratio))
    foggy = np.flatnonzero(ratio > 1)
    if not len(foggy):
        return Mixture(
            fog_forms=False, peak_ratio=float(ratio[peak]), share_at_peak=float(f[peak]),
            share_begins=None, share_ends=None, excess_g_per_m3=0.0,
        )  # fmt: skip
    excess = (pressure - saturated) * WATER / (_GAS * (degc + 273.15))
    return Mixture(
        fog_forms=True,
        peak_ratio=float(ratio[peak]),
        share_at_peak=float(f[peak]),
        share_begins=float(_crossing(f, ratio, foggy[-1], foggy[-1] + 1)),
        share_ends=float(_crossing(f, ratio, foggy[0], foggy[0] - 1)),
        excess_g_per_m3=float(excess.max()),
    )


def _crossing(f: Floats, ratio: Floats, inside: int, outside: int) -> float:
    """Share at which the ratio is 1, by a straight line between two points."""
    if not 0 <= outside < len(f):
        return float(f[inside])
    part = (ratio[inside] - 1) / (ratio[inside] - ratio[outside])
    return float(f[inside] + part * (f[outside] - f[inside]))


# -- forecast -----------------------------------------------------------------------------

# what is assumed where nothing is told: median and factor either way (95 %); common practice, no
# source, but for the air-fuel ratio at warm idle (40 to 80 for diesels: 08_trade_limits.csv)
_WARM_DEGC = {  # gas at the outlet, warm idle: median, standard deviation [degC]
    "car": (75.0, 20.0), "truck": (110.0, 30.0), "tractor": (140.0, 40.0),
    "generator": (150.0, 50.0), "boat": (42.0, 7.0), "small_engine": (160.0, 50.0),
}  # fmt: skip
_PETROL_WARMER_DEGC = 25.0
_WARM_UP_MIN = (5.0, 2.0)  # minutes to 63 % of the way: median, factor
_AIR_FUEL = {"diesel": (55.0, 1.4), "petrol": (14.7, 1.06), "two_stroke": (13.5, 1.15)}
_HYDROGEN = {"diesel": 1.85, "petrol": 1.9, "two_stroke": 1.9}
_PIPE_MM = {"car": 50.0, "truck": 100.0, "tractor": 60.0, "generator": 60.0, "boat": 60.0,
            "small_engine": 25.0}  # fmt: skip
_DROPLET_UM = (5.0, 2.5)  # mean size by volume over area: median, factor; from memory
# a round jet's centre thins as f = 5 d / x, its width grows as 0.22 x; Fischer et al. 1979 (from
# memory); wind and buoyancy: factor 2 either way
_JET, _JET_FACTOR, _WIDENS = 5.0, 2.0, 0.22
USUAL_AIR = (10.0, 9.0, 75.0, 15.0)  # degC and % with standard deviations, where nobody told
MINUTES = np.array([0.5, 1, 2, 3, 4, 5, 7, 10, 15, 20, 30], dtype=np.float64)
_DRAWS = 250


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FogForecast:
    """Fog to be expected over the minutes after a cold start."""

    minutes: Floats  # (n,)
    chance: Floats  # (n,) of fog that can be seen [0 to 1]
    outlet_degc: Floats  # (n,) median
    length_m: Floats  # (n, 3) how far it reaches where it shows: 2.5 %, median, 97.5 %
    opacity_pct: Floats  # (n, 3) how dense it can look
    dew_point: Measured  # of the exhaust
    weather_told: bool

    @property
    def when_cold(self) -> float:
        """Chance of visible fog in the first five minutes."""
        return float(self.chance[self.minutes <= 5].max())

    @property
    def when_warm(self) -> float:
        """Chance of visible fog after twenty minutes."""
        return float(self.chance[self.minutes >= 20].mean())

    @property
    def gone_after_min(self) -> float | None:
        """Minute from which fog is less likely than not; None where it stays."""
        likely = self.minutes[self.chance >= 0.5]
        if not len(likely):
            return 0.0
        later = self.minutes[self.minutes > likely[-1]]
        return float(later[0]) if len(later) else None

    def __str__(self) -> str:
        cold = int(np.argmax(np.where(self.minutes <= 5, self.chance, -1.0)))
        low, middle, high = self.length_m[cold]
        text = (
            f"Harmless fog: {100 * self.when_cold:.0f} % likely in the first five minutes, "
            f"{100 * self.when_warm:.0f} % when warm"
        )
        if self.when_cold > 0.2:
            text += (
                f"; where it shows it reaches {_metres(middle)} from the pipe "
                f"(95 %: {_metres(low)} to {_metres(high)})"
            )
        return text + "."

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "minutes": self.minutes.tolist(),
            "chance": self.chance.tolist(),
            "outlet_degc": self.outlet_degc.tolist(),
            "length_m": self.length_m.tolist(),
            "opacity_pct": self.opacity_pct.tolist(),
            "dew_point": self.dew_point.to_json(),
            "weather_told": self.weather_told,
        }


def _metres(length: float) -> str:
    return f"{length:.1f} m" if length >= 0.05 else "some centimetres"


def forecast_fog(
    *,
    weather: Mapping[str, float],
    fuel: str = "diesel",
    installation: str = "car",
    told: Mapping[str, float] | None = None,
    rng: np.random.Generator | None = None,
) -> FogForecast:
    """Fog over the minutes after a cold start, with everything unknown drawn from its spread.

    Parameters
    ----------
    weather : mapping
        ``temperature`` [degC] and ``humidity`` [%]; what is missing is drawn wide.
    fuel, installation : str
        As in the knowledge files.
    told : mapping, optional
        What is known better: ``outlet_degc`` (gas at the outlet, warm) [degC], ``air_fuel``
        [kg/kg], ``pipe_mm`` [mm].
    """
    rng = np.random.default_rng(7) if rng is None else rng
    told = told or {}
    air, humidity = _draw_weather(weather, rng)
    air_share = air_water_share(air, humidity)
    ratio, factor = _AIR_FUEL[fuel]
    air_fuel = _around(told.get("air_fuel", ratio), 1.1 if "air_fuel" in told else factor, rng)
    gas_share = burnt_water(_HYDROGEN[fuel], air_fuel, air_share)
    warm, spread = _WARM_DEGC[installation]
    if "outlet_degc" in told:
        warm, spread = told["outlet_degc"], 5.0
    elif fuel != "diesel" and installation != "boat":
        warm += _PETROL_WARMER_DEGC
    final = np.maximum(rng.normal(warm, spread, _DRAWS), air + 10)
    slow = _around(*_WARM_UP_MIN, rng)
    diameter = _around(told.get("pipe_mm", _PIPE_MM[installation]), 1.2, rng) / 1000
    jet = _around(_JET, _JET_FACTOR, rng)
    droplet = _around(*_DROPLET_UM, rng) * 1e-6
    rows = []
    for minute in MINUTES:
        outlet = air + (final - air) * (1 - np.exp(-minute / slow))
        share = np.minimum(gas_share, saturation_pressure(outlet) / STANDARD_PA)
        if installation == "boat":  # water is sprayed into the gas: it leaves saturated
            share = saturation_pressure(outlet) / STANDARD_PA
        opacity, length = expected_opacity(
            air, air_share, outlet, share, size=(diameter, jet, droplet)
        )
        rows.append((opacity, length, outlet))
    opacity, length, outlet = (np.array(part) for part in zip(*rows, strict=True))
    dew = dew_point(gas_share)
    return FogForecast(
        minutes=MINUTES,
        chance=(opacity > VISIBLE_PCT).mean(axis=1),
        outlet_degc=np.median(outlet, axis=1),
        length_m=np.array([_reach_where_seen(row) for row in length]),
        opacity_pct=np.percentile(opacity, [2.5, 50, 97.5], axis=1).T,
        dew_point=Measured(value=float(dew.mean()), u=float(dew.std()), unit="degC"),
        weather_told="temperature" in weather,
    )


def _reach_where_seen(length: Floats) -> Floats:
    """2.5 %, median and 97.5 % over the draws that show fog at all; zero where none does."""
    shown = length[length > 0]
    return np.percentile(shown, [2.5, 50, 97.5]) if shown.size else np.zeros(3)


def _draw_weather(weather: Mapping[str, float], rng: np.random.Generator) -> tuple[Floats, Floats]:
    degc, u_degc, pct, u_pct = USUAL_AIR
    if "temperature" in weather:
        degc, u_degc = weather["temperature"], 1.5  # a weather service is some way off
    if "humidity" in weather:
        pct, u_pct = weather["humidity"], 5.0
    air = rng.normal(degc, u_degc, _DRAWS)
    return air, np.clip(rng.normal(pct, u_pct, _DRAWS), 10, 100)


def _around(middle: float, factor: float, rng: np.random.Generator) -> Floats:
    """Lognormal draws: 95 % within a factor either way."""
    return np.asarray(middle * np.exp(rng.normal(0, np.log(factor) / 1.96, _DRAWS)))


_COARSE = np.geomspace(0.004, 1.0, 48)


def expected_opacity(
    air_degc: Floats,
    air_share: Floats,
    gas_degc: Floats,
    gas_share: Floats,
    *,
    size: tuple[Floats, Floats, Floats],
) -> tuple[Floats, Floats]:
    """How dense fog can look at its densest place, and how far it can be seen.

    Optical depth of droplets: tau = 3 W s / (rho d) with W the water in droplets [kg/m3], s the
    plume's width, d their size: extinction efficiency 2 (van de Hulst 1957, section 8.22, from
    memory).

    Parameters
    ----------
    size : tuple
        Pipe diameter [m], jet constant [1], droplet size [m]; each shape (n,).

    Returns
    -------
    opacity_pct, length_m : ndarray, shape (n,)
    """
    diameter, jet, droplet = size
    f = _COARSE[:, None]
    degc = air_degc + f * (gas_degc - air_degc)
    saturated = saturation_pressure(degc)
    pressure = STANDARD_PA * (air_share + f * (gas_share - air_share))
    # half: latent heat and the plume's thin rim leave about that much of the upper bound
    water = 0.5 * np.maximum(pressure - saturated, 0) * WATER / 1000 / (_GAS * (degc + 273.15))
    reach = np.maximum(jet * diameter / f, 0.0)
    width = np.maximum(diameter, _WIDENS * reach)
    tau = 3 * water * width / (1000 * droplet)
    opacity = 100 * -np.expm1(-tau)
    seen = opacity > VISIBLE_PCT
    return opacity.max(axis=0), np.where(seen, reach, 0).max(axis=0)
