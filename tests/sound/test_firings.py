"""Single firings of invented engines whose weak cylinder and misfires are known."""

import numpy as np
import pytest
from scipy.signal import resample_poly

from made_engines import as_track
from smokecase.demo.engine_note import Engine, engine_note
from smokecase.sound.hum import without_hum
from smokecase.sound.listening import listen_to


def read(engine, *, seed=1):
    note = engine_note(engine, seed=seed)
    faint = 0.02 * np.random.default_rng(seed).normal(size=len(note.sound))
    track = as_track(0.1 * resample_poly(note.sound + faint, 80, 441))
    return listen_to(track, cylinders=engine.cylinders).reading


def test_a_dead_cylinder_of_four_is_one_firing_in_four_and_leads_the_pattern():
    reading = read(Engine(weak={2: 0.0}, burn_spread=0.04))

    assert reading.weak_firings.value == pytest.approx(25.0, abs=2.0)
    assert reading.cylinder_strengths[0] == pytest.approx(0.0, abs=0.15)
    assert min(reading.cylinder_strengths[1:]) > 0.85
    assert "are weak or missing" in reading.words
    assert "In firing order from the weakest on" in reading.words


@pytest.mark.parametrize("share", [0.05, 0.15])
def test_firings_missing_at_random_are_counted(share):
    reading = read(Engine(misfire_share=share, duration_s=20.0, burn_spread=0.04))

    assert reading.weak_firings.low <= 100 * share <= reading.weak_firings.high
    assert reading.weak_firings.high - reading.weak_firings.low < 12.0


def test_an_engine_that_fires_well_has_hardly_any_weak_firing():
    reading = read(Engine(burn_spread=0.04))

    assert reading.weak_firings.value < 1.0
    assert all(0.85 < s < 1.15 for s in reading.cylinder_strengths)
    assert "weak" not in reading.words


def test_clatter_is_described_by_how_far_it_stands_over_the_mean_and_not_diagnosed():
    dull, sharp = read(Engine(clatter=0.0)), read(Engine(clatter=0.8))

    assert sharp.clatter.value > dull.clatter.value
    assert "only described" in sharp.words
    assert "knock" not in sharp.words


def test_mains_hum_is_taken_out_and_nothing_else():
    """Closed form: what was added is what is taken out."""
    rng = np.random.default_rng(3)
    t = np.arange(8000 * 8) / 8000
    quiet = (0.02 * rng.normal(size=len(t))).astype(np.float32)
    hum = sum(0.1 / h * np.sin(2 * np.pi * 50.02 * h * t + h) for h in range(1, 6))

    left = without_hum((quiet + hum).astype(np.float32), 8000)

    assert np.std(left - quiet) < 0.1 * np.std(hum)
    assert without_hum(quiet, 8000) is quiet


def test_a_tone_that_wanders_as_an_engine_does_is_left_alone():
    rng = np.random.default_rng(6)
    t = np.arange(8000 * 10) / 8000
    knots = np.cumsum(rng.normal(0, 0.003, 21))
    speed = 50.0 * (1 + np.interp(t, np.linspace(0, 10, 21), knots - knots.mean()))
    phase = 2 * np.pi * np.cumsum(speed) / 8000
    x = (sum(np.sin(h * phase) / h for h in range(1, 6)) + 0.05 * rng.normal(size=len(t))).astype(
        np.float32
    )

    assert np.std(without_hum(x, 8000) - x) < 0.05 * np.std(x)
