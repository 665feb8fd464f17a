"""Every figure of a sound with its interval, or why there is none.

Public: `tell_figures`.
"""

from smokecase.doubts import IDLE_NOT_REACHED
from smokecase.measured import Measured
from smokecase.readings import SoundReading

ONE = "not defined for one cylinder"


def tell_figures(r: SoundReading) -> list[tuple[str, str]]:
    """Give name and words of every figure; nothing where no engine was heard."""
    if r.cylinders is None:
        return []
    one = r.cylinders == 1
    no_idle = "the speed has not settled" if IDLE_NOT_REACHED in r.doubts else "no even running"
    drowned = "too noisy, or too short an even running"
    rows = [
        ("cranking time", _or(r.cranking_time, why_no_cranking(r))),
        ("attempts", str(r.attempts) if r.attempts else _or(None, why_no_cranking(r))),
        ("run-up time", _or(r.run_up_time, _why_no_run_up(r))),
        ("stalls", str(r.stalls)),
        ("idle speed", _or(r.idle_speed, no_idle)),
    ]
    if r.other_idle_speed:
        rows.append(("or", str(r.other_idle_speed)))
    rows += [
        ("firing frequency", _or(r.firing_hz, no_idle)),
        ("speed variation", _or(r.speed_variation, no_idle)),
        ("slow swings of the idle", _weight(r.hunting, "needs four seconds of idle")),
        ("uneven firing", _or(r.uneven_firing, ONE if one else drowned)),
        ("one weak cylinder", _weight(r.weak_cylinder, ONE if one else _why_no_weak(r))),
        ("weak or missing firings",
         _or(r.weak_firings, "single firings do not stand out of the noise")),
        ("strength by cylinder", _strengths(r)),
        ("sharpness of each firing", _or(r.clatter, "single firings do not stand out")),
    ]  # fmt: skip
    return rows


def why_no_cranking(r: SoundReading) -> str:
    """Tell why there is no cranking time."""
    if r.runs_s is None:
        return "the start is not in the sound"
    return "the starter does not stand out from what else is heard"


def _why_no_run_up(r: SoundReading) -> str:
    if r.first_firing_s is None:
        return "the start is not in the sound"
    return "the speed was even from the first firing that was heard"


def _why_no_weak(r: SoundReading) -> str:
    if r.other_idle_speed is not None and r.cylinders == 2:
        return "two cylinders firing evenly sound like one of two at twice the speed"
    return "too noisy, or too short an even running"


def _or(value: Measured | None, why: str) -> str:
    return f"cannot tell: {why}" if value is None else str(value)


def _weight(weight: float | None, why: str) -> str:
    if weight is None:
        return f"cannot tell: {why}"
    return f"{min(99.0, max(1.0, 100 * weight)):.0f} % likely"  # no sound is surer than that


def _strengths(r: SoundReading) -> str:
    if r.cylinders == 1:
        return ONE
    if r.cylinder_strengths is None or r.u_cylinder_strengths is None:
        return "cannot tell: single cylinders do not stand out of the noise"
    return ", ".join(
        str(Measured(value=100 * s, u=100 * u, unit="%"))
        for s, u in zip(r.cylinder_strengths, r.u_cylinder_strengths, strict=True)
    )
