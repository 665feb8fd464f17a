"""The speed over time, and the idle that a speed still on its way would come to.

After the start a flare dies away, after a blip of the throttle the speed falls back. Where the
clip ends before that is over, the idle is what the fall tends to:

    speed(t) = idle + A exp(-(t - t0) / time constant)

with the time constant unknown, a speed that wanders, and a fall that is no perfect exponential.

Public: `SpeedCurve`, `follow_speed`, `Settling`, `find_settling`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from smokecase.sound.orders import Stretch, sharpen
from smokecase.sound.periods import HOP_S, RATE_HZ, Beats, BeatTrack
from smokecase.sound.running import Running, stretch_of

Floats = NDArray[np.float64]
FAMILY = (1.0, 1 / 3, 1 / 2, 2 / 3, 3 / 2, 2.0, 3.0)  # readings of one beat
OTHER_READING = 0.3  # price in log speed of another reading than the one that was followed
SLOWEST, FASTEST = 0.5, 7.0  # of the idle; common practice, no source
U_POINT = 0.006  # of one reading of the speed: windows of a quarter second see it blurred
# how an engine nears its idle; common practice, no source
TIME_CONSTANT_S, SPREAD = 0.7, 0.6  # median, and spread of its logarithm
WANDERS, WANDERS_S = (0.002, 0.005, 0.012), 0.5  # share of the speed, and for how long
NO_EXPONENTIAL = (0.01, 0.03, 0.1)  # of what is left of the fall
DEVIATES = np.linspace(-2.5, 2.5, 21)
FLARE, BLIP = 0.15, 2.0  # height over the idle beforehand, standard deviation as share of it
FALLS = 0.1  # a later part that falls by more is a return to the idle
FALL_BEGUN = 0.8  # of the fall still to come when it counts as an exponential
FEWEST = 8  # readings of the speed in a tail: half a second


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpeedCurve:
    """The beat over the whole running, every `HOP_S` where it is heard."""

    time_s: Floats  # (n,)
    beat_hz: Floats  # (n,) in the reading of the main stretch
    part: NDArray[np.int64]  # (n,) number of the unbroken part


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """The rate that the beat tends to. [1/s]."""

    beat_hz: float
    u_beat_hz: float
    low_hz: float  # 95 %
    high_hz: float


def follow_speed(
    beats: Beats,
    track: BeatTrack,
    parts: list[NDArray[np.int64]],
    main: tuple[Running, Stretch],
) -> SpeedCurve:
    """Follow the beat through all that belongs to the running engine.

    Parameters
    ----------
    beats, track
        As heard; the track with its flips undone.
    parts : list of ndarray
        Windows of unbroken strong beat, in order of time.
    main : Running and Stretch
        The spell whose reading counts, and its settled part.
    """
    spell, stretch = main
    idle = float(stretch.beat_hz.mean())
    times, rates, numbers = [], [], []
    for number, part in enumerate(parts):
        if part[-1] < spell.first:
            continue
        fine = sharpen(beats, stretch_of(track, part[0], part[-1], len(beats.pulse)))
        at = np.arange(part[0], part[-1] + 1)
        samples = np.rint(track.time_s[at] * RATE_HZ).astype(int) - fine.begin
        rate = fine.beat_hz[np.clip(samples, 0, len(fine.beat_hz) - 1)]
        inside = part[0] <= spell.steady_first <= part[-1]
        rate = rate * (1.0 if inside else _reading(rate, idle))
        if not inside and (rate.min() < SLOWEST * idle or rate.max() > FASTEST * idle):
            continue
        times.append(track.time_s[at])
        rates.append(rate)
        numbers.append(np.full(len(at), number))
    return SpeedCurve(
        time_s=np.concatenate(times),
        beat_hz=np.concatenate(rates),
        part=np.concatenate(numbers),
    )


def _reading(rate: Floats, idle: float) -> float:
    """Whole ratio by which a part was misread: it ends near the idle, and hardly below it."""
    end = float(np.median(rate[-4:]))
    prices = []
    for ratio in FAMILY:
        off = np.log(end * ratio / idle)
        prices.append((-3.0 * off if off < -0.05 else abs(off)) + OTHER_READING * (ratio != 1.0))
    return FAMILY[int(np.argmin(prices))]


def find_settling(curve: SpeedCurve, main_s: tuple[float, float]) -> Settling | None:
    """Find what the speed tends to, from the flare after the start and from later returns.

    Parameters
    ----------
    curve : SpeedCurve
    main_s : tuple of float
        Beginning and end of the stretch of nearly even speed. [s]

    Returns
    -------
    Settling or None
        None where what is heard tells the idle no better than to a third.
    """
    inside = (curve.time_s >= main_s[0]) & (curve.time_s <= main_s[1])
    time_s, rate = curve.time_s[inside], curve.beat_hz[inside]
    # a flare is round at its top: past that it falls as an exponential does
    top = int(rate.argmax()) + 2 if len(rate) and rate.argmax() < len(rate) / 2 else 0
    if len(rate) - top < FEWEST:
        return None
    tails = [(time_s[top:], rate[top:], FLARE)]
    for number in np.unique(curve.part):
        mine = (curve.part == number) & (curve.time_s > main_s[1])
        time_s, rate = curve.time_s[mine], curve.beat_hz[mine]
        if len(rate) < FEWEST or rate[-1] > (1 - FALLS) * rate.max():
            continue
        # the throttle shuts within some tenths of a second: the first of the fall is left out
        begun = np.flatnonzero(rate > rate[-1] + FALL_BEGUN * (rate.max() - rate[-1]))[-1] + 1
        if len(rate) - begun >= FEWEST:
            tails.append((time_s[begun:], rate[begun:], BLIP))
    lowest = min(float(np.median(rate[-4:])) for _, rate, _ in tails)
    idle = lowest * np.exp(np.linspace(np.log(0.65), np.log(1.35), 71))
    log_weight = np.zeros(len(idle))
    for time_s, rate, height in tails:
        log_weight += np.array([_log_evidence(time_s, rate, i, height) for i in idle])
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    if weight[0] + weight[-1] > 0.01:  # it reaches beyond what was looked at
        return None
    mean = float((weight * idle).sum())
    u = float(np.sqrt((weight * (idle - mean) ** 2).sum()))
    if u > mean / 6:
        return None
    low, high = np.interp([0.025, 0.975], np.cumsum(weight) - 0.5 * weight, idle)
    return Settling(beat_hz=mean, u_beat_hz=u, low_hz=float(low), high_hz=float(high))


def _log_evidence(time_s: Floats, rate: Floats, idle: float, height: float) -> float:
    """Log likelihood of a tail, with its height and time constant left open.

    How much the speed wanders, and how far the fall is from an exponential, is left open too: the
    tail itself tells.
    """
    apart = np.abs(time_s[:, np.newaxis] - time_s)
    left = np.abs(rate - idle)
    # what is rough from reading to reading is no fall
    rough = max(U_POINT * idle, 1.2 * float(np.median(np.abs(np.diff(rate, 2)))))
    known = rough**2 * np.exp(-((apart / (2 * HOP_S)) ** 2)) + (0.002 * idle) ** 2 * np.eye(
        len(rate)
    )
    slow, bend = np.exp(-apart / WANDERS_S), np.outer(left, left) * np.exp(-apart / 0.3)
    constants = TIME_CONSTANT_S * np.exp(SPREAD * DEVIATES)
    shapes = np.exp(-(time_s[:, np.newaxis] - time_s[0]) / constants)
    found = []
    for wander in WANDERS:
        for bent in NO_EXPONENTIAL:
            covariance = known + (wander * idle) ** 2 * slow + bent**2 * bend
            found.append(_of_covariance(covariance, rate - idle, shapes, height * idle))
    return float(np.logaddexp.reduce(found))


def _of_covariance(covariance: Floats, off: Floats, shapes: Floats, height: float) -> float:
    factor = cho_factor(covariance, lower=True)
    solved = cho_solve(factor, off)
    # the height has a normal prior of mean zero: it is integrated in closed form
    precision = (shapes * cho_solve(factor, shapes)).sum(axis=0) + height**-2
    pull = shapes.T @ solved
    each = 0.5 * pull**2 / precision - 0.5 * np.log(precision * height**2)
    prior = -0.5 * DEVIATES**2
    whole = np.logaddexp.reduce(each + prior) - np.logaddexp.reduce(prior)
    half_log_det = float(np.log(np.diag(factor[0])).sum())
    return float(whole) - 0.5 * float(off @ solved) - half_log_det
