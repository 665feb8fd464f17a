"""Order analysis against closed form and a general-purpose library."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import lombscargle

from smokecase.sound.locked import LockedLines, locked_lines
from smokecase.sound.orders import Stretch, order_spectrum, sharpen
from smokecase.sound.periods import Beats, hear_beats
from smokecase.sound.uneven import measure_evenness

SECONDS = 8.0


def swinging_beat():
    t = np.arange(0, SECONDS, 1e-3)
    beat = 25.0 * (1 + 0.03 * np.sin(2 * np.pi * 0.4 * t))
    phase = np.concatenate([[0.0], np.cumsum(beat[:-1])]) * 1e-3
    return t, beat, phase


def whole(beat):
    return Stretch(begin=0, end=len(beat), beat_hz=beat, u_beat=0.0, wander=np.zeros(1),
                   settled=True, coherence=1.0)  # fmt: skip


def test_a_sine_of_swinging_speed_stands_in_one_line_of_half_its_square():
    _, beat, phase = swinging_beat()

    spectrum = order_spectrum(3.0 * np.sin(2 * np.pi * 2 * phase), whole(beat))

    assert spectrum.order[spectrum.power.argmax()] == pytest.approx(2.0, abs=0.03)
    # the line may fall between two points of the order axis, up to 0.35 dB for this window
    assert_allclose(spectrum.power.max(), 4.5, rtol=0.08)


def test_lines_agree_with_least_squares_on_the_unevenly_spaced_angles():
    """Outside: scipy.signal.lombscargle fits sines to samples where they lie, no resampling."""
    _, beat, phase = swinging_beat()
    rng = np.random.default_rng(3)
    heights = {0.25: 0.2, 0.5: 0.05, 1.0: 1.0, 1.25: 0.15, 2.0: 0.6, 3.0: 0.3}
    x = sum(a * np.sin(2 * np.pi * k * phase + k) for k, a in heights.items())
    x = x + 0.3 * rng.normal(size=len(x))

    spectrum = order_spectrum(x, whole(beat), span_s=SECONDS)
    orders = np.array(sorted(heights))
    theirs = 4 * lombscargle(phase, x, 2 * np.pi * orders) / len(x)  # square of the amplitude
    ours = [2 * spectrum.power[np.abs(spectrum.order - k) < 0.02].max() for k in orders]

    # 0.6 dB: half a step off the line; 0.01: noise in one line, 0.3^2 * 4 / 8000 and the window
    assert_allclose(ours, theirs, rtol=0.15, atol=0.003)


def test_sharpening_finds_a_swing_that_the_coarse_track_missed():
    _, beat, phase = swinging_beat()
    pulse = sum(np.sin(2 * np.pi * k * phase) / k for k in (1, 2, 3))
    silent = 1e-6 * np.random.default_rng(0).normal(size=len(pulse))
    beats = Beats(
        pulse=pulse, swell=silent, bands=np.zeros((3, 1)), time_s=np.zeros(1),
        frequency_hz=np.zeros(1), excess=np.zeros((1, 1)),
    )  # fmt: skip

    found = sharpen(beats, whole(np.full(len(beat), 25.0)))

    inner = slice(500, -500)
    assert np.abs(found.beat_hz[inner] / beat[inner] - 1).max() < 0.006  # of a swing of 0.03
    assert np.std(found.wander) == pytest.approx(0.03 / np.sqrt(2), rel=0.15)


def lines(cylinders, strengths, *, u=1e-6):
    """Lines of narrow pulses of these strengths, in closed form."""
    k = np.arange(1, 11 * cylinders)
    power = (np.abs(np.fft.fft(strengths)) ** 2)[k % cylinders] * 0.9**k
    return LockedLines(order=k, power=power, u_power=np.full(len(k), u), loose=np.zeros(len(k)),
                       mean=np.sqrt(power).astype(complex), blocks=20)  # fmt: skip


@pytest.mark.parametrize("cylinders", [2, 3, 4, 8])
@pytest.mark.parametrize("left", [0.0, 0.5])
def test_one_weak_cylinder_is_measured_by_what_it_lacks(cylinders, left):
    found = lines(cylinders, [left] + [1.0] * (cylinders - 1))

    even = measure_evenness(found, found, cylinders)

    assert even.deficit.value == pytest.approx(1 - left, rel=0.03)  # guides lie up to 8 orders away
    assert even.weak_weight > 0.9
    assert not even.several


def test_faint_lines_accuse_no_cylinder():
    found = lines(4, [0.5, 1.0, 1.0, 1.0], u=3.0)

    even = measure_evenness(found, found, 4)

    assert even.too_faint
    assert even.weak_weight is None


def test_even_cylinders_are_even():
    found = lines(4, [1.0] * 4)

    even = measure_evenness(found, found, 4)

    assert even.uneven_firing.value == pytest.approx(0.0, abs=1e-6)
    assert even.weak_weight < 0.01


def test_unlike_banks_are_not_taken_for_a_weak_cylinder():
    found = lines(4, [1.0, 0.7, 1.0, 0.7])

    even = measure_evenness(found, found, 4)

    assert even.weak_weight < 0.1
    assert even.uneven_firing.value > 0.005


def test_bursts_in_noise_hide_part_of_what_a_cylinder_lacks_and_do_not_acquit_it():
    plain, filled = lines(3, [0.3, 1.0, 1.0]), lines(3, [0.65, 1.0, 1.0])

    assert measure_evenness(plain, filled, 3).deficit.value == pytest.approx(0.7, rel=0.02)


def test_one_cylinder_alone_has_no_uneven_firing():
    even = measure_evenness(lines(1, [1.0]), None, 1)

    assert even.uneven_firing is None
    assert even.weak_weight is None


def cycles_of(strengths, cycles, *, swing=0.02):
    """Pulses of these strengths, cycle after cycle, at a speed that swings; a stretch to it."""
    t = np.arange(0, cycles * 0.15, 1e-3)
    cycle_hz = 7.0 * (1 + swing * np.sin(2 * np.pi * 0.3 * t))
    phase = np.concatenate([[0.0], np.cumsum(cycle_hz[:-1])]) * 1e-3
    n = len(strengths)
    sound = sum(
        a * np.exp(20 * (np.cos(2 * np.pi * (phase - j / n)) - 1)) for j, a in enumerate(strengths)
    )
    return sound, whole(cycle_hz)


def test_a_line_that_keeps_step_with_the_cycle_is_found_under_louder_noise_and_a_louder_tone():
    """Closed form: cosines of known amplitude, power half its square; the tone stands still."""
    sound, stretch = cycles_of([1.0], 60)
    phase = np.concatenate([[0.0], np.cumsum(stretch.beat_hz[:-1])]) * 1e-3
    rng = np.random.default_rng(4)
    t = np.arange(len(sound)) * 1e-3
    x = 0.5 * np.cos(2 * np.pi * 3 * phase) + rng.normal(size=len(t)) + np.sin(2 * np.pi * 35.3 * t)

    found = locked_lines(x, stretch, 1.0)

    assert found.power[2] == pytest.approx(0.125, abs=2.5 * found.u_power[2])
    assert found.u_power[2] < 0.02
    others = np.delete(found.power / found.u_power, 2)
    assert np.mean(np.abs(others) > 3) < 0.05


def test_the_uncertainty_of_a_line_is_as_wide_as_noise_makes_it():
    _, stretch = cycles_of([1.0], 60)
    rng = np.random.default_rng(5)
    scores, powers = [], []
    for _ in range(20):
        found = locked_lines(rng.normal(size=len(stretch.beat_hz)), stretch, 1.0)
        scores.extend(found.power / found.u_power)
        powers.extend(found.power)

    # below 1: what chance adds to a line counts as a line's own unrest too, on the safe side
    assert 0.6 < np.std(scores) < 1.1
    assert abs(np.mean(powers)) < 0.15 * np.std(powers)  # noise adds nothing on average


def test_too_few_cycles_have_no_lines():
    sound, stretch = cycles_of([1.0, 1.0], 9)

    assert locked_lines(sound, stretch, 1.0) is None


def test_samples_at_an_odd_rate_are_refused():
    with pytest.raises(ValueError, match=r"multiple of 1000 1/s"):
        hear_beats(np.zeros(44100, dtype=np.float32), 44100)
