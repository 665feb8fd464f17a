"""What two clips show besides opacity, in words."""

from dataclasses import replace

import numpy as np

from made_traces import make_examination, make_trace
from smokecase.case.alongside import tell_clearing, tell_size, tell_sounds
from smokecase.doubts import WIND_NOISE
from smokecase.measured import Measured
from smokecase.readings import SoundReading

NAMES = ("before", "after")
TIME_S = np.arange(0, 10, 0.1)


def covering(area_px, **more):
    trace = make_trace(TIME_S, 20.0)
    return make_examination(replace(trace, area_px=np.full(TIME_S.size, area_px)), **more)


def heard(**parts):
    sound = SoundReading(**{k: Measured(value=v, u=u, unit=w) for k, (v, u, w) in parts.items()})
    return replace(covering(0.0), sound=sound)


def test_sizes_are_told_in_squares_of_pipe_widths_so_that_distance_does_not_count():
    near = covering(8 * 60.0**2)  # 60 px wide pipe
    far = covering(8 * 30.0**2, diameter_px=30.0, u_diameter_px=1.0)

    assert tell_size((near, far), (0.0, 0.0), 9.0, NAMES) == (
        'The visible plume covers 8 squares of pipe widths (5 to 11) in "before" and 8 squares of '
        'pipe widths (5 to 11) in "after", mean over the common time: no difference to be told.'
    )


def test_a_much_smaller_plume_is_said_to_be_smaller():
    told = tell_size((covering(80_000.0), covering(4_000.0)), (0.0, 0.0), 9.0, NAMES)

    assert told.endswith('"after" is smaller.')


def test_without_the_pipes_width_there_is_no_size():
    unknown = covering(500.0, diameter_px=None)

    assert tell_size((covering(500.0), unknown), (0.0, 0.0), 9.0, NAMES) == (
        'Sizes are not compared: the pipe\'s width in "after" is not known.'
    )


def test_each_figure_of_the_sound_is_judged():
    before = heard(cranking_time=(2.4, 0.2, "s"), uneven_firing=(0.3, 0.04, ""))
    after = heard(cranking_time=(1.0, 0.1, "s"), uneven_firing=(0.28, 0.04, ""),
                  idle_speed=(740, 3, "1/min"))  # fmt: skip

    assert tell_sounds((before, after), NAMES) == (
        'Cranking lasts 2.4 s (2.0 to 2.8) in "before", 1.00 s (0.80 to 1.20) in "after": "after" '
        "is shorter, by 1.4 s (1.0 to 1.8).",
        "Uneven firing (1 is as strong as the even firing itself) is 0.30 (0.22 to 0.38) in "
        '"before", 0.28 (0.20 to 0.36) in "after": no difference shown.',
        'Of the sound, not compared: idle speed (not heard in "before").',
    )


def test_a_sound_that_could_not_be_read_says_why():
    deaf = replace(covering(0.0), sound=SoundReading(doubts=frozenset({WIND_NOISE})))

    assert tell_sounds((heard(idle_speed=(740, 3, "1/min")), deaf), NAMES) == (
        'Sounds are not compared: "after" has none that could be read (wind in the microphone '
        "covers the engine).",
    )
    assert tell_sounds((covering(0.0), covering(0.0)), NAMES) == (
        'Sounds are not compared: "before" has none that could be read.',
    )


def test_time_to_clear_is_told_by_the_readings_and_their_bounds():
    falling = np.stack([60 * np.exp(-TIME_S / 2) + d for d in (0.0, -2.0, 4.0)], axis=1)

    told = tell_clearing(TIME_S, (falling, np.zeros((TIME_S.size, 3))), NAMES)

    # 60 exp(-t / 2) is 5 at 5.0 s, 7 at 4.3 s, 1 at 8.2 s
    assert told == (
        '"before": clears to below 5 % in 5 s (4 s to 8 s, by the readings\' own interval).',
        '"after": hardly any smoke at the pipe, never for long above 5 %.',
    )
