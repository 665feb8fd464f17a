"""What a clip says: an examination's colour, timing and sound as findings.

A measured reading never claims more than the examination carries: each doubt mixes its likelihood
with "anything is possible", and a refused or open reading says nothing at all.
"""

import math
from collections.abc import Sequence

import numpy as np

from smokecase.causes.knowledge import Floats, Knowledge
from smokecase.causes.witness import Finding
from smokecase.condensation import FogForecast
from smokecase.doubts import Doubt
from smokecase.measured import Measured
from smokecase.readings import Examination, SoundReading
from smokecase.trace import COLOURS

# share of "anything is possible" that a doubt mixes in; common practice has no figures: estimates
_COLOUR_DOUBTS = {
    "back_lit": 0.5, "too_dark": 0.5, "saturated": 0.4, "veil_like_plate": 0.35,
    "no_clean_plate": 0.3, "smoke_from_start": 0.2, "no_texture": 0.2, "heavy_compression": 0.2,
    "shadow": 0.25, "moving_camera": 0.3, "single_still": 0.3, "colour_tags_assumed": 0.1,
    "exposure_unchecked": 0.15, "shaky": 0.15, "section_hidden": 0.2, "exit_not_found": 0.1,
}  # fmt: skip
_TIMING_DOUBTS = {
    "no_clean_plate": 0.4, "smoke_from_start": 0.2, "moving_camera": 0.4, "too_short": 0.5,
    "truncated_file": 0.3, "bad_time_stamps": 0.5, "shadow": 0.3, "single_still": 0.95,
    "section_hidden": 0.3, "plume_leaves_picture": 0.1, "veil_like_plate": 0.3,
    "exposure_unchecked": 0.2,
}  # fmt: skip
COLD_OR_WARM = ("cold_start", "warm_start", "warm_idle")
_SOUND_DOUBTS = {
    "no_engine_heard": 1.0, "no_sound": 1.0, "wind_noise": 0.4, "sound_clipped": 0.3,
    "speed_open": 0.15,
}  # fmt: skip
# even, one weak: smoke puffs so by chance, too; common practice, no source
ONE_PUFF = np.array([0.35, 1.0])
LONG_CRANKING_S = 2.5  # common practice, no source: a sound warm-to-cool engine fires in 1 to 2 s
CLEARING_S = (
    180.0  # NAVEDTRA 14264: gone within 3 to 5 minutes (shared/reference/08_trade_limits.csv)
)


def clip_findings(
    knowledge: Knowledge, examinations: Sequence[Examination], shows: Sequence[str]
) -> list[Finding]:
    """Collect the findings of all clips of one engine.

    Clips of one engine are no independent witnesses: for each question their likelihoods are
    combined by their geometric mean, so that ten clips of the same plume weigh as one.

    Parameters
    ----------
    shows : sequence of str
        What each clip shows: cold_start, warm_start, warm_idle, load, unknown.
    """
    heard: dict[str, list[tuple[Floats, str]]] = {}
    for examination, what in zip(examinations, shows, strict=True):
        for name, likelihood, told in _of_clip(examination, what):
            heard.setdefault(name, []).append((likelihood, f"{examination.clip}: {told}"))
    warming = _warming(examinations, shows)
    if warming is not None:
        heard[warming[0]] = [(warming[1], warming[2])]
    out = []
    for name, rows in heard.items():
        mean = np.exp(np.mean([np.log(row) for row, _ in rows], axis=0))
        likelihood = np.asarray(mean / mean.max())
        likelihood.setflags(write=False)
        question = knowledge.questions[name]
        order = [int(i) for i in np.argsort(-likelihood, kind="stable") if likelihood[i] > 0.5]
        out.append(
            Finding(
                name=name, likelihood=likelihood, source="clip",
                told="; ".join(told for _, told in rows),
                states=tuple(question.states[i] for i in order),
            )
        )  # fmt: skip
    return out


def _warming(
    examinations: Sequence[Examination], shows: Sequence[str]
) -> tuple[str, Floats, str] | None:
    """Tell whether uneven firing when cold is gone when warm, from two clips of one engine."""
    weights: dict[bool, list[tuple[float, Examination]]] = {True: [], False: []}
    for clip, what in zip(examinations, shows, strict=True):
        if clip.sound is None or clip.sound.weak_cylinder is None or what not in COLD_OR_WARM:
            continue
        trust = math.prod(1 - _SOUND_DOUBTS.get(d.name, 0.0) for d in clip.sound.doubts)
        weak = 0.5 + trust * (clip.sound.weak_cylinder - 0.5)
        weights[what == "cold_start"].append((weak, clip))
    if not weights[True] or not weights[False]:
        return None
    cold, cold_clip = max(weights[True], key=lambda row: row[0])
    warm, warm_clip = max(weights[False], key=lambda row: row[0])
    # an engine that was even when cold tells nothing of how a rough one warms up
    likelihood = np.array([cold * warm + (1 - cold), cold * (1 - warm) + (1 - cold)])
    likelihood = np.maximum(likelihood / likelihood.max(), 0.05)
    told = f"uneven when cold ({cold_clip.clip}), " + (
        f"even when warm ({warm_clip.clip})" if warm < 0.5 else f"also when warm ({warm_clip.clip})"
    )
    return None if _flat(likelihood) else ("heard_warming", likelihood, told)


def _of_clip(clip: Examination, shows: str) -> list[tuple[str, Floats, str]]:
    out = []
    for reading in (_colour(clip), _clearing(clip, shows), _detached(clip), _share(clip)):
        if reading is not None:
            out.append(reading)
    puffs = clip.together.one_puff_a_cycle if clip.together else None
    return out + (_sound(clip.sound, puffs) if clip.sound else [])


def _mixed(likelihood: Floats, doubts: frozenset[Doubt], weakens: dict[str, float]) -> Floats:
    """Mix with "anything is possible" as much as the doubts say."""
    trust = math.prod(1 - weakens.get(doubt.name, 0.0) for doubt in doubts)
    likelihood = np.asarray(likelihood, dtype=np.float64)
    likelihood = likelihood / likelihood.max()
    # 0.02: no clip excludes a state for good
    return np.maximum(trust * likelihood + (1 - trust), 0.02)


def _flat(likelihood: Floats) -> bool:
    return bool(likelihood.max() - likelihood.min() < 0.05)


def _colour(clip: Examination) -> tuple[str, Floats, str] | None:
    """Take the colour weights, made against even odds, as likelihoods up to a factor."""
    colour = clip.colour
    # a single still has its opacity refused, yet shows its colour; its doubt weakens it
    refused = clip.refused is not None and clip.source != "still"
    if refused or colour.colour_open:
        return None
    weights = np.array([getattr(colour, name) for name in COLOURS])
    likelihood = _mixed(weights + 0.02, clip.doubts, _COLOUR_DOUBTS)
    if _flat(likelihood):
        return None
    return "seen_colour", likelihood, f"measured {colour.word or COLOURS[int(weights.argmax())]}"


def _no_smoke(clip: Examination) -> bool:
    return clip.timing.onset_s is None or clip.refused is not None


def _clearing(clip: Examination, shows: str) -> tuple[str, Floats, str] | None:
    """Tell whether it clears or persists, as far as the clip is long enough to tell.

    Of a smoke that clears, the share that has fallen to a tenth within t seconds is taken as
    1 - exp(-t / 90 s), so a short clip that shows no fall says little.
    """
    timing = clip.timing
    if _no_smoke(clip) or shows in ("warm_idle", "load") or timing.peak_s is None:
        return None
    watched = clip.duration_s - timing.peak_s
    seen_fall = 1 - math.exp(-watched / 90.0)
    if timing.tenth_fall_s is not None:
        likelihood = np.array([1.0, 0.12])
        told = f"falls to a tenth within {timing.tenth_fall_s:.0f} s of its peak"
    else:
        likelihood = np.array([1 - 0.9 * seen_fall, 1.0])
        told = f"has not fallen to a tenth {watched:.0f} s after its peak"
    likelihood = _mixed(likelihood, clip.doubts, _TIMING_DOUBTS)
    if shows == "unknown":  # a warm start or a blip may fall just so
        likelihood = 0.5 * likelihood + 0.5
    return None if _flat(likelihood) else ("seen_clearing", likelihood, told)


def _detached(clip: Examination) -> tuple[str, Floats, str] | None:
    if _no_smoke(clip):
        return None
    away = any(doubt.name == "detached_plume" for doubt in clip.doubts)
    if not away and clip.exit_px is None:
        return None  # the pipe was not found: nothing to begin at
    likelihood = np.array([0.15, 1.0]) if away else np.array([1.0, 0.5])
    told = "the plume begins away from the pipe" if away else "the plume begins at the pipe"
    likelihood = _mixed(likelihood, clip.doubts, _TIMING_DOUBTS | {"exit_uncertain": 0.4})
    return None if _flat(likelihood) else ("seen_detached", likelihood, told)


def _share(clip: Examination) -> tuple[str, Floats, str] | None:
    share = clip.timing.visible_share
    if share is None or _no_smoke(clip):
        return None
    centres, width = np.array([0.08, 0.5, 0.95]), np.array([0.12, 0.25, 0.15])
    likelihood = np.exp(-0.5 * ((share - centres) / width) ** 2) + 0.05
    # a short clip's share tells less
    short = math.exp(-clip.duration_s / 20.0)
    likelihood = _mixed(likelihood, clip.doubts, _TIMING_DOUBTS)
    likelihood = (1 - short) * likelihood + short
    told = f"smoke to be seen for {100 * share:.0f} % of the time"
    return None if _flat(likelihood) else ("seen_share", likelihood, told)


def fog_findings(
    examinations: Sequence[Examination], forecast: FogForecast | None
) -> list[Finding]:
    """Whether the densest smoke measured is more than fog in this weather explains.

    The forecast's upper 95 % bound and the measured peak are each taken as known to a factor of
    1.5.
    """
    if forecast is None:
        return []
    rows = []
    highest = max(float(forecast.opacity_pct[:, 2].max()), 1.0)
    for clip in examinations:
        peak = clip.timing.peak_pct
        if clip.refused is not None or peak is None or not math.isfinite(peak) or peak < 5:
            continue
        beyond = 0.5 * math.erfc(-math.log(peak / highest) / (0.4 * math.sqrt(2)))
        likelihood = _mixed(np.array([1 - beyond, beyond]), clip.doubts, _TIMING_DOUBTS)
        told = f"{clip.clip}: {peak:.0f} % at its densest; fog would reach {highest:.0f} % at most"
        rows.append((likelihood, told))
    if not rows:
        return []
    likelihood, told = max(rows, key=lambda row: float(row[0][1] / row[0][0]))
    if _flat(likelihood):
        return []
    likelihood.setflags(write=False)
    states = ("beyond",) if likelihood[1] > likelihood[0] else ("within",)
    return [
        Finding(
            name="seen_against_fog", likelihood=likelihood, told=told, source="clip", states=states
        )
    ]


# -- sound --------------------------------------------------------------------------------


def _above(edge: float, number: Measured) -> float:
    """Chance that a measured number lies above an edge; an open or missing width says even odds."""
    if not math.isfinite(number.u) or number.u <= 0:
        return 0.5 if not math.isfinite(number.u) else float(number.value > edge)
    return 0.5 * math.erfc((edge - number.value) / (number.u * math.sqrt(2)))


def _sound(sound: SoundReading, puffs: bool | None) -> list[tuple[str, Floats, str]]:
    out: list[tuple[str, Floats, str]] = []
    if sound.cranking_time is not None:
        long = _above(LONG_CRANKING_S, sound.cranking_time)
        out.append(
            (
                "heard_cranking",
                np.array([1 - long, long]),
                f"cranks {sound.cranking_time} before it fires",
            )
        )
    if sound.weak_cylinder is not None:
        weak = sound.weak_cylinder
        told = f"one cylinder weak with {100 * weak:.0f} % weight"
        row = np.array([1 - weak, weak])
        if puffs and weak > 0.5:
            row, told = row * ONE_PUFF, f"{told}; the smoke comes once per engine cycle"
        out.append(("heard_firing", row, told))
    elif puffs:
        out.append(("heard_firing", ONE_PUFF, "the smoke comes once per engine cycle"))
    if sound.hunting is not None:
        told = f"idle speed swings with {100 * sound.hunting:.0f} % weight"
        out.append(("heard_hunting", np.array([1 - sound.hunting, sound.hunting]), told))
    mixed = [
        (name, _mixed(row + 0.02, sound.doubts, _SOUND_DOUBTS), told) for name, row, told in out
    ]
    return [row for row in mixed if not _flat(row[1])]
