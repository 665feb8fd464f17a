"""The story of a clip in numbers: onset, peak, fall, settled level, puffs.

Visible means 5 % or more at the plume's 95th percentile.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from smokecase.readings import SmokeTiming

Floats = NDArray[np.float64]

PEAK_SMOOTH_S = 0.3
FEWEST_PUFF_S = 2.0
PUFF_BAND_HZ = (2.0, 12.0)  # one cylinder of a four-stroke at 240 to 1440 rpm: rpm / 120
PUFF_SNR = 8.0  # peak of the spectrum over its neighbourhood before a rate is claimed
PUFF_AMPLITUDE_PCT = 1.0


def tell_timing(
    time_s: Floats,
    opacity_pct: Floats,
    visible: NDArray[np.bool_],
    engine_start_s: float | None,
    puff_signals: list[Floats],
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
    puff_signals : list of ndarray, shape (n,)
        Signals in which puffs may show (section, a ring further out). [%]

    Returns
    -------
    SmokeTiming
        None in every field that the clip does not give.
    """
    n = len(time_s)
    if n < 2:
        return SmokeTiming(engine_start_s=engine_start_s)
    span = np.gradient(time_s)
    lasting = _lasting(visible, time_s)
    onset = float(time_s[np.argmax(lasting)]) if lasting.any() else None
    peak, peak_pct, half, tenth = _fall(time_s, opacity_pct) if onset is not None else (None,) * 4
    puff, u_puff = _puffs(time_s, puff_signals, onset)
    return SmokeTiming(
        engine_start_s=engine_start_s,
        onset_s=onset,
        peak_s=peak,
        peak_pct=peak_pct,
        half_fall_s=half,
        tenth_fall_s=tenth,
        settled_pct=_settled(time_s, opacity_pct, onset),
        visible_share=float(np.sum(span[visible]) / np.sum(span)),
        longest_visible_s=_longest(visible, time_s),
        puff_hz=puff,
        u_puff_hz=u_puff,
    )


def _lasting(visible: NDArray[np.bool_], time_s: Floats) -> NDArray[np.bool_]:
    """Visible frames that are no single blink: still visible in most of the next 0.3 s."""
    lasting = np.zeros(len(visible), bool)
    for i in np.nonzero(visible)[0]:
        ahead = (time_s >= time_s[i]) & (time_s <= time_s[i] + 0.3)
        lasting[i] = visible[ahead].mean() > 0.6
    return lasting


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
    soft = gaussian_filter1d(values, PEAK_SMOOTH_S / step / 2.355)
    top = int(np.argmax(soft))
    peak = float(soft[top])
    if peak < 2.0:  # the section is all but clear (a detached plume): no peak to tell of there
        return None, None, None, None

    def below(share: float) -> float | None:
        under = soft[top:] < share * peak
        # it must stay down: a gap between puffs is no fall
        for i in np.nonzero(under)[0]:
            rest = under[i : i + max(1, round(0.5 / step))]
            if rest.mean() > 0.8:
                return float(grid[top + i] - grid[top])
        return None

    return float(grid[top]), peak, below(0.5), below(0.1)


def _settled(time_s: Floats, opacity: Floats, onset: float | None) -> float | None:
    if onset is None:
        return None
    late = time_s > onset + 0.8 * (time_s[-1] - onset)
    known = late & np.isfinite(opacity)
    return float(np.median(opacity[known])) if known.sum() >= 3 else None


def _longest(visible: NDArray[np.bool_], time_s: Floats) -> float:
    longest, since = 0.0, None
    step = float(np.median(np.diff(time_s)))
    for seen, t in zip(visible, time_s, strict=True):
        if seen:
            since = t if since is None else since
            longest = max(longest, float(t - since + step))
        else:
            since = None
    return longest


def _puffs(
    time_s: Floats, signals: list[Floats], onset: float | None
) -> tuple[float | None, float | None]:
    """Puff rate and its standard uncertainty, where a line stands clearly above the rest."""
    if onset is None:
        return None, None
    best: tuple[float, float, float] | None = None
    step = float(np.median(np.diff(time_s)))
    for signal in signals:
        part = np.where(time_s >= onset + 0.3, signal, np.nan)
        even = _even(time_s, part, step)
        if even is None or even[0][-1] - even[0][0] < FEWEST_PUFF_S:
            continue
        values = even[1] - gaussian_filter1d(even[1], 0.35 / step)
        window = np.hanning(len(values))
        spectrum = np.abs(np.fft.rfft(values * window, 8 * len(values))) ** 2
        hz = np.fft.rfftfreq(8 * len(values), step)
        band = (hz >= PUFF_BAND_HZ[0]) & (hz <= min(PUFF_BAND_HZ[1], 0.45 / step))
        if band.sum() < 16:
            continue
        # turbulence falls off with frequency: a line is judged against its own neighbourhood
        line = int(np.argmax(np.where(band, spectrum * hz, 0.0)))
        near = band & (np.abs(hz - hz[line]) < 2.0) & (np.abs(hz - hz[line]) > 0.5)
        floor = float(np.median(spectrum[near])) / np.log(2) if near.sum() > 4 else np.inf
        ratio = float(spectrum[line] / max(floor, 1e-12))
        amplitude = 2.0 * float(np.sqrt(spectrum[line])) / float(window.sum())
        if amplitude > PUFF_AMPLITUDE_PCT and (best is None or ratio > best[0]):
            seconds = float(even[0][-1] - even[0][0])
            best = (ratio, float(hz[line]), 0.55 / seconds / np.sqrt(max(ratio, 1.0) / 10.0))
    if best is None or best[0] < PUFF_SNR * 2.5:
        return None, None
    return best[1], max(best[2], 0.02)
