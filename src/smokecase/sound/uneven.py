"""How evenly the cylinders fire, from the lines that keep step with the engine cycle.

Strengths a_0 .. a_(n-1) of n cylinders repeat every cycle. Line k of the cycle has the height
``H(k) |A(k mod n)|`` with A their discrete Fourier transform and H what the exhaust makes of one
pulse; H is taken from the firing harmonics on both sides. One cylinder weaker by the share w
gives ``|A(q)| / A(0) = w / (n - w)`` for every q; unlike banks or spacing raise only some q.

Public: `Evenness`, `measure_evenness`, `leave_twins_open`, `WEAK`.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smokecase.measured import COVERAGE, Measured
from smokecase.sound.locked import LockedLines
from smokecase.sound.speed import Reading

Floats = NDArray[np.float64]
Four = tuple[float, float, float, float]
WEAK = 0.33  # share that a weak cylinder lacks; common practice, no source
HEALTHY_SPREAD = 0.04  # of the deficit, by cylinders that differ a little and an H that does
PLAIN = 3.0  # uncertainties by which a firing harmonic must stand out to guide
U_GUIDE = 0.5  # of a line's share: H between two harmonics is known to a factor of about 1.6
BURSTS_HIDE = 6.0  # of the square: as if half of what a cylinder lacks did not show
U_COMMON = 0.15  # of the square: what all lines may be off together
TOO_WIDE = 0.3  # of the deficit: such an uncertainty tells neither


@dataclass(frozen=True, slots=True, kw_only=True)
class Evenness:
    """Uneven firing of one stretch."""

    uneven_firing: Measured | None = None  # energy off the firing harmonics over that at them [1]
    deficit: Measured | None = None  # share that one cylinder lacks, as if only one were weak
    weak_weight: float | None = None  # that one cylinder is weak [0 to 1]
    several: bool = False  # uneven, but not as one weak cylinder would be
    too_faint: bool = False  # the lines are too faint to tell
    too_short: bool = False  # too few cycles to tell what keeps step
    twin: bool = False  # two cylinders firing evenly, or one of two at twice the speed


def measure_evenness(
    pulse: LockedLines | None, swell: LockedLines | None, cylinders: int
) -> Evenness:
    """Measure uneven firing.

    Parameters
    ----------
    pulse, swell : LockedLines or None
        Of the low sound and of the envelope of the high sound.
    cylinders : int
        With one cylinder uneven firing is not defined; all fields are None.
    """
    if cylinders < 2:
        return Evenness()
    if pulse is None and swell is None:
        return Evenness(too_short=True)
    uneven = _energy_ratio(pulse, cylinders) if pulse else None
    low_sound = _one_weak(_classes(pulse, cylinders)) if pulse else None
    bursts = _one_weak(_classes(swell, cylinders)) if swell else None
    found = _fused(low_sound, bursts)
    if found is None:
        return Evenness(uneven_firing=uneven, too_faint=True)
    square, u_square, most, u_most = found
    low, value, high = (
        _deficit(square + by * u_square, cylinders) for by in (-COVERAGE, 0.0, COVERAGE)
    )
    deficit = Measured(value=value, u=(high - low) / (2 * COVERAGE), unit="", low=low, high=high)
    if deficit.u > TOO_WIDE:
        return Evenness(uneven_firing=uneven, deficit=deficit, too_faint=True)
    weight = _weight(deficit)
    return Evenness(
        uneven_firing=uneven,
        deficit=deficit,
        weak_weight=weight,
        several=weight < 0.5 and most - COVERAGE * u_most > _square(WEAK, cylinders),
    )


def leave_twins_open(evenness: Evenness, best: Reading, other: Reading | None) -> Evenness:
    """Accuse no cylinder of two where half the speed cannot be excluded.

    Two cylinders firing evenly sound as one of two does at twice the speed.
    """
    if other is None or best.cylinders != 2 or (evenness.weak_weight or 0.0) < 0.5:
        return evenness
    if abs(other.speed_per_min / best.speed_per_min - 0.5) > 0.03:
        return evenness
    return replace(evenness, weak_weight=None, several=False, twin=True)


def _weight(deficit: Measured) -> float:
    """Weight of "one cylinder lacks `WEAK` or more of its strength"."""
    if deficit.low is None or deficit.high is None:  # made above with both
        raise AssertionError
    off = deficit.value - WEAK
    side = deficit.value - deficit.low if off > 0 else deficit.high - deficit.value
    return 0.5 * math.erfc(-off / (math.sqrt(2) * math.hypot(HEALTHY_SPREAD, side / COVERAGE)))


def _energy_ratio(lines: LockedLines, cylinders: int) -> Measured | None:
    firing = lines.order % cylinders == 0
    at = float(lines.power[firing].sum())
    if not firing.any() or at <= PLAIN * float(np.hypot.reduce(lines.u_power[firing])):
        return None
    off = float(lines.power[~firing].sum())
    # the phone's roll-off and the exhaust weigh the orders unlike: a quarter of the value
    u = math.hypot(float(np.hypot.reduce(lines.u_power[~firing])) / at, 0.25 * off / at)
    return Measured(value=off / at, u=u, unit="")


def _classes(lines: LockedLines, cylinders: int) -> list[tuple[float, float]]:
    """Square of ``|A(q)| / A(0)`` with its uncertainty, for each q from 1 to half the cylinders."""
    k, power, u = lines.order, lines.power, lines.u_power
    guides = (k % cylinders == 0) & (power > PLAIN * u)
    if guides.sum() < 2:
        return []
    guide = np.exp(np.interp(k, k[guides], np.log(power[guides])))
    # between two guides only: below the first harmonic the exhaust's answer is anyone's guess
    inside = (np.min(np.abs(k[:, np.newaxis] - k[guides]), axis=1) < cylinders) & (
        k > k[guides].min()
    )
    found = []
    for q in range(1, cylinders // 2 + 1):
        mine = inside & ((k % cylinders == q) | (k % cylinders == cylinders - q))
        if mine.sum() < 2:
            continue
        # each line relative to its guide, so that one resonance does not speak for all
        part, chance = power[mine] / guide[mine], u[mine] / guide[mine]
        spread = np.hypot(chance, U_GUIDE * np.abs(part))
        weight = 1.0 / (spread**2 + 0.01**2)
        middle = float((weight * part).sum() / weight.sum())
        found.append((middle, float(np.hypot.reduce(weight * spread) / weight.sum())))
    return found


def _one_weak(classes: list[tuple[float, float]]) -> Four | None:
    """Square that all classes share, and the largest of any, each with its uncertainty.

    Unlike banks or spacing raise one class: the largest is left out where it stands out.
    """
    if not classes:
        return None
    in_turn = sorted(classes)
    most, u_most = in_turn[-1]
    square, u_square = _joined(in_turn)
    if len(in_turn) > 1:
        rest, u_rest = _joined(in_turn[:-1])
        if most - rest > 2.5 * math.hypot(u_most, u_rest):
            square, u_square = rest, u_rest
    return square, math.hypot(u_square, U_COMMON * square), most, u_most


def _fused(low_sound: Four | None, bursts: Four | None) -> Four | None:
    """Join both. Noise between the bursts fills the gap of a weak one: they show at least so much.

    What lies between the bursts' square and `BURSTS_HIDE` times that agrees with them.
    """
    if low_sound is None or bursts is None:
        return low_sound or bursts
    square, u, most, u_most = low_sound
    least, u_least = bursts[0], bursts[1]
    near = min(max(square, least), BURSTS_HIDE * max(least, 0.0))
    if near == square:
        return low_sound
    u_near = u_least if near == least else BURSTS_HIDE * u_least
    joined, u_joined = _joined([(square, u), (near, u_near)])
    return joined, max(u_joined, 0.5 * abs(square - near)), most, u_most


def _joined(values: list[tuple[float, float]]) -> tuple[float, float]:
    weight = np.array([1.0 / (u**2 + 0.002**2) for _, u in values])
    middle = float((weight * np.array([v for v, _ in values])).sum() / weight.sum())
    return middle, float(weight.sum() ** -0.5)


def _deficit(square: float, cylinders: int) -> float:
    rho = math.sqrt(max(square, 0.0))
    return min(1.5, cylinders * rho / (1.0 + rho))


def _square(deficit: float, cylinders: int) -> float:
    return (deficit / (cylinders - deficit)) ** 2
