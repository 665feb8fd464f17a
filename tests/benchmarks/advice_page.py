"""Writes the page of the advice pairs: what each advice brought, and how often it did not help."""

import math
from collections import Counter

import numpy as np
from tests.benchmarks.advice_kinds import FAULTS, FOLLOWED, NAMED_BY, NOT_TRIED, TOLD
from tests.benchmarks.advice_picture import draw_pairs
from tests.benchmarks.advice_verdict import misled, pairs_with, usable, verdict
from tests.benchmarks.tally import bootstrap

from smokecase.doubts import DOUBTS

HEAD = """# Does the advice help?

Where a clip cannot be measured well, smokecase says why and what would help. Here that advice is
put to the proof. Invented yards, each with its own engine and smoke, were filmed badly in one way,
then filmed again with nothing changed but what smokecase had advised. Scenes and phones are of
families that nothing was tuned on; the pipe was left to be found; what was read is compared with
what was really there.

![Yards filmed badly and filmed again as advised, with what was read and what was true]\
(advice_pairs.png)

*Invented yards, computed pictures. A camera's reading is a screening, no legal smoke test. Exhaust
gas is poisonous: film outdoors and upwind, chock the wheels, keep clear of hot and turning parts.*
"""
HOW = """## How to read the tables

- **error**: mean distance of the opacity that was read from the true one in the same box of the
  picture, over the smoky frames. [% opacity]
- **half width**: of the 95 % interval that smokecase gives with it, over the same frames.
  [% opacity]
- **usable**: clips with a reading whose interval holds the truth in at least half of the smoky
  frames, as filmed → as advised; **read wrongly**: with one whose interval does not.
- before → after: means over the pairs that could be read both times, with 95 % bootstrap intervals
  over pairs in brackets where there are three or more.
- **helped**: usable only afterwards, or usable both times and error and half width together fell
  by a tenth or more. **Worse**: the reverse. For advice about the colour it counts whether the
  right colour was named instead of none or a wrong one.
- **at once**: the first look, a second's look at the file before measuring, gave this advice.
"""


def write_page(yards, clips, out, note):
    """Write OUT/advice.md and OUT/advice_pairs.png."""
    draw_pairs(yards, clips, out / "advice_pairs.png")
    parts = [HEAD, _in_short(yards), HOW, _by_advice(yards), _by_fault(yards), _by_pair(yards),
             _not_tried(yards), _made(yards)]  # fmt: skip
    (out / "advice.md").write_text("\n".join([*parts, note, ""]) if note else "\n".join(parts))


def _in_short(yards):
    tried = [(n, *p[1:]) for n in FOLLOWED for p in pairs_with(yards, n)]
    alone = Counter(verdict(n, b, a) for n, b, a in tried)
    together = pairs_with(yards, "all")
    befores, afters = [b for _, b, _ in together], [a for _, _, a in together]
    all_at_once = Counter(verdict("all", b, a) for _, b, a in together)
    again = [p["again"] for y in yards for p in y["pairs"] if "again" in p]
    named = [_named(y, "first_look") for y in yards]
    lines = [
        "## In short",
        "",
        f"- {len(yards)} yards filmed badly in {len({y['fault'] for y in yards})} ways; "
        f"{len(tried)} pairs in which one advice alone was followed: it helped in "
        f"{alone['helped']}, made no difference in {alone['no difference']}, and made it worse in "
        f"{alone['worse']}. **In {alone['no difference'] + alone['worse']} of {len(tried)} pairs "
        "the advice did not help.**",
        f"- All advice of a clip followed together, {len(together)} yards: helped in "
        f"{all_at_once['helped']}, worse in {all_at_once['worse']}. Usable readings: "
        f"{_usable(befores)} as filmed, {_usable(afters)} as advised; refused or nothing seen: "
        f"{_unread(befores)} and {_unread(afters)}; read wrongly: {_misled(befores)} and "
        f"{_misled(afters)}. Where the second clip gave no reading either and its advice was "
        f"followed in turn, {_usable(again)} of {len(again)} third clips were usable.",
        f"- What was wrong was named by the measuring or the first look in "
        f"{sum(n or _named(y, 'doubts') for n, y in zip(named, yards, strict=True))} of "
        f"{len(yards)} clips; by the first look, before measuring, in {sum(named)}. The advice "
        f"that was followed alone had been given by the first look in "
        f"{sum(n in b['first_look'] for n, b, _ in tried)} of {len(tried)} pairs.",
        "",
    ]
    return "\n".join(lines)


def _unread(found):
    return sum(x["error"] is None for x in found)


def _by_advice(yards):
    lines = [
        "## What each advice brought, followed alone",
        "",
        "| smokecase says | what was changed | pairs | helped, no difference, worse | "
        "usable | error, % | half width, % | right colour | at once |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    found = {name: pairs_with(yards, name) for name in FOLLOWED}

    def helped(name):
        return np.mean([verdict(name, b, a) == "helped" for _, b, a in found[name]])

    for name in sorted((n for n in FOLLOWED if found[n]), key=helped, reverse=True):
        n, *figures, early, verdicts = _cells(name, found[name])
        cells = [DOUBTS[name].words, FOLLOWED[name][0], n, verdicts, *figures, early]
        lines.append("| " + " | ".join(cells) + " |")
    lines += ["", _already(yards), ""]
    return "\n".join(lines)


def _already(yards):
    """Name advice that asked for what was done already."""
    again = Counter(p["advice"] for y in yards for p in y["pairs"] if p["after"] is None)
    if not again:
        return ""
    told = ", ".join(f"`{name}` {n} times" for name, n in again.most_common())
    return (
        "Given although the clip was filmed that way already, so that there was nothing to "
        f"follow: {told}."
    )


def _cells(name, found):
    befores, afters = [b for _, b, _ in found], [a for _, _, a in found]
    verdicts = Counter(verdict(name, b, a) for b, a in zip(befores, afters, strict=True))
    return [
        str(len(found)),
        f"{_usable(befores)} → {_usable(afters)}",
        _change(found, "error"),
        _change(found, "half"),
        f"{_right(befores)} → {_right(afters)}",
        str(sum(name in b["first_look"] for b in befores)),
        ", ".join(str(verdicts[k]) for k in ("helped", "no difference", "worse")),
    ]


def _named(yard, by):
    """Whether what is wrong with the filming was among the doubts."""
    return bool(set(NAMED_BY[yard["fault"]]) & set(yard["before"][by]))


def _misled(found):
    return sum(misled(x) for x in found)


def _usable(found):
    return sum(usable(x) for x in found)


def _right(found):
    return sum(x["colour"] == x["true_colour"] for x in found)


def _change(found, key):
    both = [(b[key], a[key]) for _, b, a in found if b[key] is not None and a[key] is not None]
    if not both:
        alone = [a[key] for _, _, a in found if a[key] is not None]
        return f"none → {_with_bounds(alone)}" if alone else "none"
    return f"{_with_bounds([b for b, _ in both])} → {_with_bounds([a for _, a in both])}"


def _with_bounds(values):
    value, low, high = bootstrap(values, lambda v: float(np.mean(v)))
    bounds = f" ({low:.1f} to {high:.1f})" if math.isfinite(low) else ""
    return f"{value:.1f}{bounds}"


def _by_fault(yards):
    lines = [
        "## Each way of filming badly, and all advice followed together",
        "",
        "| someone | yards | named by the measuring | by the first look | "
        "advice followed, in how many yards | read wrongly | "
        "usable | error, % | half width, % | right colour | "
        "helped, no difference, worse |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for fault, (words, _) in FAULTS.items():
        here = [y for y in yards if y["fault"] == fault]
        if not here:
            continue
        given = Counter(n for y in here for p in y["pairs"] if p["advice"] == "all"
                        for n in p["followed"])  # fmt: skip
        named = (str(sum(_named(y, by) for y in here)) for by in ("doubts", "first_look"))
        found = pairs_with(here, "all")
        wrong = f"{_misled(y['before'] for y in here)} → {_misled(a for _, _, a in found)}"
        cells = _cells("all", found)
        row = [words, str(len(here)), *named, _listed(given), wrong, *cells[1:5], cells[6]]
        lines.append("| " + " | ".join(row) + " |")
    return "\n".join([*lines, ""])


def _listed(counts):
    return ", ".join(f"`{name}` {n}" for name, n in counts.most_common()) or "none"


def _by_pair(yards):
    lines = [
        "## Every pair",
        "",
        "Error and half width in % opacity; *none*: no reading. Colour: as told / as it was.",
        "",
        "| seed | filmed badly | advice followed | error | half width | colour before | after | |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for yard in yards:
        before = yard["before"]
        for pair in yard["pairs"]:
            after = pair["after"]
            if after is None:
                continue
            name = "all together" if pair["advice"] == "all" else f"`{pair['advice']}`"
            lines.append(
                f"| {yard['seed']} | {yard['fault']} | {name} | {_plain(before, 'error')} → "
                f"{_plain(after, 'error')} | {_plain(before, 'half')} → {_plain(after, 'half')} | "
                f"{_colours(before)} | {_colours(after)} | "
                f"{verdict(pair['advice'], before, after)} |"
            )
    return "\n".join([*lines, ""])


def _plain(found, key):
    if found["error"] is None:
        return "none"
    return "open" if found[key] is None else f"{found[key]:.1f}"


def _colours(found):
    return f"{found['colour']} / {found['true_colour']}"


def _not_tried(yards):
    never = [n for n in FOLLOWED if not pairs_with(yards, n)]
    lines = ["## Advice that was not tried", "", "| doubt | why not |", "| --- | --- |"]
    lines += [f"| `{name}` | no badly filmed yard of this page was given it |" for name in never]
    lines += [f"| `{name}` | {why} |" for name, why in NOT_TRIED.items()]
    return "\n".join([*lines, ""])


def _made(yards):
    rounds = max(Counter(y["fault"] for y in yards).values())
    seeds = [y["seed"] for y in yards]
    return (
        "## How it was made\n\n"
        f"`python -m tests.benchmarks.advice CLIPS --out examples --rounds {rounds}`; {len(yards)} "
        f"seeds between {min(seeds)} and {max(seeds)}. What an advice changes is looked up by its "
        "name alone (`tests/benchmarks/advice_kinds.py`); pointing out the pipe or its width "
        f"({', '.join(f'`{n}`' for n in TOLD)}) measures the same clip again. All advice "
        "together was followed in one yard of each way of filming badly. There are few pairs of "
        "each kind, so the intervals are wide.\n"
    )
