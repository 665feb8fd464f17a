"""Every firing by itself: how strong each burst is, which are weak or missing, how it clatters.

The envelope of the high sound is cut at the turns of the engine into one piece per firing. Each
piece is held against the mean burst: its strength is how many mean bursts it is worth. Three bands
of pitch hear the same engine through noises of their own, so what they do not share is noise.

Public: `Firings`, `measure_firings`.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta, norm

from smokecase.measured import Measured
from smokecase.sound.locked import PER_CYCLE, cut_cycles
from smokecase.sound.orders import Stretch

Floats = NDArray[np.float64]
HALF = 0.5  # of the usual strength: a weaker firing is weak or missing; common practice, no source
NOISIEST = 0.22  # of one firing's strength: a missing one and a usual one lie 4.5 of it apart
FEWEST_CYCLES = 8
SUREST = 0.1  # uncertainty of a cylinder's strength up to which the pattern is shown
AGREES = 0.1  # of a cylinder's strength, by lines and by bursts
BURST, FULLEST = 0.3, 0.35  # bursts that fill more of the time run into one another
POINTS = 64  # of one firing


@dataclass(frozen=True, slots=True, kw_only=True)
class Firings:
    """What the single firings of a stretch gave; None where they are too faint."""

    weak_share: Measured | None = None  # of the firings with less than half the usual strength [%]
    strengths: tuple[float, ...] | None = None  # of each cylinder in firing order; 1 is usual
    u_strengths: tuple[float, ...] | None = None
    clatter: Measured | None = None  # highest band at its peak in the firing, over its mean [dB]


def measure_firings(
    bands: Floats,
    stretch: Stretch,
    cycles_per_beat: float,
    *,
    cylinders: int,
    deficit: Measured | None,
) -> Firings:
    """Measure every firing of a stretch.

    Parameters
    ----------
    bands : ndarray, shape (3, n)
        Envelopes of the high sound, lowest band first, each over its own mean, less 1.
    stretch : Stretch
        Sharpened.
    cycles_per_beat : float
        Engine cycles in one beat.
    cylinders : int
    deficit : Measured or None
        What one cylinder lacks by the lines that keep step with the cycle. Bursts that run into one
        another, or whose tops the microphone cut, show less of it: then they tell nothing here.
    """
    pieces = [_pieces(band, stretch, cycles_per_beat, cylinders) for band in bands]
    if len(pieces[0]) < FEWEST_CYCLES * cylinders:
        return Firings()
    clatter = _clatter(pieces[-1])
    if _filled(np.concatenate(pieces)) > FULLEST:
        return Firings(clatter=clatter)
    each = np.stack([_strengths(p) for p in pieces])
    noise = _noise(each)
    weight = 1.0 / noise**2
    strength = (weight[:, np.newaxis] * each).sum(axis=0) / weight.sum()
    strength = strength / max(float(np.median(strength)), 1e-3)
    if weight.sum() ** -0.5 > NOISIEST:
        return Firings(clatter=clatter)
    by_cylinder = strength[: len(strength) // cylinders * cylinders].reshape(-1, cylinders)
    middle, u = by_cylinder.mean(axis=0), by_cylinder.std(axis=0) / math.sqrt(len(by_cylinder))
    if cylinders > 1 and not _agrees(middle, float(u.max()), deficit):
        return Firings(clatter=clatter)
    share = _weak_share(strength, float(weight.sum() ** -0.5))
    if cylinders < 2 or u.max() > SUREST:
        return Firings(weak_share=share, clatter=clatter)
    turn = -int(middle.argmin())  # which cylinder is number 1 no sound tells: the weakest leads
    return Firings(
        weak_share=share, clatter=clatter,
        strengths=tuple(float(x) for x in np.roll(middle, turn)),
        u_strengths=tuple(float(x) for x in np.roll(u, turn)),
    )  # fmt: skip


def _pieces(band: Floats, stretch: Stretch, cycles_per_beat: float, cylinders: int) -> Floats:
    """One row of `POINTS` for each firing, the mean burst beginning with the row."""
    y = cut_cycles(band, stretch, cycles_per_beat).ravel()
    count = len(y) * cylinders // PER_CYCLE
    at = np.arange(count * POINTS) * (PER_CYCLE / cylinders / POINTS)
    rows = np.interp(at, np.arange(len(y)), y).reshape(count, POINTS)
    mean = rows.mean(axis=0)
    # the quietest eighth of the mean firing parts one burst from the next
    around = np.convolve(np.tile(mean, 3), np.ones(POINTS // 8), "same")[POINTS : 2 * POINTS]
    turned = np.roll(rows.ravel(), -int(around.argmin()))[: (count - 1) * POINTS]
    return np.asarray(turned, dtype=np.float64).reshape(-1, POINTS)


def _filled(rows: Floats) -> float:
    """Share of the firing's time in which the mean burst stands above `BURST` of its height."""
    mean = rows.mean(axis=0)
    quiet = float(np.sort(mean)[: POINTS // 8].mean())
    return float(np.mean(mean - quiet > BURST * (mean.max() - quiet)))


def _agrees(middle: Floats, u: float, deficit: Measured | None) -> bool:
    if deficit is None:
        return False
    weakest = int(middle.argmin())
    lacks = 1.0 - float(middle[weakest] / np.delete(middle, weakest).mean())
    return abs(lacks - deficit.value) < AGREES + 2.0 * math.hypot(u, deficit.u)


def _strengths(rows: Floats) -> Floats:
    mean = rows.mean(axis=0)
    quiet = float(np.sort(mean)[: POINTS // 8].mean())
    shape = mean - quiet
    return np.asarray((rows - quiet) @ shape / max(float(shape @ shape), 1e-12), dtype=np.float64)


def _noise(each: Floats) -> Floats:
    """Tell the noise in each band's strengths, a standard deviation, by what bands do not share."""
    covariance = np.cov(each)
    shared = np.array(
        [
            max(0.0, float(np.mean([covariance[i, j] for j in range(len(each)) if j != i])))
            for i in range(len(each))
        ]
    )
    noise = np.sqrt(np.maximum(np.diag(covariance) - shared, 0.05**2))
    return np.asarray(noise, dtype=np.float64)


def _weak_share(strength: Floats, noise: float) -> Measured:
    """Share below `HALF`, less what noise alone carries there, with its interval by chance."""
    n, count = len(strength), int((strength < HALF).sum())
    usual = strength[strength >= HALF]
    slip = float(norm.cdf((HALF - usual.mean()) / max(float(usual.std()), 1e-3)))
    share = max(count / n - slip, 0.0)
    # Jeffreys interval of a share; the slips are known to a factor of two
    low = float(beta.ppf(0.025, count + 0.5, n - count + 0.5)) - 2.0 * slip
    high = float(beta.ppf(0.975, count + 0.5, n - count + 0.5)) + slip * noise / NOISIEST
    low, high = min(max(low, 0.0), share), max(high, share)
    return Measured(
        value=100 * share, u=100 * (high - low) / 3.92, unit="%", low=100 * low, high=100 * high
    )


def _clatter(rows: Floats) -> Measured | None:
    """Peak of the mean firing over its mean level; blocks of firings tell how sure."""
    blocks = np.array_split(rows, 8)
    peak = int(rows.mean(axis=0).argmax())
    near = np.arange(peak - 2, peak + 3) % POINTS
    levels = np.array([1.0 + float(b.mean(axis=0)[near].mean()) for b in blocks])
    if levels.min() <= 0:
        return None
    db = 20 * np.log10(levels)
    # the place of the peak was chosen where chance lifts it most: half a decibel
    u = math.hypot(float(db.std()) / math.sqrt(len(db)), 0.5)
    return Measured(value=float(20 * np.log10(levels.mean())), u=u, unit="dB")
