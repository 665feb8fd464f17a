"""What the weather does to the causes: fog is computed, and cold engines smoke more."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from smokecase.condensation import FogForecast, forecast_fog

Rows = Mapping[str, Mapping[str, tuple[float, ...]]]  # question: cause: chances of its states

# (odds factor at 0 degC against 10 degC, bounds): cold engines haze and ask more of their heating;
# common practice, no source: estimates
_COLD = {
    "cold_haze": (1.9, 0.2, 3.0),
    "preheating": (1.5, 0.5, 2.0),
    "slow_cranking": (1.5, 0.5, 2.0),
    "overcooled": (1.3, 0.6, 1.8),
    "bad_fuel": (1.2, 0.8, 1.5),  # wax
}
_TOLD = {"exhaust_temperature": "outlet_degc", "pipe_diameter": "pipe_mm"}
_SURE = (0.02, 0.97)  # the forecast is never taken for certain
# where fog stays when hot, it is seen at any time; where it goes, at the start: common practice
_WHEN_STAYS = (0.28, 0.28, 0.05, 0.04, 0.03, 0.05, 0.03, 0.24)
_WHEN_GOES = (0.84, 0.05, 0.02, 0.01, 0.01, 0.04, 0.01, 0.02)


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """What the weather changes."""

    factors: Mapping[str, float] = field(default_factory=dict)  # of a cause's odds
    rows: Rows = field(default_factory=dict)
    forecast: FogForecast | None = None


def weigh_air(weather: Mapping[str, float], engine: Mapping[str, str]) -> Air:
    """Factors and rows for one weather; nothing where no weather was told.

    The odds of visible fog are those of the forecast over those in usual weather, for which the
    prior in the knowledge file stands.
    """
    fuel, place = engine.get("fuel", "diesel"), engine.get("installation", "car")
    if not weather:
        return Air()
    told = {_TOLD[name]: value for name, value in weather.items() if name in _TOLD}
    forecasts = [(forecast_fog(weather=weather, fuel=fuel, installation=place, told=told), 1.0)]
    usual = usual_chance(fuel, place)
    if "fuel" not in engine:  # petrol fogs far more easily: the shares of the knowledge file
        forecasts = [
            (forecast_fog(weather=weather, fuel="diesel", installation=place, told=told), 0.62),
            (forecast_fog(weather=weather, fuel="petrol", installation=place, told=told), 0.38),
        ]
        usual = 0.62 * usual_chance("diesel", place) + 0.38 * usual_chance("petrol", place)
    cold = sum(share * forecast.when_cold for forecast, share in forecasts)
    warm = sum(share * forecast.when_warm for forecast, share in forecasts)
    factors = {"condensation": _odds(cold) / _odds(usual)}
    degc = weather.get("temperature")
    if degc is not None:
        for name, (at_zero, low, high) in _COLD.items():
            factors[name] = float(np.clip(at_zero ** ((10 - degc) / 10), low, high))
    stays = float(np.clip(warm / max(cold, 0.05), 0.04, 0.9))
    goes = 1 - stays
    mixed = tuple(stays * a + goes * b for a, b in zip(_WHEN_STAYS, _WHEN_GOES, strict=True))
    rows: dict[str, dict[str, tuple[float, ...]]] = {
        "clears_when_warm": {
            "condensation": (0.76 * goes, 0.23 * goes, 0.95 * stays + 0.01 * goes, 0.05 * stays)
        },
        "smoke_when": {"condensation": mixed},
        "seen_clearing": {"condensation": (0.9 * goes + 0.15 * stays, 0.1 * goes + 0.85 * stays)},
    }
    return Air(factors=factors, rows=rows, forecast=forecasts[0][0])


@cache
def usual_chance(fuel: str, place: str) -> float:
    """Chance of visible fog at a cold start in usual weather."""
    return forecast_fog(weather={}, fuel=fuel, installation=place).when_cold


def _odds(chance: float) -> float:
    chance = min(max(chance, _SURE[0]), _SURE[1])
    return chance / (1 - chance)
