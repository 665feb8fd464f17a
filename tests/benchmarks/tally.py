"""Pooled figures with bootstrap intervals: whole clips are drawn again, never frames."""

import math

import numpy as np

DRAWS = 2000
SEED = 7


def bootstrap(items, figure):
    """Figure over items and its 95 % interval over clips drawn with replacement.

    `figure` takes a list of items and gives a number (nan where it has none).
    """
    value = figure(items) if items else math.nan
    if len(items) < 3:
        return value, math.nan, math.nan
    rng = np.random.default_rng(SEED)
    drawn = [figure([items[i] for i in rng.integers(0, len(items), len(items))])
             for _ in range(DRAWS)]  # fmt: skip
    drawn = [x for x in drawn if math.isfinite(x)]
    if not drawn:
        return value, math.nan, math.nan
    return value, *(float(x) for x in np.percentile(drawn, [2.5, 97.5]))


def mean_of(name):
    """Mean over clips of one score."""

    def figure(scores):
        values = [s[name] for s in scores if s[name] is not None and math.isfinite(s[name])]
        return float(np.mean(values)) if values else math.nan

    return figure


def middle_of(name):
    """Median over clips of one score."""

    def figure(scores):
        values = [s[name] for s in scores if s[name] is not None and math.isfinite(s[name])]
        return float(np.median(values)) if values else math.nan

    return figure


def share_of_seconds(within_pct):
    """Share of one-second means whose error stays within a bound. [%]"""

    def figure(scores):
        errors = np.array([e for s in scores for e in s["seconds"]])
        return 100.0 * float(np.mean(np.abs(errors) <= within_pct)) if len(errors) else math.nan

    return figure


def unowned_seconds(beyond_pct):
    """Share of one-second means out by more than a bound while the interval denies it. [%]"""

    def figure(scores):
        bad = [abs(e) > beyond_pct and not o
               for s in scores for e, o in zip(s["seconds"], s["owned"], strict=True)]  # fmt: skip
        return 100.0 * float(np.mean(bad)) if bad else math.nan

    return figure


def ratio_of(part, whole):
    """Pooled share of frames. [%]"""

    def figure(scores):
        total = sum(s[whole] for s in scores)
        return 100.0 * sum(s[part] for s in scores) / total if total else math.nan

    return figure


def share_of(test):
    """Share of items for which the test holds. [%]"""

    def figure(items):
        return 100.0 * float(np.mean([bool(test(i)) for i in items])) if items else math.nan

    return figure


def calibration_error(pairs, bins=5):
    """Expected calibration error of (top weight, was right) pairs."""
    tops = np.array([p[0] for p in pairs])
    right = np.array([p[1] for p in pairs], float)
    edges = np.linspace(tops.min(), 1.0, bins + 1)
    which = np.clip(np.searchsorted(edges, tops, side="right") - 1, 0, bins - 1)
    return float(
        sum(abs(tops[which == b].mean() - right[which == b].mean()) * (which == b).mean()
            for b in range(bins) if (which == b).any())
    )  # fmt: skip
