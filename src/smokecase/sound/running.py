"""Where in the sound an engine runs, and why nothing else was taken for one.

An engine's beat stays strong, changes smoothly and does not leap. Voices glide and break off
with every syllable, tunes leap from note to note, mains hum stands dead still.

Public: `Running`, `Found`, `find_running`, `as_stretch`, `stretch_of`, `stands_still`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.signal import savgol_filter

from smokecase.sound.orders import Stretch
from smokecase.sound.periods import HOP_S, RATE_HZ, BeatTrack

Floats = NDArray[np.float64]
STRONG = 1.2  # noise alone reaches 0.9 on the best path (tests/sound)
LEAP = 0.105  # change of log beat from window to window that no engine makes
FAMILY = (1 / 3, 1 / 2, 2 / 3, 3 / 2, 2.0, 3.0)  # flips between readings of one beat
SHORTEST_S = 0.9  # steady running needed for any figure
SETTLES_S = 2.0  # after the first strong beat the run-up and its flare are over, mostly
ROUGHEST = 0.02  # of the log beat about its own smooth curve; voices have 0.03 and more


@dataclass(frozen=True, slots=True, kw_only=True)
class Running:
    """A spell in which an engine was heard."""

    first: int  # windows of the beat track
    last: int  # inclusive
    steady_first: int  # the part of even speed in it
    steady_last: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """Where an engine was heard."""

    spells: list[Running]  # in order of time; empty where no engine can be told
    parts: list[NDArray[np.int64]]  # windows of unbroken strong beat, even or not
    track: BeatTrack  # with flips between readings of one beat undone
    # what the sound is instead, in words; with spells, empty or "what repeats leaps, like a tune or
    # a voice", which only strong lines outweigh
    why_not: str


def find_running(track: BeatTrack) -> Found:
    """Find the spells of running."""
    log_beat = np.log(track.beat_hz)
    strength = median_filter(track.strength, 5, mode="nearest")
    strong = strength > STRONG
    parts = _unbroken(log_beat, strong)
    parts = _joined(parts, log_beat)
    mended = BeatTrack(
        time_s=track.time_s, beat_hz=np.exp(log_beat), strength=track.strength,
        scatter=track.scatter,
    )  # fmt: skip
    if not parts:
        return Found(spells=[], parts=[], track=mended, why_not="nothing repeats as firing does")
    spells, reasons = [], set()
    for part in parts:
        spell, reason = _judge(part, log_beat)
        if spell:
            spells.append(spell)
        else:
            reasons.add((len(part), reason))
    if spells:
        longest = max(spells, key=lambda s: s.steady_last - s.steady_first)
        spells = [s for s in spells if _same_engine(s, longest, log_beat)]
        tuneful = _tuneful(longest, parts, log_beat)
        why = "what repeats leaps, like a tune or a voice" if tuneful else ""
        return Found(spells=spells, parts=parts, track=mended, why_not=why)
    return Found(spells=[], parts=parts, track=mended, why_not=max(reasons)[1])


def _unbroken(log_beat: Floats, strong: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Strong windows without a leap; flips within the family are undone in place."""
    family = np.log(np.array(FAMILY))
    parts: list[list[int]] = []
    for i in np.flatnonzero(strong):
        if parts and i - parts[-1][-1] <= 4:
            before = float(np.median(log_beat[parts[-1][-5:]]))
            step = log_beat[i] - before
            off = np.abs(step - family)
            if abs(step) > LEAP and off.min() < 0.03 and len(parts[-1]) > 12:
                log_beat[i] -= family[off.argmin()]
                step = log_beat[i] - before
            if abs(log_beat[i] - log_beat[parts[-1][-1]]) <= LEAP * (i - parts[-1][-1]):
                parts[-1].append(int(i))
                continue
        parts.append([int(i)])
    return [np.array(p) for p in parts if len(p) >= 8]


def _joined(parts: list[NDArray[np.int64]], log_beat: Floats) -> list[NDArray[np.int64]]:
    """Join neighbours whose beats are one, or of one family, over a gap under a second."""
    family = np.concatenate([[0.0], np.log(np.array(FAMILY))])
    out: list[NDArray[np.int64]] = []
    for part in parts:
        if out and (part[0] - out[-1][-1]) * HOP_S < 1.0:
            step = float(np.median(log_beat[part[:10]]) - np.median(log_beat[out[-1][-10:]]))
            off = np.abs(step - family)
            if off.min() < 0.05:
                if len(part) > len(out[-1]):
                    log_beat[out[-1]] += family[off.argmin()]
                else:
                    log_beat[part] -= family[off.argmin()]
                out[-1] = np.concatenate([out[-1], part])
                continue
        out.append(part)
    return out


def _judge(part: NDArray[np.int64], log_beat: Floats) -> tuple[Running | None, str]:
    if len(part) * HOP_S < SHORTEST_S:
        return None, "what repeats breaks off at once, as speech does"
    values = np.interp(np.arange(part[0], part[-1] + 1), part, log_beat[part])
    smooth = savgol_filter(values, min(11, len(values) // 2 * 2 - 1), 2)
    steady = _steadiest(smooth)
    if (steady[1] - steady[0] + 1) * HOP_S < SHORTEST_S:
        return None, "what repeats breaks off at once, as speech does"
    inside = slice(steady[0], steady[1] + 1)
    rough = float(np.sqrt(np.mean((values[inside] - smooth[inside]) ** 2)))
    if rough > ROUGHEST:
        return None, "what repeats is rough, like a voice"
    return (
        Running(
            first=int(part[0]), last=int(part[-1]),
            steady_first=int(part[0] + steady[0]), steady_last=int(part[0] + steady[1]),
        ),
        "",
    )  # fmt: skip


def _steadiest(smooth: Floats) -> tuple[int, int]:
    """Longest run of windows whose beat stays in a band of 18 % without trend at its edges."""
    best = (0, 0)
    levels = np.quantile(smooth, np.linspace(0.05, 0.95, 19))
    for level in levels:
        near = np.abs(smooth - level) < 0.09
        edges = np.flatnonzero(np.diff(np.concatenate([[0], near.astype(int), [0]])))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            # the run-up enters the band slowly; drop what is off the later half's middle
            middle = np.median(smooth[(begin + end) // 2 : end])
            while begin < end and abs(smooth[begin] - middle) > 0.06:
                begin += 1
            if end - 1 - begin > best[1] - best[0]:
                best = (int(begin), int(end - 1))
    return best


def _same_engine(spell: Running, main: Running, log_beat: Floats) -> bool:
    def level(s: Running) -> float:
        return float(np.median(log_beat[s.steady_first : s.steady_last + 1]))

    return spell == main or abs(level(spell) - level(main)) < np.log(3.0)


def _tuneful(main: Running, parts: list[NDArray[np.int64]], log_beat: Floats) -> bool:
    """Tell whether the rest of the strong beats hop over several other levels, as notes do."""
    others = [p for p in parts if p[-1] < main.first or p[0] > main.last]
    levels = {round(float(np.median(log_beat[p])) / 0.05) for p in others}
    length = main.steady_last - main.steady_first + 1
    return len(levels) >= 3 and sum(len(p) for p in others) > 0.5 * length


def as_stretch(track: BeatTrack, spell: Running, samples: int) -> Stretch:
    """Give the settled part of a spell, sample by sample.

    Settled is what lies `SETTLES_S` after the beginning of the spell, or its last `SHORTEST_S`
    where it does not last that long.
    """
    settled = spell.first + round(SETTLES_S / HOP_S) if spell.first > 8 else spell.first
    latest = max(spell.steady_first, spell.steady_last - round(SHORTEST_S / HOP_S))
    first = min(max(spell.steady_first, settled), latest)
    settled_now = spell.first <= 8 or first >= settled
    return stretch_of(track, first, spell.steady_last, samples, settled=settled_now)


def stretch_of(
    track: BeatTrack, first: int, last: int, samples: int, *, settled: bool = True
) -> Stretch:
    """Give the windows from `first` to `last`, sample by sample."""
    i = np.arange(first, last + 1)
    begin = max(0, round((track.time_s[i[0]] - 0.1) * RATE_HZ))
    end = min(samples, round((track.time_s[i[-1]] + 0.1) * RATE_HZ))
    smooth = savgol_filter(np.log(track.beat_hz[i]), min(7, (len(i) // 2) * 2 - 1), 1)
    at = np.arange(begin, end) / RATE_HZ
    return Stretch(
        begin=begin, end=end, beat_hz=np.exp(np.interp(at, track.time_s[i], smooth)),
        u_beat=0.01, wander=np.zeros(1), coherence=0.0, settled=settled,
    )  # fmt: skip


def stands_still(stretch: Stretch) -> bool:
    """Tell mains hum: within 0.1 % of a multiple or part of 50 or 60 1/s, and without wander."""
    hz = float(stretch.beat_hz.mean())
    mains = any(abs(hz / (base * m) - 1) < 0.001 for base in (50.0, 60.0) for m in (0.5, 1, 2, 3))
    return mains and float(np.std(stretch.wander)) < 0.0016
