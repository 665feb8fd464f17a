"""The story of a case: every entry in order, what no longer holds, notes and repairs; undo."""

from collections.abc import Mapping

from smokecase.case.record import Case, Entry
from smokecase.causes.record import percent
from smokecase.languages import say, text
from smokecase.report.course import tell_entry
from smokecase.web.markup import button, card, esc, fold, items
from smokecase.web.views.frame import ahead, heading

KINDS = {
    "opened": text("opened"),
    "brought": text("clip brought"),
    "clip": text("clip measured"),
    "answer": text("answer"),
    "result": text("check"),
    "note": text("note"),
    "repair": text("repair"),
    "report": text("report"),
    "withdrawn": text("undone"),
}


NAMED = ("opened", "brought", "clip", "report")  # told by their names, the kind stands beside


def show_ledger(case: Case, leading: Mapping[int, tuple[str, float]], lang: str) -> str:
    """Show the story of a case.

    Parameters
    ----------
    case : Case
    leading : mapping
        Title and weight of what leads after each fact, by the number of its entry.
    lang : str
    """
    lead = say("Everything that was entered, in order. Nothing is ever erased; what was undone "
               "stays readable.", lang)  # fmt: skip
    moved = {number: _leading(*best, lang) for number, best in leading.items()}
    gone = case.replaced()
    onward = _onward(case)
    rows = "".join(
        _entry(entry, entry.number in gone, onward.get(entry.number, 0), moved, lang)
        for entry in reversed(case.entries)
    )
    damage = ""
    if case.damage:
        damage = card(items(case.damage), title=say("Damaged", lang), kind="wrong")
    return "".join((
        heading(case.name, lead), damage, _add(lang),
        f'<ol class="ledger" reversed>{rows}</ol>',
        ahead(say("Make the report", lang), "report"),
    ))  # fmt: skip


def _leading(title: str, weight: float, lang: str) -> str:
    return say("leads now: {cause}, {weight}", lang).format(
        cause=say(title, lang), weight=percent(weight)
    )


def _onward(case: Case) -> dict[int, int]:
    """Tell which entries went on in a later one of the same file, without being wrong."""
    by_number = {entry.number: entry for entry in case.entries}
    return {
        entry.replaces: entry.number
        for entry in case.entries
        if entry.kind == "clip"
        and entry.replaces in by_number
        and by_number[entry.replaces].body.get("sha256") == entry.body["sha256"]
    }


def _entry(entry: Entry, gone: bool, onward: int, moved: Mapping[int, str], lang: str) -> str:
    when = entry.time_utc[:16].replace("T", " ")
    undo = ""
    if not gone and entry.kind not in ("opened", "withdrawn", "report"):
        undo = button(say("Undo", lang), "undo", look="plain", number=entry.number)
    what = _told(entry, lang)
    state = ""
    if gone and onward:
        state = f"<em>{esc(say('goes on in entry {n}', lang).format(n=onward))}</em>"
    elif gone:
        state = f"<em>{esc(say('no longer holds', lang))}</em>"
    effect = f'<p class="moved">{esc(moved[entry.number])}</p>' if entry.number in moved else ""
    kind = say(KINDS[entry.kind], lang)
    return (
        f'<li class="entry{" gone" if gone and not onward else ""}" value="{entry.number}"><p class="when">'
        f'<b class="no">{entry.number}</b> <span class="tag">{esc(kind)}</span> <time>{esc(when)} UTC</time> '
        f"<span>{esc(say(entry.author, lang))}</span> {state}</p>{undo}<p>{esc(what)}</p>{effect}</li>"
    )


def _told(entry: Entry, lang: str) -> str:
    """Tell an entry; the words of a note or a repair stay as they were written."""
    if entry.kind in NAMED:
        name = str(entry.body["name"])
        return say(name, lang) if entry.kind == "report" else name
    if entry.kind in ("note", "repair"):
        return str(entry.body["text"])
    if entry.kind == "withdrawn":
        told = say("Entry {n} no longer holds: {why}", lang)
        return told.format(n=entry.replaces, why=say(str(entry.body["why"]), lang))
    return tell_entry(entry, say=lambda english: say(english, lang))


def _add(lang: str) -> str:
    note = esc(say("A note", lang))
    repair = esc(say("A repair that was done", lang))
    name = esc(say("Who enters it", lang))
    return fold(
        say("Add a note or a repair", lang),
        f'<div data-form><label class="field"><span>{note}</span><textarea name="note" id="note" '
        f'rows="3"></textarea></label>{button(say("Keep the note", lang), "note", mark="note")}</div>'
        f'<div data-form><label class="field"><span>{repair}</span><textarea name="repair" '
        f'id="repair" rows="2"></textarea></label>'
        f"{button(say('Keep the repair', lang), 'repair', mark='repair')}</div>"
        f'<label class="field"><span>{name}</span><input id="by" data-keep="by" '
        f'autocomplete="name"></label>',
        mark="add",
    )
