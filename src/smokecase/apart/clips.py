"""`examine`, apart: the same numbers, and no file can take the caller down.

Public: `examine_apart`; `measure` is the work that the other process does.
"""

from collections.abc import Callable
from dataclasses import fields, replace
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np

from smokecase.apart.caller import Limits, Nursery
from smokecase.apart.wire import Arrays
from smokecase.doubts import DOUBTS
from smokecase.errors import ClipError
from smokecase.readings import Examination, KeyFrame, OpacityMap, PlumeOutline
from smokecase.trace import SmokeTrace

Tell = Callable[[float, str], None]

TASK = "smokecase.apart.clips:measure"
OWN = Limits(longest_s=86_400.0)  # for one's own clip, which nothing else waits for
PICTURES = ("picture", "plume")
MAP = ("opacity_pct", "low_pct", "high_pct")


def examine_apart(
    path: str | Path,
    *,
    limits: Limits | None = None,
    nursery: Nursery | None = None,
    tell: Tell | None = None,
    **options: Any,
) -> Examination:
    """Measure a clip as `examine` does, in a process of its own with limits.

    Parameters
    ----------
    path : str or Path
        The clip or picture; nobody need vouch for it.
    limits : Limits, optional
        Memory and time after which it is given up.
    nursery : Nursery, optional
        One that is there already, with `TASK`; saves the two seconds of its beginning. Its own
        limits hold.
    tell : callable, optional
        Called with progress (0 to 1) and words; may raise `Cancelled`.
    **options
        Those of `examine` but `settings`.

    Raises
    ------
    ClipError
        As `examine`; also where the decoder died, stalled, or met a limit.
    ValueError
        As `examine`.
    """
    request = {"path": str(Path(path).absolute()), **to_request(options)}
    where = Path(path).name
    if nursery is not None:
        return from_answer(*nursery.run(request, where=where, tell=tell), where=where)
    with Nursery(TASK, limits) as own:
        return from_answer(*own.run(request, where=where, tell=tell), where=where)


def to_request(options: dict[str, Any]) -> dict[str, Any]:
    """Options as plain values; those left at their defaults stay out."""
    plain = {k: v for k, v in options.items() if v is not None and v != float("inf")}
    if plain.get("plate") is not None:
        plain["plate"] = str(Path(plain["plate"]).absolute())
    return plain


def prepare() -> None:
    """Load what measuring needs, before the first child."""
    import_module("smokecase.examination")


def measure(request: dict[str, Any], tell: Tell) -> tuple[dict[str, Any], Arrays]:
    """Measure, in the other process."""
    from smokecase.examination import examine

    options: dict[str, Any] = {
        k: tuple(v) if isinstance(v, list) else v for k, v in request.items()
    }
    return to_answer(examine(options.pop("path"), tell=tell, **options))


def to_answer(examination: Examination) -> tuple[dict[str, Any], Arrays]:
    """Lay an examination in plain values and arrays, pictures included."""
    trace = examination.trace
    arrays: Arrays = {
        f"trace.{part.name}": getattr(trace, part.name)
        for part in fields(trace)
        if part.name != "doubts"
    }
    sets = sorted({tuple(sorted(d.name for d in doubts)) for doubts in trace.doubts})
    place = {names: i for i, names in enumerate(sets)}
    numbers = [place[tuple(sorted(d.name for d in doubts))] for doubts in trace.doubts]
    arrays["trace.doubts"] = np.array(numbers, np.int32)
    frames = []
    for i, key in enumerate(examination.key_frames):
        frames.append({"time_s": key.time_s, "what": key.what, "section_px": key.section_px,
                       "exit_px": key.exit_px})  # fmt: skip
        arrays |= {f"key.{i}.{name}": getattr(key, name) for name in PICTURES}
    if examination.opacity_map is not None:
        arrays |= {f"map.{name}": getattr(examination.opacity_map, name) for name in MAP}
    drawn = [[o.time_s, [shape.tolist() for shape in o.shapes]] for o in examination.outlines]
    plain = {"summary": examination.to_json(), "doubts": sets, "key_frames": frames,
             "outlines": drawn}  # fmt: skip
    return plain, arrays


def from_answer(plain: dict[str, Any], arrays: Arrays, *, where: str) -> Examination:
    """Undo `to_answer`; what does not fit together is refused.

    Raises
    ------
    ClipError
        If the answer is none.
    """
    try:
        sets = [frozenset(DOUBTS[name] for name in names) for names in plain["doubts"]]
        columns = {
            part.name: arrays[f"trace.{part.name}"]
            for part in fields(SmokeTrace)
            if part.name != "doubts"
        }
        trace = SmokeTrace(
            **columns, doubts=tuple(sets[i] for i in arrays["trace.doubts"].tolist())
        )
        keys = tuple(
            KeyFrame(
                time_s=float(key["time_s"]),
                what=str(key["what"]),
                picture=arrays[f"key.{i}.picture"],
                plume=arrays[f"key.{i}.plume"],
                section_px=_numbers(key["section_px"]),
                exit_px=_numbers(key["exit_px"]),
            )
            for i, key in enumerate(plain["key_frames"])
        )
        outlines = tuple(
            PlumeOutline(time_s=float(time_s), shapes=tuple(np.array(s, np.int32) for s in shapes))
            for time_s, shapes in plain["outlines"]
        )
        found = Examination.from_json(plain["summary"], [])
        shown = None
        if "map.opacity_pct" in arrays:
            shown = OpacityMap(**{name: arrays[f"map.{name}"] for name in MAP})
        return replace(found, trace=trace, key_frames=keys, opacity_map=shown, outlines=outlines)
    except (LookupError, ValueError, TypeError, AttributeError, ArithmeticError) as error:
        what = f"what came back from its process does not fit together ({error})"
        raise ClipError(what, where=where, remedy="examine it again") from error


def _numbers(values: Any) -> Any:
    return None if values is None else tuple(float(v) for v in values)
