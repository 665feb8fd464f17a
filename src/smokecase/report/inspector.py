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
from smokecase.doubts import SMOKE_OPEN
from smokecase.languages import ENGLISH, say, text
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
INDICATIVE = text(
    "The arithmetic below is that of published methods; the eye is a camera that nobody certified. "
    "All figures are indicative, and nothing here passes or fails a vehicle: where a limit counts, "
    "have it measured by those whom the local rules name."
)


def inspect_clip(
    entry: Entry,
    examination: Examination,
    *,
    levels_pct: tuple[float, ...] = LEVELS_PCT,
    language: str = ENGLISH,
) -> Section:
    """Write the inspector's record of one clip."""
    n, lang = (entry.number,), language
    blocks: list[Block] = [
        Text(say(INDICATIVE, lang), n, "note"), *_place(entry, lang), *_sun(entry, lang)
    ]  # fmt: skip
    if examination.refused:
        none = say("No readings: {why}.", lang).format(why=say(examination.refused, lang))
        blocks.append(Text(none, n))
    else:
        if SMOKE_OPEN in examination.doubts:
            told = say("These readings may not be of smoke: {why}.", lang)
            blocks.append(Text(told.format(why=say(SMOKE_OPEN.words, lang)), n, "note"))
        blocks += [*_momentary(examination, n, lang), *_spells(examination, n, levels_pct, lang)]
        if entry.circumstances.load == "acceleration":
            blocks += _accelerations(examination, n, lang)
    title = say("Inspector's record: {clip}", lang).format(clip=entry.body["name"])
    return Section(title, tuple(blocks))


def _place(entry: Entry, lang: str) -> list[Block]:
    told = entry.circumstances
    where = told.place
    if told.latitude_deg is not None and told.longitude_deg is not None:
        where = f"{where} ({told.latitude_deg:.4f}°, {told.longitude_deg:.4f}°)".strip()
    rows = [
        (say("filmed", lang), _when(told.filmed_utc)),
        (say("place", lang), where),
        (say("observer", lang), told.observer),
        (say("distance from the pipe", lang), _metres(told.distance_m, lang)),
        (say("wind", lang), told.wind),
        (say("background", lang), told.background),
        (say("notes", lang), told.words),
    ]
    told_rows = tuple((name, value or say("not told", lang)) for name, value in rows)
    head = (say("what", lang), say("told by the observer", lang))
    return [Table(head, told_rows, say("Place and view", lang), (0.3, 0.7), (entry.number,))]


def _when(time: str | None) -> str | None:
    return None if time is None else datetime.fromisoformat(time).strftime("%Y-%m-%d, %H:%M %Z")


def _metres(value: float | None, lang: str) -> str | None:
    return None if value is None else say("{n} m, as told", lang).format(n=f"{value:g}")


def sun_of(entry: Entry) -> Sun | None:
    """Where the sun stood over a clip; None where time or place are not told."""
    told = entry.circumstances
    if told.filmed_utc is None or told.latitude_deg is None or told.longitude_deg is None:
        return None
    return find_sun(
        datetime.fromisoformat(told.filmed_utc), latitude_deg=told.latitude_deg,
        longitude_deg=told.longitude_deg, view_azimuth_deg=told.view_azimuth_deg,
    )  # fmt: skip


def _sun(entry: Entry, lang: str) -> list[Block]:
    sun = sun_of(entry)
    if sun is None:
        words = say("Where the sun stood is not computed: time and place (latitude, longitude) are "
                    "not told.", lang)  # fmt: skip
        return [Text(words, (entry.number,))]
    style = "stop" if sun.in_sector is False and sun.up else "plain"
    return [Text(say(str(sun), lang), (entry.number,), style)]


def _momentary(examination: Examination, n: tuple[int, ...], lang: str) -> list[Block]:
    readings = read_momentary(examination.trace)
    rows = tuple(
        (
            f"{INTERVAL_S * i:.0f} s",
            say("no reading", lang) if r is None else f"{r.opacity_pct:.0f} %",
            "" if r is None else say(str(r.camera), lang),
        )
        for i, r in enumerate(readings)
    )
    means = average_sets(known_readings(readings)) if None not in readings else []
    told = (
        say("Averages of {n} readings (6 minutes): {means} (their interval is that of the readings "
            "beside them).", lang).format(
                n=PER_AVERAGE, means=", ".join(f"{m:.1f} %" for m in means))
        if means
        else say("No average: it takes {n} readings without a gap (6 minutes), this clip gives "
                 "{given}.", lang).format(n=PER_AVERAGE, given=len(known_readings(readings)))
    )  # fmt: skip
    caption = say(
        "Readings every 15 s to the nearest 5 %, as an observer writes them down (US EPA Method 9, "
        "2.4 and 2.5), and what the camera read with its 95 % interval", lang,
    )  # fmt: skip
    head = (say("from the first picture", lang), say("to the nearest 5 %", lang),
            say("camera", lang))  # fmt: skip
    return [
        Table(head, rows, caption, (0.34, 0.33, 0.33), n),
        Text(told, n),
    ]  # fmt: skip


def _spells(
    examination: Examination, n: tuple[int, ...], levels_pct: tuple[float, ...], lang: str
) -> list[Block]:
    spell = longest_visible_spell(examination.trace)
    lines = [
        say("Longest unbroken visible spell: none.", lang)
        if spell is None
        else say("Longest unbroken visible spell: {n} s from {start} s on (the plume's densest "
                 "part at {level} % or more; to the nearest picture, no interval of its own).",
                 lang).format(n=f"{spell.seconds:.1f}", start=f"{spell.start_s:.1f}",
                              level=f"{VISIBLE_PCT:g}")
    ]  # fmt: skip
    above = say("Above {level} % opacity at the pipe: {time}.", lang)
    for level in levels_pct:
        found = seconds_above(examination.trace, level)
        never = found.value == found.high == 0
        told = say("never, by its interval too", lang) if never else say(str(found), lang)
        lines.append(above.format(level=f"{level:g}", time=told))
    return [Items(tuple(lines), n)]


def _accelerations(examination: Examination, n: tuple[int, ...], lang: str) -> list[Block]:
    rate_hz = picture_rate(examination.trace)
    if rate_hz < LOWEST_RATE_HZ - 0.5:
        words = say("Accelerations are not read: the clip has {n} pictures a second, the published "
                    "filter needs {least}.", lang).format(
                        n=f"{rate_hz:.1f}", least=f"{LOWEST_RATE_HZ:g}")  # fmt: skip
        return [Text(words, n)]
    peaks = find_peaks_of(examination.trace)
    if not peaks:
        return [Text(say("No acceleration stands out of the filtered opacity.", lang), n)]
    rows = tuple(
        (f"{i}", f"{p.time_s:.1f} s", say(str(p.opacity), lang))
        for i, p in enumerate(peaks, start=1)
    )
    rules = check_accelerations([p.opacity.value for p in peaks], [p.time_s for p in peaks])
    said = {True: say("met", lang), False: say("NOT met", lang), None: say("cannot tell", lang)}
    checked = tuple(
        (say(r.words, lang), said[r.held], say(r.found, lang), say(r.source, lang)) for r in rules
    )
    caption = say(
        "Highest opacity of each acceleration through the published low-pass filter (overall "
        "response {n} s), indicative", lang,
    ).format(n=f"{FREE_ACCELERATION_S:g}")  # fmt: skip
    runs = (say("acceleration", lang), say("when", lang), say("filtered peak", lang))
    head = (say("condition", lang), "", say("found", lang), say("source", lang))
    return [
        Table(runs, rows, caption, (0.3, 0.3, 0.4), n),
        Table(head, checked,
              say("Whether such a run would count under the published conditions, for information",
                  lang),
              (0.38, 0.14, 0.22, 0.26), n),
    ]  # fmt: skip
