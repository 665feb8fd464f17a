"""How evenly the cylinders fire, from the orders of the engine cycle.

Strengths a_0 .. a_(n-1) of n cylinders repeat every cycle. Line k of the cycle has the height
``H(k) |A(k mod n)|`` with A their discrete Fourier transform and H what the exhaust makes of one
pulse; H is taken from the firing harmonics on both sides. One cylinder weaker by the share w
gives ``|A(q)| / A(0) = w / (n - w)`` for every q; unlike banks or spacing raise only some q.

Public: `Evenness`, `measure_evenness`, `accuse_surely`.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smokecase.measured import COVERAGE, Measured
from smokecase.sound.orders import OrderSpectrum
from smokecase.sound.speed import lines_at

Floats = NDArray[np.float64]
WEAK = 0.33
PLAIN_FIT, FAR_OFF = 40.0, 3.0  # set on invented engines with tunes and hum over them
LOWEST_SNR = 3.0  # power of a firing harmonic over the floor from which it can guide


@dataclass(frozen=True, slots=True, kw_only=True)
class Evenness:
    """Uneven firing of one stretch."""

    uneven_firing: Measured | None  # energy off the firing harmonics over energy at them [1]
    deficit: Measured | None  # share that one cylinder lacks, as if only one were weak [0 to 1]
    weak_weight: float | None  # that one cylinder is weak
    several: bool  # uneven, but not as one weak cylinder would be
    too_faint: bool = False  # it looks like one weak cylinder, but the lines are too faint


def measure_evenness(
    pulse: OrderSpectrum, swell: OrderSpectrum, *, ratio: float, cylinders: int
) -> Evenness:
    """Measure uneven firing.

    Parameters
    ----------
    pulse, swell : OrderSpectrum
        Of the low sound and of the envelope of the high sound; order 1 is the beat.
    ratio : float
        Firing frequency over beat.
    cylinders : int
        With one cylinder uneven firing is not defined; all fields are None.
    """
    if cylinders < 2:
        return Evenness(uneven_firing=None, deficit=None, weak_weight=None, several=False)
    uneven = _energy_ratio(pulse, ratio, cylinders)
    both = [p for p in (_profile(s, ratio, cylinders) for s in (pulse, swell)) if p]
    if not both:
        return Evenness(uneven_firing=uneven, deficit=None, weak_weight=None, several=False)
    # squares are averaged, as noise may carry them below zero; the root comes last
    weights = np.array([1.0 / p[1] ** 2 for p in both])
    square = float((weights * np.array([p[0] for p in both])).sum() / weights.sum())
    u_square = float(weights.sum() ** -0.5)
    low, value, high = (
        _deficit(square + by * u_square, cylinders) for by in (-COVERAGE, 0.0, COVERAGE)
    )
    most = _deficit(max(p[2] for p in both), cylinders)
    deficit = Measured(value=value, u=(high - low) / (2 * COVERAGE), unit="", low=low, high=high)
    return Evenness(
        uneven_firing=uneven,
        deficit=deficit,
        weak_weight=_weight(deficit),
        several=most > 0.5 and value < 0.4 * most,
    )


def accuse_surely(evenness: Evenness, fit: float) -> Evenness:
    """Leave open whether a cylinder is weak where the engine's lines are faint.

    A tune or hum over faint lines raises some of them as a weak cylinder would; then only what
    lies `FAR_OFF` uncertainties beyond `WEAK` is said.

    Parameters
    ----------
    evenness : Evenness
        As measured.
    fit : float
        Log likelihood of the lines at the best reading of the speed.
    """
    found, deficit = evenness.weak_weight, evenness.deficit
    if found is None or deficit is None or found < 0.5 or fit > PLAIN_FIT:
        return evenness
    if deficit.value - WEAK > FAR_OFF * deficit.u:
        return evenness
    return replace(evenness, weak_weight=None, several=False, too_faint=True)


def _weight(deficit: Measured) -> float:
    """Weight of "one cylinder is weak": healthy engines spread by a few percent per cylinder.

    A cylinder that lacks `WEAK` of its strength counts as weak; common practice, no source.
    """
    # a short or noisy sound must lie further off before it accuses a cylinder
    off = deficit.value - WEAK - 0.5 * deficit.u
    return float(1.0 / (1.0 + np.exp(-off / np.hypot(0.04, 0.4 * deficit.u))))


def _lines(
    spectrum: OrderSpectrum, ratio: float, cylinders: int
) -> tuple[NDArray[np.int64], Floats, Floats]:
    finest = ratio / cylinders
    k = np.arange(1, int(spectrum.order[-2] / finest) + 1)
    lines = lines_at(spectrum, np.asarray(k * finest, dtype=np.float64), apart=finest)
    return k, lines.power, lines.floor


def _energy_ratio(spectrum: OrderSpectrum, ratio: float, cylinders: int) -> Measured | None:
    k, power, floor = _lines(spectrum, ratio, cylinders)
    firing = k % cylinders == 0
    if not firing.any() or firing.all():
        return None
    net = power - floor
    at, off = float(net[firing].sum()), float(net[~firing].sum())
    if at <= 0:
        return None
    noise = floor / np.sqrt(spectrum.windows)
    u_off = float(np.sqrt((noise[~firing] ** 2).sum()))
    value = off / at
    u = float(np.hypot(u_off / at, 0.25 * abs(value)))
    return Measured(value=value, u=u, unit="")


def _profile(
    spectrum: OrderSpectrum, ratio: float, cylinders: int
) -> tuple[float, float, float] | None:
    """Square of ``|A(q)| / A(0)`` over most classes q, its uncertainty, and the largest of any."""
    k, power, floor = _lines(spectrum, ratio, cylinders)
    firing = k % cylinders == 0
    strong = firing & (power > LOWEST_SNR * floor)
    if strong.sum() < 2:
        return None
    level = np.interp(k, k[strong], np.log(power[strong] - floor[strong]))
    # between two guides only: below the first harmonic the exhaust's answer is anyone's guess
    near = (np.min(np.abs(k[:, np.newaxis] - k[strong]), axis=1) < cylinders) & (
        k > k[strong].min()
    )
    guide = np.exp(level)
    usable = near & ~firing & (guide > LOWEST_SNR * floor)
    per_class, noises = [], []
    for q in range(1, cylinders // 2 + 1):
        mine = usable & ((k % cylinders == q) | (k % cylinders == cylinders - q))
        if mine.sum() < 2:
            continue
        # each line relative to its guide, so that one resonance does not speak for all
        part = (power[mine] - floor[mine]) / guide[mine]
        noise = floor[mine] / guide[mine] / np.sqrt(spectrum.windows)
        weight = 1.0 / (noise + 0.02)
        middle = float((weight * np.clip(part, -1, 2)).sum() / weight.sum())
        per_class.append(middle)
        noises.append(float(np.sqrt(((weight * noise) ** 2).sum()) / weight.sum()))
    if not per_class:
        return None
    # unlike banks or spacing raise one class: leave the largest out where there are several
    order = np.argsort(per_class)
    kept = order[: max(1, len(order) - 1)]
    square = float(np.mean(np.array(per_class)[kept]))
    u_square = float(np.sqrt(np.sum(np.array(noises)[kept] ** 2)) / len(kept)) + 0.1 * abs(square)
    return square, u_square + 0.003, max(per_class)


def _deficit(square: float, cylinders: int) -> float:
    rho = float(np.sqrt(max(square, 0.0)))
    return min(1.5, cylinders * rho / (1.0 + rho))
