"""Where a steady sound begins at one stroke: the starter, against what swells and ebbs.

A passing car, a gust and a phone's automatic gain change the loudness slowly, a starter within a
few hundredths of a second, in many bands at once, and it then sounds as it will until the engine
runs. So each moment is weighed by its step, what goes on at the same pace before and after taken
off, and by how much what follows sounds like the last of the starter.

Public: `weigh_onsets`.
"""

from itertools import product

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
# frames on either side, lowest bands left out (wind lies low), loudness that only rises or changes
SPANS, LEFT_OUT, RISES = (15, 25), (3, 8), (True, False)
GAP = 2  # frames that straddle the step itself
NARROW = 4  # frames in which a stroke is over
SEED = (22, 2)  # frames before running that are the starter, as far as known
SHORTEST, LONGEST = 10, 400  # frames of cranking
MOST = (3.0, 4.0)  # deviations of one band that count, rises and changes
STILL, UNLIKE = 0.05, 0.3  # variance that a band always has; likewise from starter to starter


def weigh_onsets(level: Floats, runs: int) -> Floats:
    """Weigh every frame before `runs` as the beginning of what is heard last before it.

    Parameters
    ----------
    level : ndarray, shape (n, bands)
        Natural logarithm of the power.
    runs : int
        Frame from which the engine runs.

    Returns
    -------
    ndarray, shape (runs - 2,)
        1 where every way of looking finds the strongest step. [0 to 1]
    """
    first, last = max(0, runs - SEED[0]), runs - SEED[1]
    total = np.zeros(last)
    for lowest, span in product(LEFT_OUT, SPANS):
        x = level[:last, lowest:]
        for rises in RISES:
            weight = _steps(x, level[first:last, lowest:], span, rises=rises)
            total += weight / max(float(weight.max()), 1e-9)
    return np.asarray(total / (len(LEFT_OUT) * len(SPANS) * len(RISES)), dtype=np.float64)


def _steps(x: Floats, seed: Floats, span: int, *, rises: bool) -> Floats:
    n = len(x)
    at = np.arange(n)
    sums = np.vstack([np.zeros(x.shape[1]), np.cumsum(x, axis=0)])
    squares = np.vstack([np.zeros(x.shape[1]), np.cumsum(x**2, axis=0)])

    def part(
        begin: NDArray[np.int64], frames: int = span
    ) -> tuple[Floats, Floats, NDArray[np.int64]]:
        a, b = np.clip(begin, 0, n), np.clip(begin + frames, 0, n)
        count = np.maximum(b - a, 1)[:, np.newaxis]
        mean = (sums[b] - sums[a]) / count
        return mean, np.maximum((squares[b] - squares[a]) / count - mean**2, 0.0), b - a

    before, u_before, long_before = part(at - GAP - span)
    after, u_after, long_after = part(at + GAP)
    earlier, _, has_earlier = part(at - GAP - 2 * span)
    later, _, has_later = part(at + GAP + span)
    # a drift that was there before and goes on after is no step
    came = np.where((has_earlier >= span // 2)[:, np.newaxis], before - earlier, 0.0)
    goes = np.where((has_later >= span // 2)[:, np.newaxis], later - after, 0.0)
    drift = np.where(came * goes > 0, np.sign(came) * np.minimum(np.abs(came), np.abs(goes)), 0.0)
    step = (after - before - drift) / np.sqrt(0.5 * (u_before + u_after) + STILL)
    if rises:
        height = np.clip(step, 0.0, MOST[0]).mean(axis=1)
    else:
        height = np.sqrt((np.minimum(np.abs(step), MOST[1]) ** 2).mean(axis=1))
    unlike = np.abs(after - seed.mean(axis=0)) / np.sqrt(seed.var(axis=0) + UNLIKE)
    fits = (long_before >= 0.6 * span) & (long_after >= span // 2)
    fits &= (at < n - SHORTEST) & (at > n - LONGEST)
    # the end of a swell differs over a long span and hardly within a few frames
    near = part(at + GAP, NARROW)[0] - part(at - GAP - NARROW, NARROW)[0]
    wide = after - before
    whole = np.maximum((wide**2).sum(axis=1), 1e-9)
    sharp = np.clip((near * wide).sum(axis=1) / whole, 0.0, 1.0)
    return np.where(fits, height * sharp * np.exp(-0.5 * unlike.mean(axis=1)), 0.0)
