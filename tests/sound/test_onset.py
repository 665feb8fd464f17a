"""Where a steady sound begins: steps in invented loudness, in closed form."""

import numpy as np

from smokecase.sound.onset import weigh_onsets

BANDS, RUNS = 23, 250


def loudness(seed):
    return 0.3 * np.random.default_rng(seed).normal(size=(RUNS + 20, BANDS))


def test_the_step_is_found_and_nothing_else_weighs_as_much():
    for seed in range(5):
        level = loudness(seed)
        level[130:] += 1.5

        weight = weigh_onsets(level, RUNS)

        assert abs(int(weight.argmax()) - 130) <= 2
        assert weight[np.abs(np.arange(len(weight)) - 130) > 19].max() < 0.7 * weight.max()


def test_a_swell_that_is_larger_than_the_step_does_not_hide_it():
    """A car goes by: 4 up over two seconds, then the starter's 1.5 within one frame."""
    for seed in range(5):
        level = loudness(seed)
        level += np.interp(np.arange(len(level)), [20, 140], [-4.0, 0.0])[:, np.newaxis]
        level[160:] += 1.5

        assert abs(int(weigh_onsets(level, RUNS).argmax()) - 160) <= 2


def test_a_burst_that_ends_again_weighs_less_than_what_lasts_until_it_runs():
    level = loudness(9)
    level[60:85, ::2] += 4.0  # a word: loud in every other band, and over
    level[150:] += 1.5

    assert abs(int(weigh_onsets(level, RUNS).argmax()) - 150) <= 2


def test_what_comes_too_late_to_be_cranking_weighs_nothing():
    level = loudness(3)
    level[RUNS - 5 :] += 5.0

    assert weigh_onsets(level, RUNS)[-10:].max() == 0.0
