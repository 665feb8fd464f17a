"""Two sounds side by side: a suspect and a healthy one, aligned on the first firing.

Public: `Difference`, `compare_sounds`, `tell_verdict`, `one_after_the_other`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smokecase.measured import COVERAGE, Measured
from smokecase.readings import SoundReading
from smokecase.video.sound_track import SoundTrack

Floats = NDArray[np.float64]
BEFORE_S, AFTER_S, PAUSE_S = 3.0, 5.0, 0.7  # about the first firing; between the two
ALIKE = "no difference shown"
# field, its name for people, what a larger value is called
COMPARED = (
    ("cranking_time", "cranking time", "longer", "shorter"),
    ("run_up_time", "run-up time", "longer", "shorter"),
    ("idle_speed", "idle speed", "faster", "slower"),
    ("uneven_firing", "uneven firing", "more", "less"),
    ("speed_variation", "speed variation", "more", "less"),
)
WORDS = {word for _, _, more, less in COMPARED for word in (more, less)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One figure of two sounds."""

    name: str
    suspect: Measured | None
    healthy: Measured | None
    difference: Measured | None  # suspect less healthy
    verdict: str  # plain words

    @property
    def differs(self) -> bool:
        """Whether the interval of the difference leaves out zero."""
        return self.verdict in WORDS


def compare_sounds(suspect: SoundReading, healthy: SoundReading) -> list[Difference]:
    """Compare what both sounds gave.

    Two figures differ where the 95 % interval of their difference leaves out zero. The
    uncertainties are taken as independent: two recordings share no noise.
    """
    rows = []
    for field, name, more, less in COMPARED:
        a, b = getattr(suspect, field), getattr(healthy, field)
        if a is None or b is None:
            missing = "suspect" if a is None else "healthy"
            if a is None and b is None:
                missing = "suspect and the healthy"
            rows.append(
                Difference(
                    name=name, suspect=a, healthy=b, difference=None,
                    verdict=f"cannot tell: the {missing} sound does not give it",
                )
            )  # fmt: skip
            continue
        # root of the sum of squares on either side keeps bounds that are not symmetric
        low = float(np.hypot(a.value - a.low, b.high - b.value))
        high = float(np.hypot(a.high - a.value, b.value - b.low))
        gap = a.value - b.value
        u = float(np.hypot(low, high)) / np.sqrt(2.0) / COVERAGE
        difference = Measured(value=gap, u=u, unit=a.unit, low=gap - low, high=gap + high)
        word = more if difference.low > 0 else less if difference.high < 0 else ALIKE
        rows.append(
            Difference(name=name, suspect=a, healthy=b, difference=difference, verdict=word)
        )
    return rows


def tell_verdict(rows: list[Difference]) -> str:
    """Say the whole comparison in one or two plain sentences."""
    differ = [f"{row.verdict} {row.name}" for row in rows if row.differs]
    alike = [row.name for row in rows if row.verdict == ALIKE]
    said = []
    if differ:
        said.append(f"Beside the healthy one the suspect shows: {_listed(differ)}.")
    if alike:
        said.append(f"No difference is shown in {_listed(alike)}.")
    if not said:
        return "Cannot tell: no figure was heard in both."
    return " ".join(said)


def _listed(parts: list[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def one_after_the_other(
    suspect: SoundTrack,
    healthy: SoundTrack,
    suspect_reading: SoundReading,
    healthy_reading: SoundReading,
) -> Floats:
    """Suspect, a pause, healthy: equally long about the first firing and equally loud.

    Where a sound has no first firing it is taken from its beginning.
    """
    parts = [_about(suspect, suspect_reading), _about(healthy, healthy_reading)]
    pause = np.zeros(round(PAUSE_S * suspect.rate_hz))
    whole = np.concatenate([parts[0], pause, parts[1]])
    return np.asarray(0.9 * whole / max(float(np.abs(whole).max()), 1e-9), dtype=np.float64)


def _about(sound: SoundTrack, reading: SoundReading) -> Floats:
    firing = reading.first_firing_s
    begin_s = -sound.begins_s if firing is None else firing - sound.begins_s - BEFORE_S
    wanted = round((BEFORE_S + AFTER_S) * sound.rate_hz)
    first = round(begin_s * sound.rate_hz)
    part = np.zeros(wanted)
    from_, to = max(0, first), min(len(sound.samples), first + wanted)
    if to > from_:
        part[from_ - first : to - first] = sound.samples[from_:to]
    # loudness of the running part, so that a far phone does not pass for a quiet engine
    loud = float(np.sqrt(np.mean(part[len(part) // 2 :] ** 2)))
    return part / max(loud, 1e-6)
