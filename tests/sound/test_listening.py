"""Whole sounds of known truth: engines, and what is none."""

import numpy as np
import pytest
from scipy.signal import resample_poly

from made_engines import as_track, noise_alone, start_and_idle
from smokecase.demo.engine_note import Engine, engine_note
from smokecase.demo.sound_scene import write_wav
from smokecase.doubts import NO_ENGINE_HEARD, NO_SOUND, SOUND_CLIPPED, TOO_SHORT
from smokecase.errors import ClipError
from smokecase.sound.beside import compare_sounds, one_after_the_other
from smokecase.sound.listening import listen, listen_to


def engine_track(engine, *, seed=1):
    note = engine_note(engine, seed=seed)
    faint = 0.02 * np.random.default_rng(seed).normal(size=len(note.sound))
    return note, as_track(0.1 * resample_poly(note.sound + faint, 80, 441))


@pytest.mark.parametrize("cylinders", [1, 2, 3, 4, 5, 6, 8])
def test_a_start_and_idle_at_ten_decibels_is_read(cylinders):
    note, track = start_and_idle(
        400 + cylinders, cylinders=cylinders, weak=False, snr_db=10, noise="pink"
    )

    reading = listen_to(track, cylinders=cylinders).reading

    assert reading.idle_speed.value == pytest.approx(note.idle_per_min, rel=0.02)
    assert (reading.weak_cylinder or 0.0) < 0.5


@pytest.mark.parametrize("cylinders", [2, 3, 4, 6])
def test_a_cylinder_with_a_third_of_its_strength_is_flagged(cylinders):
    _, track = engine_track(Engine(cylinders=cylinders, weak={1: 0.33}))

    assert listen_to(track, cylinders=cylinders).reading.weak_cylinder > 0.5


def test_the_start_is_timed():
    engine = Engine(crank_s=2.0, fires_s=3.9, runs_s=4.0, duration_s=12.0)
    _, track = engine_track(engine)

    reading = listen_to(track, cylinders=4).reading

    assert reading.cranking_starts_s == pytest.approx(2.0, abs=0.15)
    assert reading.cranking_time.value == pytest.approx(2.0, abs=0.3)
    assert reading.cranking_time.low < 2.0 < reading.cranking_time.high
    assert reading.attempts == 1
    assert reading.stalls == 0


def test_an_attempt_that_failed_is_counted():
    engine = Engine(
        failed_cranks=((1.5, 3.0),), crank_s=5.0, fires_s=5.9, runs_s=6.0, duration_s=13.0
    )
    _, track = engine_track(engine)

    assert listen_to(track, cylinders=4).reading.attempts == 2


def test_an_engine_that_dies_is_counted():
    _, track = engine_track(Engine(stalls_s=(8.0,), duration_s=12.0))

    assert listen_to(track, cylinders=4).reading.stalls == 1


def test_an_idle_that_swings_is_told_from_one_that_does_not():
    _, swinging = engine_track(Engine(hunting_hz=0.8, hunting_pct=4.0, duration_s=14.0))
    _, steady = engine_track(Engine(duration_s=14.0))

    assert listen_to(swinging, cylinders=4).reading.hunting > 0.7
    assert listen_to(steady, cylinders=4).reading.hunting < 0.3


def test_the_speed_interval_holds_the_truth_as_often_as_it_says():
    inside = []
    for seed in range(20):
        note, track = engine_track(Engine(duration_s=9.0, wander_pct=1.0), seed=seed)
        idle = listen_to(track, cylinders=4).reading.idle_speed
        inside.append(idle.low <= note.idle_per_min <= idle.high)

    assert sum(inside) >= 17  # of 20 at 95 %: fewer happens once in 60 runs


@pytest.mark.parametrize("noise", ["white", "wind", "voices", "music", "rain", "birds", "hum"])
def test_what_is_no_engine_is_not_taken_for_one(noise):
    reading = listen_to(noise_alone(noise, 31)).reading

    assert reading.idle_speed is None
    assert reading.weak_cylinder is None
    assert NO_ENGINE_HEARD in reading.doubts
    assert reading.words.startswith("Cannot tell")


def test_no_sound_silence_and_a_second_each_say_so(tmp_path):
    write_wav(tmp_path / "silent.wav", np.zeros(44100 * 4), rate_hz=44100)

    assert listen(tmp_path / "silent.wav").doubts == {NO_SOUND}
    assert listen_to(None).reading.doubts == {NO_SOUND}
    assert TOO_SHORT in listen_to(as_track(0.1 * np.ones(8000))).reading.doubts


def test_an_overdriven_sound_is_doubted():
    _, track = engine_track(Engine())

    assert SOUND_CLIPPED in listen_to(as_track(track.samples, clipped_share=0.05)).reading.doubts


def test_a_file_that_is_no_sound_is_refused_in_one_sentence(tmp_path):
    path = tmp_path / "notes.wav"
    path.write_text("no sound")

    with pytest.raises(ClipError, match=r"^notes\.wav: it is no sound or clip; name a clip"):
        listen(path)


def test_the_same_sound_by_file_and_at_another_rate_reads_alike(tmp_path):
    note, track = engine_track(Engine(idle_per_min=850.0))
    write_wav(tmp_path / "start.wav", 0.1 * note.sound, rate_hz=44100)

    by_file = listen(tmp_path / "start.wav", cylinders=4)

    assert by_file.idle_speed.value == pytest.approx(
        listen_to(track, cylinders=4).reading.idle_speed.value, rel=0.003
    )


def test_two_sounds_compared_name_what_differs():
    _, slow = engine_track(Engine(crank_s=1.5, fires_s=4.4, runs_s=4.5, idle_per_min=700.0))
    _, quick = engine_track(Engine(crank_s=1.5, fires_s=2.2, runs_s=2.3, idle_per_min=850.0))
    a, b = (listen_to(t, cylinders=4).reading for t in (slow, quick))

    rows = {row.name: row for row in compare_sounds(a, b)}

    assert rows["cranking time"].verdict == "longer"
    assert rows["cranking time"].difference.value == pytest.approx(2.2, abs=0.4)
    assert rows["idle speed"].verdict == "slower"
    joined = one_after_the_other(slow, quick, a, b)
    assert len(joined) == round((8 + 0.7 + 8) * 8000)
    assert np.abs(joined).max() == pytest.approx(0.9)


def test_a_sound_beside_itself_shows_no_difference():
    _, track = engine_track(Engine())
    reading = listen_to(track, cylinders=4).reading

    assert {row.verdict for row in compare_sounds(reading, reading)} == {"no difference shown"}


def test_a_missing_figure_is_said_in_the_comparison():
    _, track = engine_track(Engine())
    reading = listen_to(track, cylinders=4).reading

    row = compare_sounds(reading, listen_to(None).reading)[0]

    assert row.verdict == "cannot tell: the healthy sound does not give it"
