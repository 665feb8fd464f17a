"""Every figure of a sound has its interval, or says why there is none."""

import subprocess
import sys

import numpy as np
import pytest
from scipy.signal import resample_poly

from made_engines import as_track, noise_alone
from smokecase.demo.engine_note import Engine, engine_note
from smokecase.sound.figures import tell_figures
from smokecase.sound.listening import listen_to


def read(engine, *, cylinders=4, begins_s=0.0, seed=1):
    note = engine_note(engine, seed=seed)
    faint = 0.02 * np.random.default_rng(seed).normal(size=len(note.sound))
    x = 0.1 * resample_poly(note.sound + faint, 80, 441)
    return listen_to(as_track(x[round(begins_s * 8000) :]), cylinders=cylinders).reading


def test_an_engine_that_ran_before_the_clip_says_that_its_start_is_not_in_it():
    reading = read(Engine(crank_s=None, runs_s=None))
    figures = dict(tell_figures(reading))

    assert "Its start is not in the sound." in reading.words
    assert figures["cranking time"] == "cannot tell: the start is not in the sound"
    assert figures["attempts"] == figures["run-up time"] == figures["cranking time"]
    assert figures["idle speed"] == str(reading.idle_speed)


def test_a_starter_that_is_not_heard_gives_no_cranking_time_and_says_so():
    reading = read(Engine(starter=0.0, fires_s=2.95))
    figures = dict(tell_figures(reading))

    assert reading.cranking_time is None
    assert "the starter does not stand out" in reading.words
    assert figures["cranking time"].endswith(
        "the starter does not stand out from what else is heard"
    )


@pytest.mark.parametrize("begins_s", [2.6, 3.0])
def test_a_clip_that_begins_while_the_starter_turns_gives_no_cranking_time(begins_s):
    engine = Engine(crank_s=2.0, fires_s=4.9, runs_s=5.0, duration_s=14.0)

    assert read(engine, begins_s=begins_s).cranking_time is None


def test_one_cylinder_cannot_be_weaker_than_the_others():
    figures = dict(tell_figures(read(Engine(cylinders=1, idle_per_min=1000.0), cylinders=1)))

    for name in ("uneven firing", "one weak cylinder"):
        assert figures[name] == "cannot tell: not defined for one cylinder"
    assert figures["strength by cylinder"] == "not defined for one cylinder"


def test_a_second_of_even_running_is_too_short_for_one_weak_cylinder_and_says_so():
    engine = Engine(crank_s=None, runs_s=None, duration_s=7.0, snaps_s=(1.2, 2.6, 4.0, 5.4))

    reading = read(engine)

    assert reading.weak_cylinder is None
    assert "too short a time to tell whether one cylinder is weak" in reading.words


def test_an_engine_that_dies_is_said_to():
    assert "Then it dies." in read(Engine(stalls_s=(8.0,), duration_s=12.0)).words


def test_what_is_no_engine_has_no_figures():
    assert tell_figures(listen_to(noise_alone("voices", 31)).reading) == []
    assert tell_figures(listen_to(None).reading) == []


@pytest.mark.parametrize(
    ("sound", "words"),
    [
        (None, "Cannot tell: there is no sound."),
        (np.zeros(8000 * 4), "Cannot tell: the sound track is silent."),
        (0.1 * np.ones(8000), "Cannot tell: the sound is shorter than two seconds."),
    ],
)
def test_no_silent_and_short_sounds_say_so_as_the_others_do(sound, words):
    assert listen_to(None if sound is None else as_track(sound)).reading.words == words


def test_without_sound_the_tools_of_the_analysis_are_not_loaded():
    program = (
        "import sys, smokecase\n"
        "assert not any('sound' in m for m in sys.modules if m.startswith('smokecase'))\n"
        "from smokecase.sound.listening import listen_to\n"
        "listen_to(None)\n"
        "loaded = {m for m in sys.modules if m.startswith('smokecase.sound.')}\n"
        "assert loaded == {'smokecase.sound.listening'}, loaded\n"
        "assert 'scipy' not in sys.modules\n"
    )

    subprocess.run([sys.executable, "-c", program], check=True)
