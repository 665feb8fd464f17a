"""The story of a clip in numbers: onset, peak, fall, settled level.

Visible means 5 % or more at the plume's 95th percentile.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label, uniform_filter1d

from smokecase.readings import SmokeTiming
from smokecase.trace import SmokeTrace

Floats = NDArray[np.float64]

PEAK_SMOOTH_S = 0.3
MOSTLY_BELOW = 0.7  # of what follows the first fall below half, if the smoke clears
SLOW_S = 1.5  # over which eddies and puffs even out: its mean falls as well where smoke clears
# smoke passes the section on its way out: a reading above that of clear air, for most of the next
# moments, is the sharpest sign of its beginning
RISE_SMOOTH_S, LEAST_RISE_PCT = 0.1, 2.0
RISE_SIGMAS, RISE_OVER_CLEAR = 4.0, 1.3  # scatter of clear air, and the most that it reads
LASTING_S, LASTING = 0.3, 0.6  # of the moments that follow, the share that must agree
FEWEST_CLEAR = 5  # frames
OVER_CLEAR = 1.5  # amount of smoke over the most that is seen where there is none
LEAST_AMOUNT = 0.05  # of the spell's usual amount: less, from first to last, is a speck


def tell_timing(
    time_s: Floats,
    opacity_pct: Floats,
    visible: NDArray[np.bool_],
    engine_start_s: float | None,
    clear_s: tuple[float, float] | None = None,
) -> SmokeTiming:
    """Tell the times of a clip's smoke.

    Parameters
    ----------
    time_s, opacity_pct : ndarray, shape (n,)
        The section's reading; NaN where not measurable.
    visible : ndarray of bool, shape (n,)
        Where the plume is visible.
    engine_start_s : float or None
        When the engine started, as far as the picture shows it. [s]
    clear_s : (float, float) or None
        A time known to be clear: what the section reads then is its noise. [s]

    Returns
    -------
    SmokeTiming
        None in every field that the clip does not give; puffs are told by `puffs.py`.
    """
    n = len(time_s)
    if n < 2:
        return SmokeTiming(engine_start_s=engine_start_s)
    span = np.gradient(time_s)
    lasting = _lasting(visible, time_s)
    onset = float(time_s[np.argmax(lasting)]) if lasting.any() else None
    if onset is not None and clear_s is not None:
        risen = _risen_s(time_s, opacity_pct, clear_s)
        onset = onset if risen is None else risen
    peak, peak_pct, half, tenth = _fall(time_s, opacity_pct) if onset is not None else (None,) * 4
    return SmokeTiming(
        engine_start_s=engine_start_s,
        onset_s=onset,
        peak_s=peak,
        peak_pct=peak_pct,
        half_fall_s=half,
        tenth_fall_s=tenth,
        settled_pct=_settled(time_s, opacity_pct, onset),
        visible_share=float(np.sum(span[visible]) / np.sum(span)),
        longest_visible_s=longest_spell_s(visible, time_s),
    )


def bounds_at_peak(timing: SmokeTiming, trace: SmokeTrace) -> SmokeTiming:
    """Give the peak its 95 % interval.

    From every frame around it, those among them whose own interval is too wide for an answer:
    what the narrow ones say would speak for the thinner moments. Errors of neighbours are not
    independent, so the interval is as wide as that of one frame.
    """
    if timing.peak_s is None or timing.peak_pct is None:
        return timing
    near = np.abs(trace.time_s - timing.peak_s) <= PEAK_SMOOTH_S / 2.0
    near &= np.isfinite(trace.opacity_pct)
    if not near.any():
        return timing
    below = float(np.mean((trace.opacity_low_pct - trace.opacity_pct)[near]))
    above = float(np.mean((trace.opacity_high_pct - trace.opacity_pct)[near]))
    low, high = timing.peak_pct + below, timing.peak_pct + above
    return replace(
        timing, peak_low_pct=low if np.isfinite(low) else None,
        peak_high_pct=high if np.isfinite(high) else None,
    )  # fmt: skip


def tell_smoke_from_specks(
    time_s: Floats, visible: NDArray[np.bool_], amount: Floats, clear_s: tuple[float, float] | None
) -> NDArray[np.bool_]:
    """Tell where the plume is really visible: leaves, snow and rain show specks all the time.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    visible : ndarray of bool, shape (n,)
        Where the picture alone shows a plume.
    amount : ndarray, shape (n,)
        How much of it there is, in any unit (opacity times area).
    clear_s : (float, float) or None
        A time known to be clear: what is seen then is no smoke. [s]

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    amount = np.nan_to_num(amount)
    clear = np.zeros(len(time_s), bool)
    if clear_s is not None:
        clear = (time_s >= clear_s[0]) & (time_s <= clear_s[1])
    most = float(amount[clear & visible].max(initial=0.0))
    smoke = visible & (amount > OVER_CLEAR * most)
    if not smoke.any():
        return smoke
    usual = float(np.percentile(amount[smoke], 90))
    spells, count = label(smoke)
    for k in range(1, count + 1):
        spell = spells == k
        if amount[spell].max() < LEAST_AMOUNT * usual:
            smoke[spell] = False
    return smoke


def _lasting(visible: NDArray[np.bool_], time_s: Floats) -> NDArray[np.bool_]:
    """Frames that are no single blink: the same holds for most of the next moments."""
    lasting = np.zeros(len(visible), bool)
    for i in np.nonzero(visible)[0]:
        ahead = (time_s >= time_s[i]) & (time_s <= time_s[i] + LASTING_S)
        lasting[i] = visible[ahead].mean() > LASTING
    return lasting


def _risen_s(time_s: Floats, opacity: Floats, clear_s: tuple[float, float]) -> float | None:
    """Time at which the section's reading rises for good over that of clear air, if it does."""
    even = _even(time_s, opacity, float(np.median(np.diff(time_s))))
    if even is None:
        return None
    grid, values = even
    step = float(grid[1] - grid[0])
    soft = uniform_filter1d(values, max(1, round(RISE_SMOOTH_S / step)), mode="nearest")
    clear = soft[(grid >= clear_s[0]) & (grid <= clear_s[1])]
    if len(clear) < FEWEST_CLEAR:
        return None
    usual = float(np.median(clear))
    scatter = 1.4826 * float(np.median(np.abs(clear - usual)))  # of a Gaussian
    most = RISE_OVER_CLEAR * (float(clear.max()) - usual)
    lasting = _lasting(soft - usual > max(LEAST_RISE_PCT, RISE_SIGMAS * scatter, most), grid)
    return float(grid[np.argmax(lasting)]) if lasting.any() else None


def _even(time_s: Floats, values: Floats, step_s: float) -> tuple[Floats, Floats] | None:
    known = np.isfinite(values)
    if known.sum() < 8:
        return None
    grid = np.arange(time_s[known][0], time_s[known][-1], step_s)
    return grid, np.interp(grid, time_s[known], values[known])


def _fall(
    time_s: Floats, opacity: Floats
) -> tuple[float | None, float | None, float | None, float | None]:
    step = float(np.median(np.diff(time_s)))
    even = _even(time_s, opacity, step)
    if even is None:
        return None, None, None, None
    grid, values = even
    soft = uniform_filter1d(values, max(1, round(PEAK_SMOOTH_S / step)), mode="nearest")
    top = int(np.argmax(soft))
    peak = float(soft[top])
    if peak < 2.0:  # the section is all but clear (a detached plume): no peak to tell of there
        return None, None, None, None

    slow = uniform_filter1d(values, max(1, round(SLOW_S / step)), mode="nearest")
    last = float(np.median(slow[-max(1, round(1.0 / step)) :]))

    def below(share: float) -> float | None:
        under = soft[top:] < share * peak
        first = int(np.argmax(under))
        # smoke that comes back is none that clears: its first gap is no fall
        clears = under[first:].mean() > MOSTLY_BELOW and last < share * slow.max()
        return float(grid[top + first] - grid[top]) if clears else None

    return float(grid[top]), peak, below(0.5), below(0.1)


def _settled(time_s: Floats, opacity: Floats, onset: float | None) -> float | None:
    if onset is None:
        return None
    late = time_s > onset + 0.8 * (time_s[-1] - onset)
    known = late & np.isfinite(opacity)
    return float(np.median(opacity[known])) if known.sum() >= 3 else None


def longest_spell_s(visible: NDArray[np.bool_], time_s: Floats) -> float:
    """Tell the length of the longest time without a gap, in seconds.

    Parameters
    ----------
    visible : ndarray of bool, shape (n,)
    time_s : ndarray, shape (n,)
    """
    longest, since = 0.0, None
    step = float(np.median(np.diff(time_s)))
    for seen, t in zip(visible, time_s, strict=True):
        if seen:
            since = t if since is None else since
            longest = max(longest, float(t - since + step))
        else:
            since = None
    return longest
