"""Engines of another making than ours, and what is none: `made_otherwise` shares no code."""

import numpy as np
import pytest
from scipy.signal import resample_poly

from made_engines import as_track
from made_otherwise import RATE_HZ, noise, otherwise, through_a_phone
from smokecase.doubts import NO_ENGINE_HEARD
from smokecase.sound.listening import listen_to

UNCODED, AAC_8000, OPUS = 0, 2, 3
FAINT_STARTERS = (3, 6)


def read(made, seed, *, kind="hiss", coder, snr_db=15):
    samples, rate = through_a_phone(made.sound, seed, snr_db=snr_db, kind=kind, coder=coder)
    track = as_track(samples if rate == 8000 else resample_poly(samples, 8000, rate))
    return listen_to(track, cylinders=made.cylinders, strokes=made.strokes).reading


@pytest.mark.parametrize(
    ("cylinders", "strokes", "coder"),
    [(1, 4, OPUS), (2, 2, UNCODED), (3, 4, AAC_8000), (4, 4, AAC_8000), (6, 4, OPUS)],
)
def test_speed_and_start_carry_over_to_other_sounds_and_coders(cylinders, strokes, coder):
    made = otherwise(30 + cylinders, cylinders=cylinders, strokes=strokes, seconds=10.0)

    reading = read(made, 3, coder=coder)

    assert reading.idle_speed.value == pytest.approx(made.idle_per_min, rel=0.02)
    assert reading.runs_s == pytest.approx(made.runs_s, abs=0.3)
    assert reading.stalls == 0
    if cylinders in FAINT_STARTERS:  # hardly above the hiss that the automatic gain lifts
        assert reading.cranking_time is None
        assert "the starter does not stand out" in reading.words
    else:
        assert reading.cranking_time.value == pytest.approx(made.runs_s - made.crank_s, abs=0.3)
        assert reading.attempts == 1


@pytest.mark.parametrize("seed", [56, 57, 58])
def test_a_weak_cylinder_of_another_making_is_told_from_even_ones(seed):
    weak = otherwise(seed, cylinders=4, weak=True, seconds=10.0)
    even = otherwise(seed, cylinders=4, seconds=10.0)

    assert read(weak, seed, coder=UNCODED, snr_db=20).weak_cylinder > 0.5
    assert read(even, seed, coder=UNCODED, snr_db=20).weak_cylinder < 0.1


def test_a_car_that_goes_by_before_the_start_is_not_taken_for_the_starter():
    inside = []
    for seed in (1292, 1196, 1388):
        made = otherwise(seed, cylinders=4, seconds=9.0)
        cranking = read(made, seed, kind="road", coder=UNCODED, snr_db=12).cranking_time
        inside.append(
            cranking is None or cranking.low <= made.runs_s - made.crank_s <= cranking.high
        )

    assert all(inside)


@pytest.mark.parametrize("kind", ["babble", "band", "gale", "road", "drone"])
def test_what_is_no_engine_of_another_making_is_not_taken_for_one(kind):
    samples = noise(kind, 8 * RATE_HZ, np.random.default_rng(12))

    reading = listen_to(as_track(0.2 * resample_poly(samples, 1, 2))).reading

    assert reading.idle_speed is None
    assert reading.words.startswith("Cannot tell: what repeats") or (
        reading.words == "Cannot tell: nothing repeats as firing does."
    )
    assert NO_ENGINE_HEARD in reading.doubts
