"""The idle that a speed still on its way would come to, and the speed over time."""

import numpy as np
import pytest
from scipy.signal import resample_poly

from made_engines import as_track
from smokecase.demo.engine_note import Engine, engine_note
from smokecase.sound.listening import listen_to
from smokecase.sound.settle import SpeedCurve, find_settling


def falling(idle, *tails, seed=0):
    """Closed form: idle (1 + height exp(-t / time constant)) for each (begin, end, height, tau)."""
    rng = np.random.default_rng(seed)
    times, rates, parts = [], [], []
    for number, (begin, end, height, tau) in enumerate(tails):
        t = np.arange(begin, end, 0.064)
        times.append(t)
        rates.append(idle * (1 + height * np.exp(-(t - begin) / tau)))
        rates[-1] = rates[-1] * (1 + 0.002 * rng.normal(size=len(t)))
        parts.append(np.full(len(t), number))
    return SpeedCurve(
        time_s=np.concatenate(times), beat_hz=np.concatenate(rates), part=np.concatenate(parts)
    )


@pytest.mark.parametrize("time_constant_s", [0.4, 0.7, 1.2])
def test_the_idle_of_a_flare_that_still_dies_away_lies_in_the_interval(time_constant_s):
    settling = find_settling(falling(25.0, (4.0, 5.0, 0.1, time_constant_s)), (4.0, 5.0))

    assert settling.low_hz < 25.0 < settling.high_hz
    assert settling.u_beat_hz < 0.06 * 25.0


@pytest.mark.parametrize("time_constant_s", [0.5, 0.8, 1.1])
def test_the_return_from_a_blip_tells_the_idle_within_two_percent(time_constant_s):
    curve = falling(
        25.0, (4.0, 5.0, 0.1, 1.0), (6.0, 6.0 + 2.2 * time_constant_s, 2.0, time_constant_s)
    )

    settling = find_settling(curve, (4.0, 5.0))

    assert settling.low_hz < 25.0 < settling.high_hz
    assert settling.beat_hz == pytest.approx(25.0, rel=0.02)


def test_the_interval_of_the_idle_holds_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(8)
    inside = []
    for seed in range(40):
        tau, height = rng.uniform(0.3, 1.3), rng.uniform(0.02, 0.25)
        curve = falling(25.0, (4.0, 5.0 + rng.uniform(0, 0.6), height, tau), seed=seed)
        found = find_settling(curve, (4.0, 6.0))
        if found is not None:
            inside.append(found.low_hz <= 25.0 <= found.high_hz)

    assert len(inside) > 20
    assert np.mean(inside) > 0.85  # of 40 at 95 %: fewer happens once in 100 runs


def test_too_short_a_stretch_tells_no_idle():
    assert find_settling(falling(25.0, (4.0, 4.3, 0.1, 0.7)), (4.0, 4.3)) is None


def test_the_speed_over_time_follows_a_blip_of_the_throttle():
    engine = Engine(crank_s=1.0, fires_s=1.6, runs_s=1.8, duration_s=12.0, snaps_s=(6.0,))
    note = engine_note(engine, seed=2)
    faint = 0.02 * np.random.default_rng(2).normal(size=len(note.sound))

    reading = listen_to(
        as_track(0.1 * resample_poly(note.sound + faint, 80, 441)), cylinders=4
    ).reading

    time_s, speed = np.array(reading.speed_time_s), np.array(reading.speed_per_min)
    true = np.interp(time_s, note.time_s, note.speed_per_min)
    calm = (np.abs(time_s - 6.4) > 1.0) & (time_s > 3.5)
    assert calm.sum() > 15
    assert np.abs(speed[calm] / true[calm] - 1).max() < 3 * reading.u_speed + 0.01
    assert reading.idle_speed.value == pytest.approx(note.idle_per_min, rel=0.02)
