"""Judges the differences of two clips: more, less, no difference that matters, or not to be told.

"No difference" is a finding of its own and not the failure to find one: it is said only where two
one-sided tests at 5 % both rule out the smallest difference that matters, over the whole common
time, and no part of that time differs surely. What matters is two fifths of the larger opacity;
below 12.5 %, it is 5 % opacity, the step in which an observer reads.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from smokecase.case.level import Difference
from smokecase.case.one_clock import CLEAR_PCT
from smokecase.measured import COVERAGE, Measured

VERDICTS = ("more", "less", "no difference", "cannot tell", "cannot be compared")
# the smallest difference that matters: of the larger, and never less than an observer's step
# (US EPA Method 9, 2.4); common practice, no source
MATTERS_SHARE = 0.4
MATTERS_PCT = 5.0
SMALLEST_PCT = 2.0  # no sign is told of a smaller one
ERROR = 0.05
SURE_ENOUGH, NEARLY_AS_SURE = 0.99, 0.8
ONE_SIDED = 1.6448536269514722  # 95 % of a normal distribution, one-sided


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What the spans of time say together."""

    verdict: str  # one of VERDICTS: the smoke of the second against the first
    confidence: float | None  # chance that the sign of the difference is right [0 to 1]
    sentence: str


def judge(spans: tuple[Difference, ...], names: tuple[str, str]) -> Judgement:
    """Judge two clips by the spans of time that both show."""
    if not spans:
        return Judgement(
            verdict="cannot tell", confidence=None,
            sentence="Whether the smoke differs cannot be told: too little of it could be read in "
            "both.",
        )  # fmt: skip
    needed = needed_z(spans)
    strong = [s for s in spans if abs(s.z) >= needed and abs(s.difference.value) >= SMALLEST_PCT]
    signs = {s.difference.value > 0 for s in strong}
    widest = max(spans, key=lambda s: abs(s.z))
    if len(signs) == 2:
        return Judgement(verdict="cannot tell", confidence=None, sentence=_both_ways(names))
    whole = next(s for s in spans if is_whole(s))
    if is_alike(whole) and all(is_alike(s) for s in strong):
        return Judgement(verdict="no difference", confidence=None, sentence=_alike(whole, names))
    if len(signs) == 1:
        best = max(strong, key=lambda s: abs(s.z))
        if whole in strong and abs(whole.z) > NEARLY_AS_SURE * abs(best.z):
            best = whole  # says more than a part of it
        confidence = chance_of_sign(best.z, spans)
        verdict = "more" if signs == {True} else "less"
        return Judgement(
            verdict=verdict, confidence=confidence,
            sentence=_differs(verdict, confidence, best, names),
        )  # fmt: skip
    return Judgement(verdict="cannot tell", confidence=None, sentence=_open(widest, names))


def is_whole(span: Difference) -> bool:
    """Tell whether a span is all that both clips show."""
    return span.name.startswith("whole")


def matters_pct(span: Difference) -> float:
    """Smallest difference that matters at the level of these two, in percent of opacity."""
    return max(MATTERS_PCT, MATTERS_SHARE * max(span.one.value, span.other.value))


def is_alike(span: Difference) -> bool:
    """Tell whether a difference that matters is ruled out to either side, each at 5 %.

    Source
    ------
    Two one-sided tests: Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657 (from memory).
    """
    one, other = span.one.value, span.other.value
    if matters_pct(span) <= MATTERS_PCT:
        gap = other - one
        up, down = (span.u_over(1.0, upward=side) for side in (True, False))
        return gap + ONE_SIDED * up < MATTERS_PCT and gap - ONE_SIDED * down > -MATTERS_PCT
    # as a share of the larger: what scales both readings alike cancels
    share = 1 - MATTERS_SHARE
    surely_not_less = other - share * one > ONE_SIDED * span.u_over(share, upward=False)
    surely_not_more = one - share * other > ONE_SIDED * span.turned().u_over(share, upward=False)
    return surely_not_less and surely_not_more


def needed_z(spans: tuple[Difference, ...]) -> float:
    """How many uncertainties a difference must have, when several spans are looked at.

    The spans share the camera's errors, so their tests go together: the bound is that of the
    largest of equally correlated normal numbers, with the least correlation among the spans.
    """
    low, high = COVERAGE, 4.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if _largest_beyond(middle, spans) > ERROR else (low, middle)
    return high


def chance_of_sign(z: float, spans: tuple[Difference, ...]) -> float:
    """Chance that the sign of the strongest difference is right, never told as a certainty."""
    return min(1 - _largest_beyond(abs(z), spans) / 2, 1 - 1e-6)


def _largest_beyond(z: float, spans: tuple[Difference, ...]) -> float:
    """Chance that the largest of the spans' scores lies beyond z where nothing differs."""
    if len(spans) == 1:
        return 2 * NormalDist().cdf(-z)
    root = math.sqrt(_common_share(spans))
    rest = math.sqrt(1 - root**2)
    x, weight = np.polynomial.hermite_e.hermegauss(60)
    normal = NormalDist()
    inside = [
        (normal.cdf((z - root * a) / rest) - normal.cdf((-z - root * a) / rest)) ** len(spans)
        for a in x
    ]
    return float(1 - np.sum(weight * inside) / math.sqrt(2 * math.pi))


def _common_share(spans: tuple[Difference, ...]) -> float:
    """Share of the variance that the spans have in common: all but the smoke's swirl."""
    shares = [
        1 - (span.one.swirl**2 + span.other.swirl**2) / max(span.difference.u**2, 1e-9)
        for span in spans
    ]
    return float(np.clip(min(shares), 0.0, 0.95))


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
    sure = "more than 99 %" if confidence > SURE_ENOUGH else f"{100 * confidence:.0f} %"
    return (
        f'"{names[1]}" smokes {verdict} than "{names[0]}": over the {span.name} it blocks '
        f"{_shown(span.second)}, against {span.first}; that is {size} {verdict}, confidence {sure}."
    )


def _alike(span: Difference, names: tuple[str, str]) -> str:
    return (
        f'No difference that matters between "{names[0]}" and "{names[1]}": {span.first} against '
        f"{span.second} over the {span.name}; a difference of {matters_pct(span):.0f} % opacity "
        "or more is ruled out, 95 % sure to either side."
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
