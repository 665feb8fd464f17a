"""What two clips show besides opacity: time to clear, size of the plume, colour and sound."""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from smokecase.case.level import U_REPEAT_SHARE
from smokecase.case.one_clock import CLEAR_PCT, last_above
from smokecase.measured import Measured
from smokecase.readings import Examination, SoundReading
from smokecase.sound.beside import compare_sounds

Floats = NDArray[np.float64]
Clips = tuple[Examination, Examination]
Names = tuple[str, str]

U_OUTLINE = 0.2  # of the plume's area: where its faint rim is taken to end; own estimate
SURE = 2.576  # 99 % of a normal distribution, two-sided
# how a sentence on a sound's figure begins; {1} is the figure
SOUNDS = {
    "cranking time": "Cranking lasts {1}",
    "run-up time": "The run-up to steady speed lasts {1}",
    "idle speed": "The engine idles at {1}",
    "uneven firing": "Uneven firing (1 is as strong as the even firing itself) is {1}",
    "speed variation": "From cycle to cycle the speed varies by {1}",
}
ENDINGS = {
    "longer": "shorter", "shorter": "longer", "faster": "slower", "slower": "faster",
    "more": "less", "less": "more",
}  # fmt: skip


def tell_clearing(time_s: Floats, curves: tuple[Floats, Floats], names: Names) -> tuple[str, ...]:
    """Tell how long each takes to clear, by its readings and their bounds."""
    told = []
    for curve, name in zip(curves, names, strict=True):
        times = [last_above(time_s, curve[:, j]) for j in (1, 0, 2)]
        words = [f"{t:.0f} s" if t < time_s[-1] - 0.5 else f"later than {t:.0f} s" for t in times]
        if times[1] == 0.0:
            told.append(
                f'"{name}": hardly any smoke at the pipe, never for long above {CLEAR_PCT:g} %.'
            )
        elif words[1].startswith("later"):
            told.append(f'"{name}": does not clear within {time_s[-1]:.0f} s of the start.')
        else:
            told.append(
                f'"{name}": clears to below {CLEAR_PCT:g} % in {words[1]} '
                f"({words[0]} to {words[2]}, by the readings' own interval)."
            )
    return tuple(told)


def tell_size(clips: Clips, starts_s: tuple[float, float], common_s: float, names: Names) -> str:
    """Tell the mean size of the visible plume over the common time, in squares of pipe widths."""
    sizes = []
    for clip, start_s, name in zip(clips, starts_s, names, strict=True):
        trace, wide = clip.trace, clip.diameter_px
        inside = (trace.time_s >= start_s) & (trace.time_s < start_s + common_s)
        if not wide or not inside.any():
            return f'Sizes are not compared: the pipe\'s width in "{name}" is not known.'
        squares = float(trace.area_px[inside].mean()) / wide**2
        relative = math.hypot(2 * (clip.u_diameter_px or 0.0) / wide, U_OUTLINE, U_REPEAT_SHARE)
        sizes.append(Measured(value=squares, u=relative * squares, unit="squares of pipe widths"))
    one, other = sizes
    if not one.value and not other.value:
        return "No smoke that can be seen has a size in either clip."
    z = math.inf if other.value else -math.inf
    if one.value and other.value:  # sizes err by a factor, so their ratio is judged
        z = math.log(other.value / one.value) / math.hypot(one.u / one.value, other.u / other.value)
    judged = "no difference to be told"
    if abs(z) > SURE:
        judged = f'"{names[1]}" is {"larger" if z > 0 else "smaller"}'
    return (
        f'The visible plume covers {one} in "{names[0]}" and {other} in "{names[1]}", mean over '
        f"the common time: {judged}."
    )


def tell_colours(clips: Clips, names: Names) -> str:
    """Tell whether the colour of the smoke differs."""
    one, other = (clip.colour for clip in clips)
    for clip, name in ((one, names[0]), (other, names[1])):
        if clip.none > 0.5:
            return f'Colours are not compared: "{name}" shows hardly any smoke.'
        if clip.colour_open:
            return f'Colours are not compared: that of "{name}" cannot be told.'
    if {one.lighting, other.lighting} == {"front", "back_lit"}:
        return "Colours are not compared: one clip is lit from the front, one from behind."
    weights: Mapping[str, float] = {
        c: getattr(other, c) - getattr(one, c) for c in ("black", "blue", "white")
    }
    apart = 0.5 * sum(abs(w) for w in weights.values())
    if apart > 0.5:
        return f'The colour differs: {one.word} in "{names[0]}", {other.word} in "{names[1]}".'
    if apart < 0.25:
        return f"The colour is much the same: {one.word}."
    return f'The colour may differ: {one.word} in "{names[0]}", {other.word} in "{names[1]}".'


def tell_sounds(clips: Clips, names: Names) -> tuple[str, ...]:
    """Tell what differs in the sound, figure by figure, and what could not be heard in both."""
    sounds = [clip.sound for clip in clips]
    for sound, name in zip(sounds, names, strict=True):
        if sound is None or not _heard(sound):
            why = "; ".join(d.words for d in sorted(sound.doubts)) if sound else ""
            because = f" ({why})" if why else ""
            return (f'Sounds are not compared: "{name}" has none that could be read{because}.',)
    told, missing = [], []
    for row in compare_sounds(sounds[0], sounds[1]):  # type: ignore[arg-type]  # none is missing
        if row.suspect is None or row.healthy is None or row.difference is None:
            if row.suspect or row.healthy:
                which = names[0] if row.suspect is None else names[1]
                missing.append(f'{row.name} (not heard in "{which}")')
            continue
        judged = "no difference shown"
        if row.verdict in ENDINGS:
            gap = row.difference
            size = Measured(value=abs(gap.value), u=gap.u, unit=gap.unit,
                            low=min(abs(gap.low), abs(gap.high)),
                            high=max(abs(gap.low), abs(gap.high)))  # fmt: skip
            word = ENDINGS[row.verdict]
            verb = "has" if word in ("more", "less") else "is"
            judged = f'"{names[1]}" {verb} {word}, by {size}'
        begins = SOUNDS[row.name].replace("{1}", str(row.suspect))
        told.append(f'{begins} in "{names[0]}", {row.healthy} in "{names[1]}": {judged}.')
    if missing:
        told.append(f"Of the sound, not compared: {', '.join(missing)}.")
    return tuple(told)


def _heard(sound: SoundReading) -> bool:
    return any(
        part is not None
        for part in (sound.cranking_time, sound.run_up_time, sound.idle_speed,
                     sound.uneven_firing, sound.speed_variation)
    )  # fmt: skip
