"""Worth saving? What repair, another engine and driving on can be expected to cost, and how surely.

Prices are ranges, drawn evenly; faults are drawn from their weights. With them

    repair   = (cost still ahead for finding it) + sum of the repairs of all faults there
    replace  = another engine, fitted + the repairs that it does not cure
    drive on = chance that a fault ruins the engine within a year * what is lost then
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from smokecase.causes.knowledge import Floats, Knowledge
from smokecase.causes.search import Prices, Search
from smokecase.causes.weigh import Posterior
from smokecase.errors import AnswersError

DRAWS = 4000
MOST_MONEY = 1e12  # in any currency; beyond it stands a slip, and sums lose their cents
RARE = 0.1  # from this share of cases without any cost on, they are told apart
Range = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """The user's own prices, as ranges, in any one currency."""

    hour: Range = (50.0, 50.0)  # an hour of work
    currency: str = ""
    value: Range | None = None  # of car or machine when sound
    replacement: Range | None = None  # another engine, fitted
    repair: Mapping[str, Range] = field(default_factory=dict)  # by cause, all in


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to go on."""

    name: str  # repair, replace, drive_on
    words: str
    expected: float  # mean over all cases
    low: float  # 10 % of cases cost less
    high: float  # 10 % cost more
    nothing: float  # share of cases that cost nothing [0 to 1]
    otherwise: tuple[float, float]  # 10 % and 90 % of the cases that cost something


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """The ways compared."""

    ways: tuple[Way, ...]  # cheapest first
    currency: str
    dominant: str  # what the difference hangs on most, in words
    dominant_share: float  # of the spread of the comparison [0 to 1]
    break_even: float | None  # price of another engine at which both ways cost the same
    words: str
    forbidden: bool  # a stop sign stands against driving on


def read_costs(plain: Mapping[str, Any], knowledge: Knowledge, *, where: str = "") -> Costs:
    """Read costs from the table ``[costs]`` of an answers file: numbers or ``[from, to]``.

    Raises
    ------
    AnswersError
        If a name is not known or a range is none.
    """
    ranges: dict[str, Range] = {}
    for name, value in plain.items():
        if name in ("currency", "repair"):
            continue
        if name not in ("hour", "value", "replacement"):
            what = f'"{name}" is no cost'
            remedy = "use hour, currency, value, replacement, repair"
            raise AnswersError(what, where=where or "costs", remedy=remedy)
        ranges[name] = _range(name, value, where)
    repair = {}
    told = plain.get("repair", {})
    if not isinstance(told, dict):
        what = f"repair = {str(told)[:80]} is no table of prices by cause"
        raise AnswersError(what, where=where or "costs", remedy="write [costs.repair]")
    for name, value in told.items():
        if name not in knowledge.causes:
            what = f'the cost of "{name}" is given, which is no cause'
            raise AnswersError(
                what, where=where or "costs", remedy="see smokecase knowledge causes"
            )
        repair[name] = _range(name, value, where)
    return Costs(currency=str(plain.get("currency", "")), repair=repair, **ranges)


def _range(name: str, value: Any, where: str) -> Range:
    pair = value if isinstance(value, list) else [value, value]
    numbers = all(isinstance(x, (int, float)) and not isinstance(x, bool) for x in pair)
    if len(pair) != 2 or not numbers or not 0 <= pair[0] <= pair[1] <= MOST_MONEY:
        what = f"{name} = {str(value)[:80]} is no price"
        raise AnswersError(what, where=where or "costs", remedy="write a number or [from, to]")
    return float(pair[0]), float(pair[1])


def to_prices(costs: Costs) -> Prices:
    """Return what the search for the next check works with."""
    middle = {name: sum(pair) / 2 for name, pair in costs.repair.items()}
    hour = sum(costs.hour) / 2
    # danger, waiting and a wrong end grow with what an hour costs
    scale = hour / Prices().hour
    usual = Prices()
    return Prices(
        hour=hour,
        danger=tuple(scale * d for d in usual.danger),  # type: ignore[arg-type]
        wait_day=scale * usual.wait_day,
        left_alone=scale * usual.left_alone,
        specialist=scale * usual.specialist,
        causes=middle,
    )


def weigh_worth(
    posterior: Posterior,
    costs: Costs,
    *,
    forbidden: bool,
    rng: np.random.Generator | None = None,
) -> Worth:
    """Compare the ways to go on.

    Parameters
    ----------
    forbidden : bool
        A stop sign stands against running or driving it.
    """
    rng = np.random.default_rng(11) if rng is None else rng
    network = posterior.network
    search = Search.of(posterior, to_prices(costs))
    ahead = float(search.expected_cost(search.chance[None])[0])
    rows = rng.choice(len(posterior.chance), size=DRAWS, p=posterior.chance)
    there = network.member[rows]  # (draws, causes)
    repairs = _repair_prices(posterior, costs, rng)
    total = (there * repairs).sum(axis=1)
    draws = {"repair": ahead + total}
    if costs.replacement:
        stays = np.array([not c.with_engine for c in network.causes])
        engine = rng.uniform(*costs.replacement, DRAWS)
        draws["replace"] = engine + (there * repairs * stays).sum(axis=1)
    lost = _lost(costs, rng)
    if lost is not None:
        safe = np.prod(1 - there * np.array([c.ruin for c in network.causes]), axis=1)
        draws["drive_on"] = lost * (rng.random(DRAWS) > safe)
    words = {
        "repair": "repair step by step",
        "replace": "another engine",
        "drive_on": "drive on for a year",
    }
    ways = [_way(name, words[name], x) for name, x in draws.items()]
    ways.sort(key=lambda way: (forbidden and way.name == "drive_on", way.expected))
    compared = draws["repair"] - draws.get("replace", np.zeros(DRAWS))
    dominant, share = _dominant(posterior, there, compared, draws, costs)
    even = None
    if "replace" in draws and costs.replacement:
        even = float(
            draws["repair"].mean() - (draws["replace"].mean() - sum(costs.replacement) / 2)
        )
    return Worth(
        ways=tuple(ways), currency=costs.currency, dominant=dominant, dominant_share=share,
        break_even=even, words=_words(ways, costs, even, forbidden), forbidden=forbidden,
    )  # fmt: skip


def _way(name: str, words: str, cost: Floats) -> Way:
    some = cost[cost > 0]
    return Way(
        name=name, words=words, expected=float(cost.mean()),
        low=float(np.percentile(cost, 10)), high=float(np.percentile(cost, 90)),
        nothing=1 - some.size / cost.size,
        otherwise=(float(np.percentile(some, 10)), float(np.percentile(some, 90)))
        if some.size else (0.0, 0.0),
    )  # fmt: skip


def _spread(way: Way, unit: str) -> str:
    """Say how a cost spreads; a mean over many that pay nothing and few that pay much is no price.

    A range of eight in ten cases would leave the few out, and with them all that the mean is made
    of.
    """
    if way.nothing < RARE:
        return f"{way.expected:.0f}{unit} (8 of 10 cases {way.low:.0f} to {way.high:.0f})"
    if way.nothing == 1:
        return f"0{unit}, in every case reckoned with"
    few, low, high = 100 * (1 - way.nothing), *way.otherwise
    rarely = f"{few:.0f} of 100 cases" if few >= 1 else "less than 1 of 100 cases"
    return (
        f"{way.expected:.0f}{unit} on average, which is nobody's price: {rarely} cost {low:.0f} to "
        f"{high:.0f}{unit}, the others nothing"
    )


def _repair_prices(posterior: Posterior, costs: Costs, rng: np.random.Generator) -> Floats:
    """Draw the price of each repair: (draws, causes)."""
    hour = rng.uniform(*costs.hour, DRAWS)
    columns = []
    for cause in posterior.network.causes:
        if cause.name in costs.repair:
            columns.append(rng.uniform(*costs.repair[cause.name], DRAWS))
        else:
            work = rng.uniform(*cause.hours, DRAWS) * hour
            columns.append(work + rng.uniform(*cause.parts, DRAWS))
    return np.column_stack(columns)


def _lost(costs: Costs, rng: np.random.Generator) -> Floats | None:
    """Draw what a ruined engine costs: the car's value or another engine, if that is less."""
    prices = [rng.uniform(*pair, DRAWS) for pair in (costs.value, costs.replacement) if pair]
    return np.min(prices, axis=0) if prices else None


def _dominant(
    posterior: Posterior, there: Floats, compared: Floats, draws: Mapping[str, Floats], costs: Costs
) -> tuple[str, float]:
    """Find the unknown that explains most of the spread: correlation ratio squared."""
    spread = float(compared.var())
    best, share = "nothing: the ways differ little", 0.0
    if spread <= 0:
        return best, share
    for number, cause in enumerate(posterior.network.causes):
        present = there[:, number] > 0
        if 0 < present.sum() < len(present):
            means = np.where(present, compared[present].mean(), compared[~present].mean())
            part = float(means.var()) / spread
            if part > share:
                best, share = f"whether it is: {cause.title}", part
    if "replace" in draws and costs.replacement:
        width = costs.replacement[1] - costs.replacement[0]
        part = width**2 / 12 / spread  # variance of an even spread
        if part > share:
            best, share = "the price of another engine", part
    return best, min(share, 1.0)


def _words(ways: list[Way], costs: Costs, even: float | None, forbidden: bool) -> str:
    unit = f" {costs.currency}" if costs.currency else ""
    text = f"Cheapest to be expected: {ways[0].words}, about {_spread(ways[0], unit)}"
    if even is not None:
        text += f"; another engine pays below about {max(even, 0):.0f}{unit}, fitted"
    repair = next(w for w in ways if w.name == "repair")
    if costs.value and repair.expected > sum(costs.value) / 2:
        text += "; the repair is likely to cost more than the thing is worth"
    if forbidden:
        text += "; driving on is no choice while a stop sign stands"
    return text + "."
