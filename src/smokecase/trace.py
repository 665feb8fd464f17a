"""Smoke over time: what each frame of a clip gave, and all frames as columns and as a table.

The records are frozen; their arrays are read-only. Opacity is in percent and never clipped.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import DOUBTS, Doubt
from smokecase.measured import Measured

COLOURS = ("black", "blue", "white", "none")  # none: no smoke

Floats = NDArray[np.float64]


def freeze(record: object) -> None:
    """Make the arrays of a record read-only."""
    for part in fields(record):  # type: ignore[arg-type]  # every caller is a dataclass
        value = getattr(record, part.name)
        if isinstance(value, np.ndarray):
            value.setflags(write=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmokeReading:
    """The measuring section in one frame."""

    time_s: float  # the frame's own time stamp
    transmittance: Floats  # (3,) red, green, blue, mean over the section [0 to 1]
    u_transmittance: Floats
    opacity: Measured | None  # green channel [%]; None where the picture cannot answer
    centre_line_pct: float = math.nan  # opacity on the plume's centre line in the section
    plume_p95_pct: float = math.nan  # 95th percentile over the visible plume; nan without one
    area_px: float = 0.0  # visible plume, in pixels of the upright picture
    length_px: float = 0.0  # its reach from the exit
    shake_px: float = 0.0  # residual after steadying
    colour: Floats = field(default_factory=lambda: np.full(4, math.nan))  # (4,) as COLOURS
    doubts: frozenset[Doubt] = frozenset()

    def __post_init__(self) -> None:
        if self.opacity is None and not self.doubts:
            msg = f"reading at {self.time_s:.2f} s has no opacity and no doubt that says why"
            raise ValueError(msg)
        freeze(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmokeTrace:
    """All readings of one clip as columns of equal length n; nan where not measurable."""

    time_s: Floats  # (n,)
    opacity_pct: Floats  # (n,)
    opacity_low_pct: Floats  # (n,) 95 % bounds; infinite where open to that side
    opacity_high_pct: Floats
    centre_line_pct: Floats  # (n,)
    plume_p95_pct: Floats  # (n,)
    area_px: Floats  # (n,)
    length_px: Floats  # (n,)
    shake_px: Floats  # (n,)
    transmittance: Floats  # (n, 3)
    u_transmittance: Floats  # (n, 3)
    colour: Floats  # (n, 4) weights in the order of COLOURS
    doubts: tuple[frozenset[Doubt], ...]  # n sets

    def __post_init__(self) -> None:
        n = len(self.time_s)
        for part in fields(self):
            if len(getattr(self, part.name)) != n:
                msg = f"column {part.name} has {len(getattr(self, part.name))} rows, time_s has {n}"
                raise ValueError(msg)
        freeze(self)

    def __len__(self) -> int:
        return len(self.time_s)

    @classmethod
    def from_readings(cls, readings: list[SmokeReading]) -> "SmokeTrace":
        """Lay readings side by side."""
        nan = math.nan

        def column(values: Iterator[Any] | list[Any], width: int = 0) -> Floats:
            shape = (len(readings), width) if width else (len(readings),)
            return np.array(list(values), dtype=np.float64).reshape(shape)

        return cls(
            time_s=column([r.time_s for r in readings]),
            opacity_pct=column([r.opacity.value if r.opacity else nan for r in readings]),
            opacity_low_pct=column([r.opacity.low if r.opacity else nan for r in readings]),
            opacity_high_pct=column([r.opacity.high if r.opacity else nan for r in readings]),
            centre_line_pct=column([r.centre_line_pct for r in readings]),
            plume_p95_pct=column([r.plume_p95_pct for r in readings]),
            area_px=column([r.area_px for r in readings]),
            length_px=column([r.length_px for r in readings]),
            shake_px=column([r.shake_px for r in readings]),
            transmittance=column([r.transmittance for r in readings], 3),
            u_transmittance=column([r.u_transmittance for r in readings], 3),
            colour=column([r.colour for r in readings], 4),
            doubts=tuple(r.doubts for r in readings),
        )

    def to_table(self) -> list[dict[str, float | str | None]]:
        """Rows with the column names of `readings.csv`; None where there is no value."""
        scalars = ("time_s", "opacity_pct", "opacity_low_pct", "opacity_high_pct",
                   "centre_line_pct", "plume_p95_pct")  # fmt: skip
        more = ("area_px", "length_px", "shake_px")
        rows: list[dict[str, float | str | None]] = []
        for i in range(len(self)):
            row: dict[str, float | str | None] = {k: _plain(getattr(self, k)[i]) for k in scalars}
            row |= {name: _plain(self.colour[i, j]) for j, name in enumerate(COLOURS)}
            row["doubts"] = " ".join(sorted(d.name for d in self.doubts[i]))
            row |= {k: _plain(getattr(self, k)[i]) for k in more}
            for j, name in enumerate(("red", "green", "blue")):
                row[f"transmittance_{name}"] = _plain(self.transmittance[i, j])
                row[f"u_transmittance_{name}"] = _plain(self.u_transmittance[i, j])
            rows.append(row)
        return rows


def _plain(x: float) -> float | None:
    return float(x) if math.isfinite(x) else None


def trace_from_table(table: list[dict[str, Any]]) -> SmokeTrace:
    """Undo `SmokeTrace.to_table`.

    Raises
    ------
    KeyError, ValueError
        If a cell cannot be what its column says.
    """

    def column(name: str) -> Floats:
        cells = [row.get(name) for row in table]
        return np.array([math.nan if c in (None, "") else float(c) for c in cells])

    def columns(*names: str) -> Floats:
        return np.stack([column(n) for n in names], axis=1).reshape(len(table), len(names))

    channels = ("red", "green", "blue")
    scalars = ("time_s", "opacity_pct", "opacity_low_pct", "opacity_high_pct",
               "centre_line_pct", "plume_p95_pct", "area_px", "length_px", "shake_px")  # fmt: skip
    values = {k: column(k) for k in scalars}
    # an empty bound beside a value is open to that side, not missing
    known = np.isfinite(values["opacity_pct"])
    for bound, edge in (("opacity_low_pct", -math.inf), ("opacity_high_pct", math.inf)):
        values[bound] = np.where(known & np.isnan(values[bound]), edge, values[bound])
    return SmokeTrace(
        **values,
        transmittance=columns(*(f"transmittance_{c}" for c in channels)),
        u_transmittance=columns(*(f"u_transmittance_{c}" for c in channels)),
        colour=columns(*COLOURS),
        doubts=tuple(
            frozenset(DOUBTS[name] for name in str(row.get("doubts") or "").split())
            for row in table
        ),
    )
