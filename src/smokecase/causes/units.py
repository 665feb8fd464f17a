"""Numbers with units as people write them: read, converted, and unit slips caught."""

import math
import re

from smokecase.errors import AnswersError

# dimension: unit: (factor, offset) to the first unit of the dimension, number * factor + offset;
# factors from NIST SP 811, from memory; checked against shared/reference/08_unit_conversions.csv
_INHG, _PSI = 3.386389, 6.894757
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "pressure": {
        "kPa": (1, 0), "Pa": (0.001, 0), "hPa": (0.1, 0), "mbar": (0.1, 0), "bar": (100, 0),
        "MPa": (1000, 0), "psi": (_PSI, 0), "inHg": (_INHG, 0), "mmHg": (101.325 / 760, 0),
        "cmHg": (1013.25 / 760, 0), "inH2O": (0.2490889, 0), "mmH2O": (0.00980665, 0),
        "kg/cm2": (98.0665, 0), "atm": (101.325, 0),
    },
    "temperature": {"degC": (1, 0), "degF": (5 / 9, -160 / 9), "K": (1, -273.15)},
    "temperature_difference": {"K": (1, 0), "degC": (1, 0), "degF": (5 / 9, 0)},
    "length": {"mm": (1, 0), "cm": (10, 0), "m": (1000, 0), "in": (25.4, 0)},
    "resistance": {"ohm": (1, 0), "mohm": (0.001, 0), "kohm": (1000, 0)},
    "current": {"A": (1, 0), "mA": (0.001, 0)},
    "voltage": {"V": (1, 0), "mV": (0.001, 0)},
    "volume": {"ml": (1, 0), "cm3": (1, 0), "L": (1000, 0), "floz": (29.57353, 0)},
    "crank_angle": {"deg": (1, 0)},
    "share": {"%": (1, 0)},
    "oil_use": {
        "L/1000 km": (1, 0), "ml/1000 km": (0.001, 0), "L/100 km": (10, 0),
        "qt/1000 mi": (0.946353 / 1.609344, 0), "L/1000 mi": (1 / 1.609344, 0),
    },
}  # fmt: skip
# other ways to write a unit, compared without blanks and in small letters
_ALSO = {
    "c": "degC", "°c": "degC", "celsius": "degC", "f": "degF", "°f": "degF", "fahrenheit": "degF",
    "kelvin": "K", "\u03c9": "ohm", "ohms": "ohm", "percent": "%", "°": "deg",
    "degrees": "deg", "\"hg": "inHg", "in.hg": "inHg", "in-hg": "inHg", "lb/in2": "psi",
    "psig": "psi", "bars": "bar", "amp": "A", "amps": "A", "volt": "V", "volts": "V", "l": "L",
    "inch": "in", "inches": "in", "millibar": "mbar", "torr": "mmHg", "kgf/cm2": "kg/cm2",
    "wc": "inH2O", "inwc": "inH2O", "deg.": "deg", "degree": "deg", "litre/1000km": "L/1000 km",
}  # fmt: skip
_NUMBER = r"[-+\u2212]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?"


def read_amounts(text: str, dimension: str, *, where: str) -> tuple[list[float], str]:
    """Numbers and their unit from text such as ``"28, 27.5, 19 bar"``.

    Returns
    -------
    numbers : list of float
        In the unit that was written. A comma followed by one or two digits within a number counts
        as a decimal comma only where numbers are parted by blanks or semicolons.
    unit : str
        The unit, spelt as in `UNITS`.

    Raises
    ------
    AnswersError
        If there is no number, no unit, or the unit measures something else.
    """
    units = UNITS[dimension]
    remedy = f'write a number and a unit, for example "5 {next(iter(units))}"'
    match = re.match(rf"^\s*((?:{_NUMBER}[\s,;/]*)+)(.*)$", text.strip())
    if not match:
        what = f'"{text}" holds no number'
        raise AnswersError(what, where=where, remedy=remedy)
    listed, written = match.group(1), match.group(2).strip()
    numbers = _numbers(listed)
    if not written:
        remedy = f'add the unit, for example "{text.strip()} {_usual(dimension)}"'
        what = f'"{text}" has no unit'
        raise AnswersError(what, where=where, remedy=remedy)
    unit = _unit(written, units)
    if unit is None:
        remedy = f"use one of {', '.join(units)}"
        what = f'"{written}" is no unit of {dimension.replace("_", " ")}'
        raise AnswersError(what, where=where, remedy=remedy)
    return numbers, unit


def _usual(dimension: str) -> str:
    return {"pressure": "bar"}.get(dimension, next(iter(UNITS[dimension])))


def _numbers(listed: str) -> list[float]:
    listed = listed.replace("\u2212", "-").strip(" ,;/\t")
    # "27,5 28,0" is two numbers, "27, 28" and "27,28,19,28" are lists
    decimal_comma = bool(re.search(r"\d,\d", listed)) and not re.search(r",\s|\.\d", listed)
    parts = re.split(r"[\s;/]+", listed)
    if decimal_comma and all(part.count(",") <= 1 for part in parts):
        return [float(part.replace(",", ".")) for part in parts]
    return [float(part) for part in re.split(r"[\s,;/]+", listed) if part]


def _unit(written: str, units: dict[str, tuple[float, float]]) -> str | None:
    plain = written.replace(" ", "").lower()
    for name in units:
        if plain == name.replace(" ", "").lower():
            # mV and MV, mPa and MPa differ by case alone
            return name
    also = _ALSO.get(plain)
    return also if also in units else None


def convert(number: float, unit: str, to: str, dimension: str) -> float:
    """Return a number in another unit of the same dimension.

    Source
    ------
    NIST SP 811, appendix B (from memory).
    """
    factor, offset = UNITS[dimension][unit]
    to_factor, to_offset = UNITS[dimension][to]
    return (number * factor + offset - to_offset) / to_factor


def convert_width(width: float, unit: str, to: str, dimension: str) -> float:
    """Return a difference or uncertainty in another unit."""
    return width * UNITS[dimension][unit][0] / UNITS[dimension][to][0]


def likely_unit(number: float, low: float, high: float, to: str, dimension: str) -> str | None:
    """Find the usual unit that would bring a number into the gauge's range."""
    usual = ("psi", "bar", "kPa", "mbar", "inHg", "mmHg", "mm", "ml", "degF", "kohm", "mohm", "mA")
    fits = [
        unit
        for unit in usual
        if unit in UNITS[dimension]
        and unit != to
        and low <= convert(number, unit, to, dimension) <= high
        and math.isfinite(number)
    ]
    return fits[0] if fits else None
