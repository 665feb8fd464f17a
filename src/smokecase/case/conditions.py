"""Whether two clips can be compared: standing time, temperatures, load, view, light, camera, start.

What was told of both and differs too much forbids a verdict; what was not told is named. How far
conditions may lie apart is common practice, no source.
"""

from dataclasses import dataclass

from smokecase.case.record import Circumstances
from smokecase.readings import Examination

COLD_H = 6.0  # an engine that stood this long is cold
STANDING_RATIO = 2.0
COOLANT_K = 15.0
AMBIENT_K = 10.0
PIPE_RATIO = 1.15
SIZE_RATIO = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One thing that must be alike in both clips."""

    name: str
    first: str
    second: str
    alike: bool | None  # None: not told, or not to be told
    words: str
    hinders: bool = True  # whether a difference forbids a verdict


def check_conditions(
    clips: tuple[Examination, Examination], told: tuple[Circumstances, Circumstances]
) -> list[Condition]:
    """Check each thing that must be alike, by what was told and by what the clips show."""
    one, other = clips
    found = [
        _standing(told[0].standing_h, told[1].standing_h),
        _near("coolant temperature", "°C", told[0].coolant_degc, told[1].coolant_degc, COOLANT_K),
        _near("outside temperature", "°C", told[0].ambient_degc, told[1].ambient_degc, AMBIENT_K),
        _same("load", told[0].load, told[1].load),
        _ratio("pipe diameter", "mm", told[0].pipe_diameter_mm, told[1].pipe_diameter_mm,
               PIPE_RATIO),
        _ratio("size of the pipe in the picture", "px", one.diameter_px, other.diameter_px,
               SIZE_RATIO),
        _same("light", told[0].light, told[1].light),
        # judged from the brightness of the smoke, so it is named but forbids nothing
        _lit(one.colour.lighting, other.colour.lighting),
        _same("camera", told[0].camera or None, told[1].camera or None, hinders=False),
        _same("background", told[0].background or None, told[1].background or None, hinders=False),
    ]  # fmt: skip
    for clip, name in zip(clips, ("first", "second"), strict=True):
        if clip.refused:
            found.append(against("readings", f"the {name} clip gives no opacity ({clip.refused})"))
        elif clip.source == "still":
            found.append(against("readings", f"the {name} is a single picture"))
    if (one.source in ("pair", "still")) != (other.source in ("pair", "still")):
        found.append(against("kind of recording", "one is a clip and the other a picture"))
    return found


def against(name: str, words: str) -> Condition:
    """Make a condition that forbids a verdict."""
    return Condition(name=name, first="", second="", alike=False, words=words)


def _untold(name: str, one: object, other: object, unit: str = "") -> Condition:
    which = "neither" if one is None and other is None else "only one"
    return Condition(
        name=name, first="not told" if one is None else f"{one} {unit}".strip(),
        second="not told" if other is None else f"{other} {unit}".strip(), alike=None,
        words=f"{name} is told for {which}".replace("for neither", "for neither clip"),
    )  # fmt: skip


def _standing(one: float | None, other: float | None) -> Condition:
    name = "standing time"
    if one is None or other is None:
        return _untold(name, one, other, "h")
    low, high = sorted((one, other))
    alike = low >= COLD_H or high <= STANDING_RATIO * low or high - low <= 0.25
    return _told(name, f"{one:g} h", f"{other:g} h", alike)


def _near(name: str, unit: str, one: float | None, other: float | None, most: float) -> Condition:
    if one is None or other is None:
        return _untold(name, one, other, unit)
    return _told(name, f"{one:g} {unit}", f"{other:g} {unit}", abs(one - other) <= most)


def _ratio(name: str, unit: str, one: float | None, other: float | None, most: float) -> Condition:
    if one is None or other is None:
        return _untold(name, one, other, unit)
    alike = max(one, other) <= most * min(one, other)
    return _told(name, f"{one:.0f} {unit}", f"{other:.0f} {unit}", alike)


def _same(name: str, one: str | None, other: str | None, *, hinders: bool = True) -> Condition:
    if one is None or other is None:
        return _untold(name, one, other)
    alike = one.strip().casefold() == other.strip().casefold()
    return _told(name, one, other, alike, hinders=hinders)


def _lit(one: str, other: str) -> Condition:
    words = {"front": "from the front", "back_lit": "from behind the smoke"}
    if one not in words or other not in words:
        return _untold("light as the smoke shows it", words.get(one), words.get(other))
    return _told("light as the smoke shows it", words[one], words[other], one == other,
                 hinders=False)  # fmt: skip


def _told(name: str, one: str, other: str, alike: bool, *, hinders: bool = True) -> Condition:
    words = f"{name} is alike" if alike else f"{name} differs ({one} against {other})"
    return Condition(name=name, first=one, second=other, alike=alike, words=words, hinders=hinders)


def find_starts(
    first: Examination, second: Examination
) -> tuple[tuple[float, float], Condition | None]:
    """Find the time of the start in each clip: heard if both have it, else seen."""
    name = "start of the engine"
    heard = [c.sound.first_firing_s if c.sound else None for c in (first, second)]
    seen = [c.timing.engine_start_s for c in (first, second)]
    for told, way in ((heard, "heard"), (seen, "seen")):
        if told[0] is not None and told[1] is not None:
            return (told[0], told[1]), Condition(
                name=name, first=f"{told[0]:.1f} s", second=f"{told[1]:.1f} s", alike=True,
                words=f"the start is {way} in both clips",
            )  # fmt: skip
    either = [h if h is not None else s for h, s in zip(heard, seen, strict=True)]
    begins = [float(c.trace.time_s[0]) if len(c.trace) else 0.0 for c in (first, second)]
    onsets = [first.timing.onset_s, second.timing.onset_s]
    if either[0] is None and either[1] is None:
        smoke = None not in onsets and min(o or 0.0 for o in onsets) > 0
        shown = onsets if smoke else [None, None]
        starts = [o if o is not None else b for o, b in zip(shown, begins, strict=True)]
        way = "their first smoke" if smoke else "their beginning"
        return (starts[0], starts[1]), Condition(
            name=name, first=_at(shown[0]), second=_at(shown[1]), alike=None,
            words=f"no start is found in either clip, both are compared from {way}",
        )  # fmt: skip
    if either[0] is not None and either[1] is not None:
        return (either[0], either[1]), Condition(
            name=name, first=f"{either[0]:.1f} s", second=f"{either[1]:.1f} s", alike=True,
            words="the start is heard in one clip and seen in the other",
        )  # fmt: skip
    lone = 0 if either[0] is None else 1
    quiet = (first, second)[lone]
    if quiet.timing.onset_s is None:  # without smoke nothing depends on the clock
        starts = [e if e is not None else b for e, b in zip(either, begins, strict=True)]
        return (starts[0], starts[1]), Condition(
            name=name, first=_at(either[0]), second=_at(either[1]), alike=None,
            words="one clip shows neither a start nor smoke; it is compared from its beginning",
        )  # fmt: skip
    starts = [e if e is not None else b for e, b in zip(either, begins, strict=True)]
    return (starts[0], starts[1]), Condition(
        name=name, first=_at(either[0]), second=_at(either[1]), alike=False,
        words="only one of the clips shows the start of the engine",
    )  # fmt: skip


def _at(time_s: float | None) -> str:
    return "not found" if time_s is None else f"{time_s:.1f} s"
