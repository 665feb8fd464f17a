"""The start: when the starter turns, when the engine first fires, when it runs by itself.

Loudness in seven bands of pitch is compared with what the last moments before running sounded
like (the starter) and with what the rest before it sounded like (no starter). The starter's
spells are the likeliest path between the two; where it engages, the loudness makes a step.

Public: `Loudness`, `measure_loudness`, `Start`, `find_start`.
"""

import math
from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from smokecase.sound.onset import weigh_onsets

Floats = NDArray[np.float64]
EDGES_HZ = (20, 60, *(100 * 2 ** (np.arange(22) / 4.1)))  # quarter octaves up to 3.5 kHz
# ways of looking: how many bands are left out (wind and footsteps lie low, a starter's whine
# above), price of a change between starter and none in natural logarithms, running heard later
WAYS_BANDS, WAYS_PRICE, WAYS_LATER_S = (3, 6, 12), (3.0, 12.0), (-0.3, 0.0, 0.3)
LOOKED_BACK_S = 40.0
AGREE_S = 0.12
MOST_SURE = 3.0  # beyond it nothing is gained
VOTES = 0.5  # what all ways together weigh against the plainest step in loudness
NEAR_S = 0.3  # a rival so near is the same onset
PLAIN_STEP = 0.35  # of an earlier attempt's onset, of the plainest step
HEARD_LATE_S = 0.5  # where the plainest change since the onset lies so much sooner, it counts
U_RUNS_S = 0.15
HOP_S = 0.016
LATE_S = 0.06  # the first blows are half a beat apart and frames straddle them
SHORTEST_CRANK_S = 0.25
SHORTEST_PAUSE_S = 0.6  # between two attempts; one cylinder alone leaves gaps between compressions


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Loudness:
    """Logarithm of the power in each band over time."""

    time_s: Floats  # (n,)
    level: Floats  # (n, bands) natural logarithm, smoothed over 0.1 s


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """Times of one start. [s]."""

    cranks: tuple[tuple[float, float], ...]  # every spell of the starter, the last one catching
    first_firing_s: float
    runs_s: float
    u_runs_s: float
    agree: float  # how far this onset of the starter stands above its best rival [0 to 1]
    sure: float  # how far the starter's sound stands off from what was before, in deviations


def measure_loudness(samples: NDArray[np.float32], rate_hz: int) -> Loudness:
    """Loudness in bands; (n,) samples at `rate_hz`."""
    size, hop = round(0.064 * rate_hz), round(HOP_S * rate_hz)
    size = max(size, 256)
    rows = np.lib.stride_tricks.sliding_window_view(samples.astype(np.float64), size)[::hop]
    power = np.abs(np.fft.rfft(rows * np.hanning(size))) ** 2
    f = np.fft.rfftfreq(size, 1 / rate_hz)
    bands = [power[:, (f >= low) & (f < high)].sum(axis=1) for low, high in pairwise(EDGES_HZ)]
    column = np.stack(bands, axis=1)
    level = np.log(column + 1e-7 * column.mean(axis=0) + 1e-12)
    return Loudness(
        time_s=(np.arange(len(rows)) * hop + size / 2) / rate_hz,
        level=uniform_filter1d(level, 5, axis=0, mode="nearest"),
    )


def find_start(loudness: Loudness, heard_running_s: float) -> Start | None:
    """Find the start in many ways, and take what most of them agree on.

    The ways: more or fewer bands left out, changes at a low or a high price, running first heard
    0.3 s sooner or later. Each votes for where the starter engages, and the more the starter's
    sound stands off, the more its vote weighs; the step in loudness at each moment is added.

    Returns
    -------
    Start or None
        None where no way finds one.
    """
    ways = [
        _one_way(loudness, heard_running_s + later_s, bands=bands, price=price)
        for bands, price, later_s in product(WAYS_BANDS, WAYS_PRICE, WAYS_LATER_S)
    ]
    found = [w for w in ways if w is not None]
    if not found:
        return None
    runs_s = float(np.median([w.runs_s for w in found]))
    steps = weigh_onsets(loudness.level, int(np.searchsorted(loudness.time_s, runs_s)))
    time_s = loudness.time_s[: len(steps)]
    weight = steps + VOTES * _votes(time_s, found, len(ways) - len(found))
    best = int(weight.argmax())
    begin_s = float(time_s[best])
    nearest = min(found, key=lambda w: (abs(w.cranks[-1][0] - begin_s) > AGREE_S,
                                        abs(w.runs_s - runs_s)))  # fmt: skip
    earlier = [
        (a, b) for a, b in nearest.cranks[:-1]
        if b < begin_s - SHORTEST_PAUSE_S and steps[np.abs(time_s - a) < AGREE_S].max() > PLAIN_STEP
    ]  # fmt: skip
    # an earlier attempt begins as this one does, and is no rival
    onsets = np.array([begin_s, *(a for a, _ in earlier)])
    rivals = weight[np.abs(time_s[:, np.newaxis] - onsets).min(axis=1) > NEAR_S]
    change = _change(loudness, begin_s + SHORTEST_CRANK_S, heard_running_s + 0.5)
    if change is not None and runs_s - (float(loudness.time_s[change]) - LATE_S) > HEARD_LATE_S:
        runs_s = float(loudness.time_s[change]) - LATE_S
    return replace(
        nearest,
        cranks=(*earlier, (begin_s, runs_s)),
        first_firing_s=min(max(nearest.first_firing_s, begin_s), runs_s),
        runs_s=runs_s,
        u_runs_s=math.hypot(U_RUNS_S, float(np.std([w.runs_s for w in found]))),
        agree=float(weight[best] - rivals.max(initial=0.0)) / (1.0 + VOTES),
    )


def _votes(time_s: Floats, found: list[Start], finding_none: int) -> Floats:
    """Share of the ways that find the starter engage about each moment."""
    votes, total = np.zeros(len(time_s)), float(finding_none)
    for way in found:
        vote = min(way.sure, MOST_SURE)
        votes += max(vote, 0.0) * np.exp(
            -0.5 * ((time_s - way.cranks[-1][0]) / (0.5 * AGREE_S)) ** 2
        )
        total += max(vote, 1.0)
    return votes / total


def _one_way(
    loudness: Loudness, heard_running_s: float, *, bands: int, price: float
) -> Start | None:
    """Find the start before the engine was first heard running.

    Parameters
    ----------
    loudness : Loudness
    heard_running_s : float
        Where the beat of running was first strong; half a second of doubt is allowed. [s]
    bands : int
        How many of the lowest are left out.
    price : float
        Of a change between starter and none.

    Returns
    -------
    Start or None
        None where nothing changes before: it ran already, or too little was recorded.
    """
    time_s, level = loudness.time_s, loudness.level
    runs = _change(loudness, heard_running_s - 1.1, heard_running_s + 0.5)
    if runs is None or runs < 20:
        return None
    last = slice(max(0, runs - 22), max(1, runs - 2))
    # what was long before says little, and costs time
    far = max(0, runs - round(LOOKED_BACK_S / HOP_S))
    before = level[far : runs - 2, bands:]
    path, sure = _starter_path(before, np.arange(last.start, last.stop) - far, price=price)
    if path is None:
        return None
    path = np.concatenate([np.zeros(far, dtype=bool), path])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], path.astype(int), [0]])))
    spells: list[tuple[int, int]] = []
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if spells and (a - spells[-1][1]) * HOP_S < SHORTEST_PAUSE_S:
            spells[-1] = (spells[-1][0], b)
        else:
            spells.append((a, b))
    spells = [s for s in spells if (s[1] - s[0]) * HOP_S >= SHORTEST_CRANK_S or s[1] == len(path)]
    if not spells or spells[-1][1] < len(path) - 15:
        return None
    begin = spells[-1][0]
    if begin == far:  # it was cranking already when the clip began
        sure = 0.0
    firing = _first_burst(level, begin, runs)
    cranks = tuple((float(time_s[a]), float(time_s[min(b, runs)])) for a, b in spells[:-1])
    runs_s = float(time_s[runs]) - LATE_S
    return Start(
        cranks=(*cranks, (float(time_s[begin]), runs_s)),
        first_firing_s=min(float(time_s[firing]), runs_s),
        runs_s=runs_s,
        u_runs_s=U_RUNS_S,
        agree=0.0,
        sure=sure,
    )


def _change(loudness: Loudness, from_s: float, to_s: float) -> int | None:
    """Find the one frame that best parts a stretch into two even halves."""
    time_s = loudness.time_s
    i = np.flatnonzero((time_s >= from_s) & (time_s <= to_s))
    if len(i) < 24:
        return None
    part = loudness.level[i]
    n = len(part)
    sums, squares = np.cumsum(part, axis=0), np.cumsum(part**2, axis=0)
    best, where = np.inf, None
    for k in range(10, n - 10):
        left = squares[k - 1] / k - (sums[k - 1] / k) ** 2
        right = (squares[-1] - squares[k - 1]) / (n - k) - ((sums[-1] - sums[k - 1]) / (n - k)) ** 2
        cost = k * np.log(left + 0.05).sum() + (n - k) * np.log(right + 0.05).sum()
        if cost < best:
            best, where = cost, k
    return int(i[where]) if where is not None else None


def _starter_path(
    before: Floats, seed: NDArray[np.int64], *, price: float
) -> tuple[NDArray[np.bool_] | None, float]:
    """Label frames as starter or not, beginning from `seed`; None where all are alike."""
    starter = np.zeros(len(before), dtype=bool)
    starter[seed] = True
    off = ((before - before[seed].mean(axis=0)) ** 2 / (before[seed].var(axis=0) + 0.1)).sum(axis=1)
    other = np.zeros(len(before), dtype=bool)
    other[np.argsort(off)[-max(12, len(before) // 4) :]] = True
    other &= ~starter
    if other.sum() < 8:
        return None, 0.0
    for _ in range(6):
        if starter.sum() < 8 or other.sum() < 8:
            break
        ratio = _log_density(before, before[starter]) - _log_density(before, before[other])
        # bands are not independent witnesses, and frames overlap
        path = _two_state(np.clip(ratio * 0.12, -3, 3), price=price)
        if (path == starter).all():
            break
        starter, other = path, ~path
    if starter.sum() < 8 or other.sum() < 8:
        return np.ones(len(before), dtype=bool), 0.0
    a, b = before[starter], before[other]
    apart = (a.mean(axis=0) - b.mean(axis=0)) / np.sqrt(a.var(axis=0) + b.var(axis=0) + 0.05)
    louder = np.sort(apart)[-3:].mean()
    return starter, float(louder)


def _log_density(x: Floats, like: Floats) -> Floats:
    variance = like.var(axis=0) + 0.1
    d = -0.5 * ((x - like.mean(axis=0)) ** 2 / variance + np.log(variance))
    return np.asarray(d.sum(axis=1), dtype=np.float64)


def _two_state(ratio: Floats, *, price: float) -> NDArray[np.bool_]:
    """Likeliest path of two states with a price for every change."""
    n = len(ratio)
    came = np.zeros((n, 2), dtype=np.int8)
    value = np.zeros(2)
    for i in range(n):
        gain = np.array([0.0, ratio[i]])
        stay, move = value, value[::-1] - price
        came[i] = move > stay
        value = np.maximum(stay, move) + gain
    path = np.zeros(n, dtype=bool)
    state = int(value.argmax())
    for i in range(n - 1, -1, -1):
        path[i] = bool(state)
        state = state ^ int(came[i, state])
    return path


def _first_burst(level: Floats, begin: int, runs: int) -> int:
    """First frame whose low bands stand out from the starter's own labouring."""
    own = level[begin + 3 : begin + max(12, int(0.6 * (runs - begin))), :3]
    if len(own) < 8:
        return runs
    bound = own.mean(axis=0) + 4.0 * own.std(axis=0) + 0.3
    out = np.flatnonzero(((level[begin + 8 : runs, :3] > bound).sum(axis=1)) >= 2)
    return int(begin + 8 + out[0]) if len(out) else runs
