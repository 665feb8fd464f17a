"""What is done with one clip: measured, weighed, and laid in one row; runs apart from the caller.

`prepare` and `measure_and_weigh` run in the other process; `to_row` makes the row of the table.
"""

import math
import resource
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any

import numpy as np

from smokecase.apart.clips import to_answer
from smokecase.apart.wire import Arrays
from smokecase.diagnosis import Diagnosis, diagnose
from smokecase.doubts import SMOKE_OPEN
from smokecase.measured import Measured
from smokecase.readings import Examination
from smokecase.report.spans import span_at_peak
from smokecase.trace import COLOURS

Tell = Callable[[float, str], None]

TASK = "smokecase.batch.measure:measure_and_weigh"


def prepare() -> None:
    """Load what measuring and weighing need, and read the knowledge, before the first child."""
    import_module("smokecase.examination")
    diagnose(answers={"fuel": "diesel"})


def measure_and_weigh(request: dict[str, Any], tell: Tell) -> tuple[dict[str, Any], Arrays]:
    """Measure and weigh, in the other process."""
    from smokecase.examination import examine

    options: dict[str, Any] = {
        k: tuple(v) if isinstance(v, list) else v for k, v in request["options"].items()
    }
    found = examine(request["path"], tell=lambda share, words: tell(0.95 * share, words), **options)
    tell(0.95, "weighing the causes")
    tables: dict[str, Any] = {"answers": request["told"]}
    if request["shows"] != "unknown":
        tables["clips"] = {found.clip: request["shows"]}
    weighed = diagnose([found], answers=tables)
    used = resource.getrusage(resource.RUSAGE_SELF)
    plain, arrays = to_answer(found)
    plain["row"] = to_row(found, weighed) | {
        "cpu_s": used.ru_utime + used.ru_stime,
        "peak_memory_mb": used.ru_maxrss / 1024,  # kilobytes on Linux: getrusage(2)
    }
    return plain, arrays


def to_row(found: Examination, weighed: Diagnosis) -> dict[str, Any]:
    """One clip as one row of plain values; None where there is none, units in the names."""
    timing, colour, sound = found.timing, found.colour, found.sound
    row: dict[str, Any] = {
        "source": found.source,
        "width": found.width,
        "height": found.height,
        "duration_s": found.duration_s,
        "frames": found.frames,
        "lost_packets": found.lost_packets,
        "refused": found.refused,
    }
    peak = (span_at_peak(found) if not found.refused else None) or (None, None, None)
    row |= dict(zip(("peak_pct", "peak_low_pct", "peak_high_pct"), peak, strict=True))
    row |= {
        name: getattr(timing, name)
        for name in ("onset_s", "peak_s", "half_fall_s", "tenth_fall_s", "settled_pct",
                     "visible_share", "longest_visible_s", "puff_hz", "u_puff_hz")
    }  # fmt: skip
    if SMOKE_OPEN in found.doubts:  # what was seen may be smoke or not
        row |= {"visible_share": None, "longest_visible_s": None}
    row |= {name: getattr(colour, name) for name in (*COLOURS, "colour_open")}
    row["colour_word"] = colour.word
    for name, part in (
        ("cranking_s", "cranking_time"),
        ("idle_speed_per_min", "idle_speed"),
        ("uneven_firing", "uneven_firing"),
    ):
        row |= _spread(name, getattr(sound, part, None))
    row["weak_cylinder"] = sound.weak_cylinder if sound else None
    row["hunting"] = sound.hunting if sound else None
    doubts = set(found.doubts) | set(sound.doubts if sound else ())
    row["doubts"] = " ".join(sorted(d.name for d in doubts))
    row |= _weighed(weighed)
    row["smokecase"] = found.versions.get("smokecase")
    row["knowledge"] = weighed.knowledge
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in row.items()}


def _spread(name: str, given: Measured | None) -> dict[str, float | None]:
    if given is None:
        return {name: None, f"{name}_low": None, f"{name}_high": None}
    return {name: given.value, f"{name}_low": given.low, f"{name}_high": given.high}


def _weighed(weighed: Diagnosis) -> dict[str, Any]:
    family = weighed.families[0]
    cause = next(c for c in weighed.causes if c.makes_smoke)
    check = weighed.proposals[0] if weighed.proposals else None
    return {
        "family": family.name,
        "family_title": family.title,
        "family_weight": family.weight,
        "family_low": family.low,
        "family_high": family.high,
        "cause": cause.name,
        "cause_title": cause.title,
        "cause_weight": cause.weight,
        "cause_low": cause.low,
        "cause_high": cause.high,
        "stop_signs": "; ".join(stop.words for stop in weighed.stops),
        "next_check": check.question if check else None,
        "next_check_caution": check.caution if check else None,
    }


def densest_picture(found: Examination) -> np.ndarray[Any, np.dtype[np.uint8]] | None:
    """Key picture of the densest moment, half the working size; None where there is none."""
    if not found.key_frames:
        return None
    wanted = [k for k in found.key_frames if k.what == "densest"] or list(found.key_frames[-1:])
    picture: np.ndarray[Any, np.dtype[np.uint8]] = wanted[0].picture[::2, ::2]
    return picture


def fingerprint_of(told: Mapping[str, Any]) -> str:
    """SHA-256 of plain values, the same whatever their order."""
    import hashlib
    import json

    return hashlib.sha256(json.dumps(told, sort_keys=True, default=str).encode()).hexdigest()
