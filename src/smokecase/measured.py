"""A measured number: its value, how uncertain it is, and its unit.

``str(Measured(value=38.2, u=5.9, unit="%"))`` is ``38 % (27 to 50)``: the value and its 95 %
interval, rounded by the uncertainty.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

COVERAGE = 1.959963984540054  # 95 % of a normal distribution, JCGM 100:2008 table G.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A value with its standard uncertainty.

    `low` and `high` are the 95 % bounds; they follow from `u` unless given, need not be
    symmetric, and are infinite where the interval is open to that side. Nothing is clipped.

    Raises
    ------
    ValueError
        If the value is not finite, `u` is negative, or the bounds do not hold the value.
    """

    value: float
    u: float
    unit: str
    low: float = math.nan  # 95 % bound; nan on entry: taken from u
    high: float = math.nan

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            msg = f"value must be finite (got {self.value}); say None and a doubt instead"
            raise ValueError(msg)
        if not self.u >= 0:
            msg = f"u must not be negative (got {self.u})"
            raise ValueError(msg)
        if math.isnan(self.low):
            object.__setattr__(self, "low", self.value - COVERAGE * self.u)
        if math.isnan(self.high):
            object.__setattr__(self, "high", self.value + COVERAGE * self.u)
        if not self.low <= self.value <= self.high:
            msg = f"bounds {self.low} to {self.high} must hold the value {self.value}"
            raise ValueError(msg)

    def __str__(self) -> str:
        digits = _digits(self)
        value, low, high = (_shown(x, digits) for x in (self.value, self.low, self.high))
        unit = f" {self.unit}" if self.unit else ""
        return f"{value}{unit} ({low} to {high})"

    def to_json(self) -> dict[str, float | str | None]:
        """Plain values; an open bound becomes None."""
        return {
            "value": self.value,
            "u": self.u if math.isfinite(self.u) else None,
            "low": self.low if math.isfinite(self.low) else None,
            "high": self.high if math.isfinite(self.high) else None,
            "unit": self.unit,
        }

    @classmethod
    def from_json(cls, plain: dict[str, float | str | None]) -> "Measured":
        """Undo `to_json`."""
        u, low, high = plain["u"], plain["low"], plain["high"]
        return cls(
            value=float(plain["value"] or 0.0),
            u=math.inf if u is None else float(u),
            unit=str(plain["unit"]),
            low=-math.inf if low is None else float(low),
            high=math.inf if high is None else float(high),
        )


def _digits(number: Measured) -> int:
    """Digits after the point that the width of the interval warrants."""
    sides = (number.high - number.value, number.value - number.low)
    widths = [w for w in sides if 0 < w < math.inf]
    if not widths:
        return 2
    # one digit of the standard uncertainty, two where it starts with 1: JCGM 100:2008, 7.2.6
    u = max(widths) / COVERAGE
    exponent = math.floor(math.log10(u))
    leading = u / 10.0**exponent
    return max(0, -exponent + (1 if leading < 2 and exponent < 0 else 0))


def _shown(x: float, digits: int) -> str:
    if math.isinf(x):
        return "open"
    text = f"{x:.{digits}f}"
    return text[1:] if text.startswith("-") and float(text) == 0 else text


def combine(numbers: Sequence[Measured]) -> Measured:
    """Mean of independent readings of one thing, weighted by inverse variance.

    Raises
    ------
    ValueError
        If there is none, or if the units differ.

    Source
    ------
    Weighted mean; its uncertainty by JCGM 100:2008, 5.1.2, eq. (10).
    """
    if not numbers:
        msg = "numbers must not be empty"
        raise ValueError(msg)
    if len({n.unit for n in numbers}) > 1:
        msg = f"numbers must share one unit (got {sorted({n.unit for n in numbers})})"
        raise ValueError(msg)
    weights = np.array([1.0 / max(n.u, 1e-12) ** 2 for n in numbers])
    value = float(np.sum(weights * [n.value for n in numbers]) / weights.sum())
    return Measured(value=value, u=float(weights.sum() ** -0.5), unit=numbers[0].unit)
