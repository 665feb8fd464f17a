"""What the row of one clip says: how urgent it is, why, how dense and in which colour."""

import math
from collections.abc import Mapping
from typing import Any

from smokecase.report.story import with_bounds

SEEN_OFTEN = 0.3  # share of the time with visible smoke from which it is told
WEAK = 0.5  # weight from which the sound's words are told, as elsewhere

Row = Mapping[str, Any]


def urgency(row: Row) -> tuple[int, float]:
    """Rank of a measured clip, higher first: stop signs, then light that is surely blocked.

    A clip with smoke but without opacity ranks below every clip that was read.
    """
    stop = 1 if row.get("stop_signs") else 0
    if row.get("peak_pct") is None:
        return stop, -1.0 + (row.get("visible_share") or 0.0)
    low = row.get("peak_low_pct")
    return stop, max(0.0, low if low is not None else 0.0)


def reasons(row: Row) -> list[str]:
    """Why a clip is worth looking at, in short sentences, the weightiest first."""
    found = []
    if row.get("stop_signs"):
        found.append(f"STOP: {row['stop_signs']}")
    if row.get("peak_pct") is not None:
        colour = "" if row.get("colour_open") else f", {row.get('colour_word')}"
        found.append(f"blocks {bounds(row)} of the light at its densest{colour}")
    if row.get("refused"):
        found.append(f"no opacity: {row['refused']}")
    share, longest = row.get("visible_share"), row.get("longest_visible_s")
    if share is not None and share >= SEEN_OFTEN:
        spell = f", at the longest {longest:.0f} s without a break" if longest else ""
        found.append(f"smoke is seen {100 * share:.0f} % of the time{spell}")
    if (row.get("weak_cylinder") or 0.0) >= WEAK:
        found.append(f"by its sound one cylinder is weak (weight {row['weak_cylinder']:.0%})")
    if (row.get("hunting") or 0.0) >= WEAK:
        found.append(f"by its sound the idle hunts (weight {row['hunting']:.0%})")
    if row.get("family_title"):
        low, high = 100 * row["family_low"], 100 * row["family_high"]
        found.append(
            f"{row['family_title']} leads with {100 * row['family_weight']:.0f} % "
            f"({low:.0f} to {high:.0f})"
        )
    return [text.replace("%)", " %)") for text in found]


def bounds(row: Row) -> str:
    """Opacity at the peak with its interval, or nothing where there is none."""
    if row.get("peak_pct") is None:
        return ""
    low, high = (math.inf if row.get(k) is None else row[k] for k in
                 ("peak_low_pct", "peak_high_pct"))  # fmt: skip
    return with_bounds(row["peak_pct"], low, high)


def colour_of(row: Row) -> str:
    """Colour of the smoke, or "open" where the clip leaves it open."""
    if row.get("colour_open"):
        return "open"
    return max(("black", "blue", "white"), key=lambda name: row.get(name) or 0.0)
