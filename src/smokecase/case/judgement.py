"""Judges the differences of two clips: more, less, no difference that matters, or not to be told.

"More" and "less" are said where a difference that is more than a trifle is all but sure, "no
difference" where one that matters is all but ruled out to either side; both are findings. Between a
trifle and what matters either may be said. What matters is 5 % opacity, the step in which an
observer reads, and two fifths of the larger; a trifle is 3 % opacity or a fifth of the larger.
"""

from dataclasses import dataclass
from statistics import NormalDist

from smokecase.case.level import Difference
from smokecase.case.one_clock import CLEAR_PCT
from smokecase.measured import Measured

VERDICTS = ("more", "less", "no difference", "cannot tell", "cannot be compared")
# percent of opacity and share of the larger, both to be exceeded. The observer's step: US EPA
# Method 9, 2.4; the rest common practice, no source
MATTERS = (5.0, 0.4)
TRIFLE = (3.0, 0.2)
SURE = 0.90  # chance from which a verdict is said; it stands beside it
SURE_OF_PART = 0.95  # of the time: several parts are looked at
SURE_ENOUGH = 0.99


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What the spans of time say together."""

    verdict: str  # one of VERDICTS: the smoke of the second against the first
    confidence: float | None  # chance of more than a trifle to that side [0 to 1]
    sentence: str


def judge(spans: tuple[Difference, ...], names: tuple[str, str]) -> Judgement:
    """Judge two clips by the spans of time that both show; the whole of it goes before its parts.

    A part speaks where the whole cannot tell, or hardly, or is alike and the part is not.
    """
    if not spans:
        return Judgement(
            verdict="cannot tell", confidence=None,
            sentence="Whether the smoke differs cannot be told: too little of it could be read in "
            "both.",
        )  # fmt: skip
    differing = []
    for span in sorted(spans, key=lambda s: not is_whole(s)):
        for more in (False, True):
            chance = chance_beyond(span, TRIFLE, more=more)
            if chance >= (SURE if is_whole(span) else SURE_OF_PART):
                differing.append((span, more, chance))
    if len({more for _, more, _ in differing}) == 2:
        return Judgement(verdict="cannot tell", confidence=None, sentence=_both_ways(names))
    whole = next(s for s in spans if is_whole(s))
    if is_alike(whole) and all(is_alike(span) for span, _, _ in differing):
        return Judgement(verdict="no difference", confidence=None, sentence=_alike(whole, names))
    if differing:
        first = differing[0]  # the whole, where it differs; a part goes before it if much surer
        whole_says = is_whole(first[0]) and first[2] >= SURE_OF_PART
        span, is_more, chance = first if whole_says else max(differing, key=lambda d: d[2])
        verdict = "more" if is_more else "less"
        return Judgement(
            verdict=verdict, confidence=chance, sentence=_differs(verdict, chance, span, names)
        )
    return Judgement(verdict="cannot tell", confidence=None, sentence=_open(whole, names))


def is_whole(span: Difference) -> bool:
    """Tell whether a span is all that both clips show."""
    return span.name.startswith("whole")


def matters_pct(span: Difference) -> float:
    """Smallest difference that matters at the level of these two, in percent of opacity."""
    return max(MATTERS[0], MATTERS[1] * max(span.one.value, span.other.value))


def is_alike(span: Difference) -> bool:
    """Tell whether a difference that matters is ruled out to either side, each at 10 %.

    Source
    ------
    Two one-sided tests: Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657 (from memory).
    """
    return all(chance_beyond(span, MATTERS, more=side) < 1 - SURE for side in (False, True))


def chance_beyond(span: Difference, bounds: tuple[float, float], *, more: bool) -> float:
    """Chance that the second exceeds the first, or falls short of it, by more than both bounds.

    Parameters
    ----------
    span : Difference
    bounds : tuple of float
        Percent of opacity, and share of the larger. As a share, what scales both readings alike
        cancels.
    more : bool
        Whether the second shall exceed the first.

    Returns
    -------
    float
        The smaller of the two bounds' chances: at most so likely are both exceeded.
    """
    turned = span if more else span.turned()
    low, high, back = turned.one.value, turned.other.value, turned.turned()
    beyond = high - low - bounds[0]
    by_pct = beyond / max(turned.u_over(1.0, upward=beyond < 0), 1e-9)
    kept = 1.0 - bounds[1]
    below = kept * high - low
    by_share = below / max(back.u_over(kept, upward=below > 0), 1e-9)
    return NormalDist().cdf(min(by_pct, by_share))


# -- in words -------------------------------------------------------------------------------------


def _shown(level: Measured) -> str:
    """Opacity with its interval, and in words where it is hardly any."""
    hardly = ", hardly any" if level.high < CLEAR_PCT else ""
    return f"{level} of the light at the pipe{hardly}"


def _differs(verdict: str, confidence: float, span: Difference, names: tuple[str, str]) -> str:
    change = span.difference
    low, high = sorted((abs(change.low), abs(change.high)))
    size = Measured(
        value=abs(change.value), u=change.u, unit="% opacity", low=min(low, abs(change.value)),
        high=max(high, abs(change.value)),
    )  # fmt: skip
    by = f"{size} {verdict}"
    sure = "more than 99 %" if confidence > SURE_ENOUGH else f"{100 * confidence:.0f} %"
    return (
        f'"{names[1]}" smokes {verdict} than "{names[0]}": over the {span.name} it blocks '
        f"{_shown(span.second)}, against {span.first}; that is {by}, confidence {sure}."
    )


def _alike(span: Difference, names: tuple[str, str]) -> str:
    return (
        f'No difference that matters between "{names[0]}" and "{names[1]}": {span.first} against '
        f"{span.second} over the {span.name}; a difference of {matters_pct(span):.0f} % opacity "
        "or more is ruled out, 90 % sure to either side."
    )


def _both_ways(names: tuple[str, str]) -> str:
    return (
        f'Neither smokes less throughout: "{names[1]}" smokes more in one part of the time '
        f'and less in another than "{names[0]}".'
    )


def _open(span: Difference, names: tuple[str, str]) -> str:
    return (
        f'Whether "{names[1]}" smokes more or less than "{names[0]}" cannot be told: over the '
        f"{span.name} they differ by {span.difference}, which is too unsure to call a difference "
        f"and too wide to call them alike (alike is within {matters_pct(span):.0f} % opacity)."
    )
