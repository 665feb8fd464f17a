"""The waist: what one clip gave, free of pixels and free of causes.

The measuring wing makes an `Examination`, the reasoning wing and the doors read it; what each
frame gave is its trace. All records are frozen; their arrays are read-only. Opacity is in percent
and never clipped.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import DOUBTS, Doubt
from smokecase.measured import COVERAGE, Measured
from smokecase.trace import COLOURS, SmokeTrace, freeze, trace_from_table

SCREENING = (
    "Camera readings are screening evidence: they are no certified smoke-meter value "
    "and no legal smoke test."
)
PEAK_WITHIN_S = 0.1  # of the peak: a reading further off is not the peak's


@dataclass(frozen=True, slots=True, kw_only=True)
class SmokeTiming:
    """The story of the clip in numbers; None where there is none.

    Visible means 5 % or more at the plume's 95th percentile.
    """

    engine_start_s: float | None = None  # from what is seen
    onset_s: float | None = None  # first visible smoke
    peak_s: float | None = None
    peak_pct: float | None = None  # section opacity at the peak, smoothed
    peak_low_pct: float | None = None  # its 95 % interval; None where it is open or not known
    peak_high_pct: float | None = None
    half_fall_s: float | None = None  # seconds from the peak
    tenth_fall_s: float | None = None
    settled_pct: float | None = None  # level of the last fifth of the smoky part
    visible_share: float | None = None  # of the measured time [0 to 1]
    longest_visible_s: float | None = None
    puff_hz: float | None = None
    u_puff_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SmokeColour:
    """How much the smoke is black, blue, white or not there: weights that sum to 1."""

    black: float
    blue: float
    white: float
    none: float
    colour_open: bool  # True where the picture cannot tell
    word: str  # plain word for the mixture, grey among them
    chance: float | None = None  # that the colour with most weight is the largest part
    spectral_slope: Measured | None = None  # Angstrom exponent of the optical depth
    veil_reflectance: tuple[float, float, float] | None = None  # red, green, blue, of white
    u_veil_reflectance: float | None = None
    lighting: str = "unknown"  # front, back_lit, unknown

    def __post_init__(self) -> None:
        if abs(self.black + self.blue + self.white + self.none - 1) > 1e-6:
            msg = "colour weights must sum to 1"
            raise ValueError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundReading:
    """What the sound of a start and an idle gave; None where it cannot tell."""

    cranking_starts_s: float | None = None
    first_firing_s: float | None = None
    u_first_firing_s: float | None = None
    runs_s: float | None = None  # from then on the engine runs by itself
    u_runs_s: float | None = None
    cranking_time: Measured | None = None  # [s] from the starter to running by itself
    run_up_time: Measured | None = None  # [s] from first firing to steady speed
    attempts: int | None = None  # spells of the starter, the one that caught included
    stalls: int | None = None  # spells of running that ended in quiet
    idle_speed: Measured | None = None  # [1/min]
    other_idle_speed: Measured | None = None  # the octave that cannot be excluded
    firing_hz: Measured | None = None
    cylinders: int | None = None  # as told or found
    speed_time_s: tuple[float, ...] = ()  # where the speed is known, a quarter second apart
    speed_per_min: tuple[float, ...] = ()
    u_speed: float | None = None  # relative standard uncertainty of each
    uneven_firing: Measured | None = None  # off-firing over firing energy [1]
    speed_variation: Measured | None = None  # cycle to cycle [%]
    weak_cylinder: float | None = None  # weight that one cylinder is weak [0 to 1]; from 0.5 said
    weak_firings: Measured | None = None  # share of firings below half the usual strength [%]
    cylinder_strengths: tuple[float, ...] | None = None  # firing order, weakest first; 1 is usual
    u_cylinder_strengths: tuple[float, ...] | None = None
    clatter: Measured | None = None  # sound above 2000 1/s at its peak in the firing over mean [dB]
    hunting: float | None = None  # weight that the idle speed swings slowly [0 to 1]
    words: str = ""
    doubts: frozenset[Doubt] = frozenset()

    def to_json(self) -> dict[str, Any]:
        """Plain values, doubts by their names."""
        return _record(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Sound and picture of one clip laid side by side; None where one of them cannot tell."""

    puffs_per_cycle: Measured | None = None  # puff rate over the rate of the engine's cycles [1]
    one_puff_a_cycle: bool | None = None  # as one weak cylinder would give
    cranking_smoke: Measured | None = None  # opacity while cranking less that before it [%]
    smoke_with_speed: Measured | None = None  # opacity [%] for every 100 1/min more
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeyFrame:
    """A picture worth showing, at working size; not part of the JSON."""

    time_s: float
    what: str  # clear view, first smoke, peak, ...
    picture: NDArray[np.uint8]  # (h, w, 3) sRGB
    plume: NDArray[np.bool_]  # (h, w)
    section_px: tuple[float, float, float, float] | None  # in pixels of this picture
    exit_px: tuple[float, float] | None

    def __post_init__(self) -> None:
        freeze(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlumeOutline:
    """Where the plume was seen at one moment; not part of the JSON."""

    time_s: float
    shapes: tuple[NDArray[np.int32], ...]  # (n, 2) corners x, y [px of the upright picture]

    def __post_init__(self) -> None:
        for shape in self.shapes:
            shape.setflags(write=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpacityMap:
    """Opacity of every pixel of a pair of stills, with its 95 % interval; percent."""

    opacity_pct: NDArray[np.float32]  # (h, w), nan where not measurable
    low_pct: NDArray[np.float32]
    high_pct: NDArray[np.float32]

    def __post_init__(self) -> None:
        freeze(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Examination:
    """All that one clip gave."""

    clip: str  # file name without folders
    sha256: str
    source: str  # clip, pair, still, animation
    width: int  # of the upright picture
    height: int
    duration_s: float
    frames: int
    lost_packets: int
    refused: str | None  # why no opacity is given for the clip, or None
    exit_px: tuple[float, float] | None
    u_exit_px: float | None
    diameter_px: float | None
    u_diameter_px: float | None
    direction_deg: float | None  # outflow; 0 right, 90 down
    section_px: tuple[float, float, float, float] | None  # x0, y0, x1, y1; x1, y1 exclusive
    trace: SmokeTrace
    timing: SmokeTiming
    colour: SmokeColour
    doubts: frozenset[Doubt]
    sound: SoundReading | None = None
    together: Together | None = None
    settings: Mapping[str, Any] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)
    key_frames: tuple[KeyFrame, ...] = ()
    outlines: tuple[PlumeOutline, ...] = ()
    opacity_map: OpacityMap | None = None

    def __str__(self) -> str:
        head = f"{self.clip}: {self.source}, {self.width} x {self.height} pixels"
        if self.source in ("clip", "animation"):
            head += f", {self.duration_s:.1f} s, {self.frames} pictures measured"
        lines = [head]
        if self.refused:
            lines.append(f"no opacity: {self.refused}")
        elif (peak := self._peak()) is not None:
            lines.append(f"at its densest, {self.timing.peak_s:.1f} s: opacity {peak}")
        elif self.timing.peak_s is not None:
            lines.append(f"at its densest, {self.timing.peak_s:.1f} s: opacity not readable")
        weights = ", ".join(f"{name} {100 * getattr(self.colour, name):.0f} %" for name in COLOURS)
        lines.append(f"colour {self.colour.word} ({weights})")
        if self.doubts:
            lines.append("doubts: " + ", ".join(sorted(d.name for d in self.doubts)))
        return "\n".join([*lines, SCREENING])

    @property
    def heard(self) -> str:
        """What was heard, and what sound and picture say together, in plain sentences."""
        told = (
            self.sound.words if self.sound else "",
            self.together.words if self.together else "",
        )
        return " ".join(words for words in told if words)

    def _peak(self) -> Measured | None:
        """Give the reading at the peak; None where the smoke was not readable then."""
        timing, trace = self.timing, self.trace
        if timing.peak_pct is not None and timing.peak_low_pct is not None and not self.refused:
            low, high = timing.peak_low_pct, timing.peak_high_pct
            return _with_bounds(timing.peak_pct, low, math.inf if high is None else high)
        read = np.flatnonzero(np.isfinite(trace.opacity_pct))
        if timing.peak_s is None or not read.size:
            return None
        at = read[np.argmin(np.abs(trace.time_s[read] - timing.peak_s))]
        spacing_s = float(np.median(np.diff(trace.time_s))) if len(trace) > 1 else 0.0
        if abs(trace.time_s[at] - timing.peak_s) > max(PEAK_WITHIN_S, spacing_s):
            return None  # a moment before or after is another, thinner smoke
        low, high = float(trace.opacity_low_pct[at]), float(trace.opacity_high_pct[at])
        # a table read back has an empty cell where the interval is open
        low, high = (-math.inf if math.isnan(low) else low), math.inf if math.isnan(high) else high
        return _with_bounds(float(trace.opacity_pct[at]), low, high)

    def to_table(self) -> list[dict[str, float | str | None]]:
        """Rows with the column names of `readings.csv`; None where there is no value."""
        return self.trace.to_table()

    def to_json(self) -> dict[str, Any]:
        """Plain values as in `summary.json`, version 1; the trace and pictures stay out."""
        colour = self.colour
        plain: dict[str, Any] = {
            "version": 1,
            "screening_note": SCREENING,
            "clip": self.clip,
            "sha256": self.sha256,
            "source": self.source,
            "width": self.width,
            "height": self.height,
            "duration_s": self.duration_s,
            "frames": self.frames,
            "lost_packets": self.lost_packets,
            "refused": self.refused,
            "exit_px": self.exit_px,
            "u_exit_px": self.u_exit_px,
            "diameter_px": self.diameter_px,
            "u_diameter_px": self.u_diameter_px,
            "direction_deg": self.direction_deg,
            "section_px": self.section_px,
            "timing": _record(self.timing),
            "colour": {k: getattr(colour, k) for k in COLOURS},
            "colour_open": colour.colour_open,
            "colour_word": colour.word,
            "colour_chance": colour.chance,
            "spectral_slope": colour.spectral_slope.to_json() if colour.spectral_slope else None,
            "veil_reflectance": colour.veil_reflectance,
            "u_veil_reflectance": colour.u_veil_reflectance,
            "lighting": colour.lighting,
            "sound": _record(self.sound) if self.sound else None,
            "together": _record(self.together) if self.together else None,
            "doubts": sorted(d.name for d in self.doubts),
            "remedies": {d.name: d.remedy for d in sorted(self.doubts)},
            "settings": dict(self.settings),
            "versions": dict(self.versions),
        }
        # through JSON once, so that tuples are lists and nothing but plain values is left
        return json.loads(json.dumps(plain, allow_nan=False))  # type: ignore[no-any-return]

    @classmethod
    def from_json(cls, plain: Mapping[str, Any], table: list[dict[str, Any]]) -> "Examination":
        """Undo `to_json` and `SmokeTrace.to_table`; pictures are not restored.

        Raises
        ------
        KeyError, ValueError
            If a field is missing or cannot be what it says.
        """
        tupled = {
            k: tuple(plain[k]) if plain[k] is not None else None
            for k in ("exit_px", "section_px", "veil_reflectance")
        }
        slope = plain["spectral_slope"]
        colour = SmokeColour(
            **{k: float(plain["colour"][k]) for k in COLOURS},
            colour_open=bool(plain["colour_open"]),
            word=plain["colour_word"],
            chance=plain.get("colour_chance"),  # not kept before this field was there
            spectral_slope=Measured.from_json(slope) if slope else None,
            veil_reflectance=tupled["veil_reflectance"],
            u_veil_reflectance=plain["u_veil_reflectance"],
            lighting=plain["lighting"],
        )
        same = ("clip", "sha256", "source", "width", "height", "duration_s", "frames",
                "lost_packets", "refused", "u_exit_px", "diameter_px", "u_diameter_px",
                "direction_deg", "settings", "versions")  # fmt: skip
        return cls(
            **{k: plain[k] for k in same},
            exit_px=tupled["exit_px"],
            section_px=tupled["section_px"],
            trace=trace_from_table(table),
            timing=_timing_from_json(plain["timing"]),
            colour=colour,
            doubts=frozenset(DOUBTS[name] for name in plain["doubts"]),
            sound=_sound_from_json(plain["sound"]),
            together=_together_from_json(plain.get("together")),
        )


def _with_bounds(value_pct: float, low_pct: float, high_pct: float) -> Measured:
    u = (high_pct - low_pct) / (2 * COVERAGE)
    return Measured(value=value_pct, u=u, unit="%", low=low_pct, high=high_pct)


def _record(record: SmokeTiming | SoundReading | Together) -> dict[str, Any]:
    plain: dict[str, Any] = {}
    for part in fields(record):
        value = getattr(record, part.name)
        if isinstance(value, Measured):
            plain[part.name] = value.to_json()
        elif isinstance(value, frozenset):
            plain[part.name] = sorted(d.name for d in value)
        else:
            plain[part.name] = value
    return plain


def _timing_from_json(plain: Mapping[str, Any]) -> SmokeTiming:
    for name, value in plain.items():
        if isinstance(value, bool) or not isinstance(value, int | float | None):
            msg = f"{name} must be a number or nothing (got {value!r:.40})"
            raise ValueError(msg)
    return SmokeTiming(**plain)


def _sound_from_json(plain: Mapping[str, Any] | None) -> SoundReading | None:
    if plain is None:
        return None
    values = dict(plain)
    for name, value in values.items():
        if isinstance(value, dict):
            values[name] = Measured.from_json(value)
        elif isinstance(value, list):
            values[name] = tuple(value)
    values["doubts"] = frozenset(DOUBTS[name] for name in plain["doubts"])
    return SoundReading(**values)


def _together_from_json(plain: Mapping[str, Any] | None) -> Together | None:
    if plain is None:
        return None
    values: dict[str, Any] = dict(plain)
    for name, value in values.items():
        if isinstance(value, dict):
            values[name] = Measured.from_json(value)
    return Together(**values)
