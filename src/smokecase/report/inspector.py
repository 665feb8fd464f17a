"""The inspector's record of one clip: readings as in the published methods, circumstances, sun."""

from datetime import datetime

from smokecase.acceleration import (
    FREE_ACCELERATION_S,
    LOWEST_RATE_HZ,
    check_accelerations,
    find_peaks_of,
    picture_rate,
)
from smokecase.case.record import Entry
from smokecase.readings import Examination
from smokecase.report.contents import Block, Items, Section, Table, Text
from smokecase.rules import (
    INTERVAL_S,
    PER_AVERAGE,
    VISIBLE_PCT,
    average_sets,
    known_readings,
    longest_visible_spell,
    read_momentary,
    seconds_above,
)
from smokecase.sky import Sun, find_sun

LEVELS_PCT = (20.0, 40.0)  # a level of one's own goes before
INDICATIVE = (
    "The arithmetic below is that of published methods; the eye is a camera that nobody certified. "
    "All figures are indicative, and nothing here passes or fails a vehicle: where a limit counts, "
    "have it measured by those whom the local rules name."
)


def inspect_clip(
    entry: Entry, examination: Examination, *, levels_pct: tuple[float, ...] = LEVELS_PCT
) -> Section:
    """Write the inspector's record of one clip."""
    n = (entry.number,)
    blocks: list[Block] = [Text(INDICATIVE, n, "note"), *_place(entry), *_sun(entry)]
    if examination.refused:
        blocks.append(Text(f"No readings: {examination.refused}.", n))
    else:
        blocks += [*_momentary(examination, n), *_spells(examination, n, levels_pct)]
        if entry.circumstances.load == "acceleration":
            blocks += _accelerations(examination, n)
    return Section(f"Inspector's record: {entry.body['name']}", tuple(blocks))


def _place(entry: Entry) -> list[Block]:
    told = entry.circumstances
    where = told.place
    if told.latitude_deg is not None and told.longitude_deg is not None:
        where = f"{where} ({told.latitude_deg:.4f}°, {told.longitude_deg:.4f}°)".strip()
    rows = [
        ("filmed", _when(told.filmed_utc)),
        ("place", where),
        ("observer", told.observer),
        ("distance from the pipe", _with(told.distance_m, "m, as told")),
        ("wind", told.wind),
        ("background", told.background),
        ("notes", told.words),
    ]
    told_rows = tuple((name, value or "not told") for name, value in rows)
    return [Table(("what", "told by the observer"), told_rows, "Place and view", (0.3, 0.7),
                  (entry.number,))]  # fmt: skip


def _when(time: str | None) -> str | None:
    return None if time is None else datetime.fromisoformat(time).strftime("%d %B %Y, %H:%M %Z")


def _with(value: float | None, unit: str) -> str | None:
    return None if value is None else f"{value:g} {unit}"


def sun_of(entry: Entry) -> Sun | None:
    """Where the sun stood over a clip; None where time or place are not told."""
    told = entry.circumstances
    if told.filmed_utc is None or told.latitude_deg is None or told.longitude_deg is None:
        return None
    return find_sun(
        datetime.fromisoformat(told.filmed_utc), latitude_deg=told.latitude_deg,
        longitude_deg=told.longitude_deg, view_azimuth_deg=told.view_azimuth_deg,
    )  # fmt: skip


def _sun(entry: Entry) -> list[Block]:
    sun = sun_of(entry)
    if sun is None:
        words = (
            "Where the sun stood is not computed: time and place (latitude, longitude) are not "
            "told."
        )
        return [Text(words, (entry.number,))]
    style = "stop" if sun.in_sector is False and sun.up else "plain"
    return [Text(str(sun), (entry.number,), style)]


def _momentary(examination: Examination, n: tuple[int, ...]) -> list[Block]:
    readings = read_momentary(examination.trace)
    rows = tuple(
        (
            f"{INTERVAL_S * i:.0f} s",
            "no reading" if r is None else f"{r.opacity_pct:.0f} %",
            "" if r is None else str(r.camera),
        )
        for i, r in enumerate(readings)
    )
    means = average_sets(known_readings(readings)) if None not in readings else []
    told = (
        f"Averages of {PER_AVERAGE} readings (6 minutes): "
        + ", ".join(f"{m:.1f} %" for m in means)
        + " (their interval is that of the readings beside them)."
        if means
        else f"No average: it takes {PER_AVERAGE} readings without a gap (6 minutes), this clip "
        f"gives {len(known_readings(readings))}."
    )
    caption = (
        "Readings every 15 s to the nearest 5 %, as an observer writes them down (US EPA Method 9, "
        "2.4 and 2.5), and what the camera read with its 95 % interval"
    )
    return [
        Table(("from the first picture", "to the nearest 5 %", "camera"), rows, caption,
              (0.34, 0.33, 0.33), n),
        Text(told, n),
    ]  # fmt: skip


def _spells(
    examination: Examination, n: tuple[int, ...], levels_pct: tuple[float, ...]
) -> list[Block]:
    spell = longest_visible_spell(examination.trace)
    lines = [
        "Longest unbroken visible spell: none."
        if spell is None
        else f"Longest unbroken visible spell: {spell.seconds:.1f} s from {spell.start_s:.1f} s on "
        f"(the plume's densest part at {VISIBLE_PCT:g} % or more; to the nearest picture, no "
        "interval of its own)."
    ]
    for level in levels_pct:
        found = seconds_above(examination.trace, level)
        told = "never, by its interval too" if found.value == found.high == 0 else str(found)
        lines.append(f"Above {level:g} % opacity at the pipe: {told}.")
    return [Items(tuple(lines), n)]


def _accelerations(examination: Examination, n: tuple[int, ...]) -> list[Block]:
    rate_hz = picture_rate(examination.trace)
    if rate_hz < LOWEST_RATE_HZ - 0.5:
        words = (
            f"Accelerations are not read: the clip has {rate_hz:.1f} pictures a second, the "
            f"published filter needs {LOWEST_RATE_HZ:g}."
        )
        return [Text(words, n)]
    peaks = find_peaks_of(examination.trace)
    if not peaks:
        return [Text("No acceleration stands out of the filtered opacity.", n)]
    rows = tuple(
        (f"{i}", f"{p.time_s:.1f} s", str(p.opacity)) for i, p in enumerate(peaks, start=1)
    )
    rules = check_accelerations([p.opacity.value for p in peaks], [p.time_s for p in peaks])
    said = {True: "met", False: "NOT met", None: "cannot tell"}
    checked = tuple((r.words, said[r.held], r.found, r.source) for r in rules)
    caption = (
        f"Highest opacity of each acceleration through the published low-pass filter (overall "
        f"response {FREE_ACCELERATION_S:g} s), indicative"
    )
    return [
        Table(("acceleration", "when", "filtered peak"), rows, caption, (0.3, 0.3, 0.4), n),
        Table(("condition", "", "found", "source"), checked,
              "Whether such a run would count under the published conditions, for information",
              (0.38, 0.14, 0.22, 0.26), n),
    ]  # fmt: skip
