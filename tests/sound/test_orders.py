"""Order analysis against closed form and a general-purpose library."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import lombscargle

from smokecase.measured import Measured
from smokecase.sound.orders import OrderSpectrum, Stretch, expected_idle, order_spectrum, sharpen
from smokecase.sound.periods import Beats, hear_beats
from smokecase.sound.uneven import accuse_surely, measure_evenness

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
    beats = Beats(pulse=pulse, swell=silent, time_s=np.zeros(1), frequency_hz=np.zeros(1),
                  excess=np.zeros((1, 1)))  # fmt: skip

    found = sharpen(beats, whole(np.full(len(beat), 25.0)))

    inner = slice(500, -500)
    assert np.abs(found.beat_hz[inner] / beat[inner] - 1).max() < 0.006  # of a swing of 0.03
    assert np.std(found.wander) == pytest.approx(0.03 / np.sqrt(2), rel=0.15)


@pytest.mark.parametrize("time_constant_s", [0.4, 0.7, 1.2])
def test_the_idle_of_a_flare_that_still_dies_away_lies_in_the_interval(time_constant_s):
    """Closed form: 700 (1 + 0.15 exp(-t / time constant)), heard from 0.5 to 1.4 s."""
    t = np.linspace(0.5, 1.4, 15)
    speed = 700.0 * (1 + 0.15 * np.exp(-t / time_constant_s))
    heard = Stretch(begin=0, end=900, beat_hz=np.full(900, 25.0), u_beat=0.001,
                    wander=speed / speed.mean() - 1, settled=False, coherence=1.0)  # fmt: skip

    factor, u = expected_idle(heard)

    assert abs(speed.mean() * factor - 700.0) < 1.96 * speed.mean() * u
    assert expected_idle(dataclasses.replace(heard, settled=True)) == (1.0, 0.001)


def lines(cylinders, strengths):
    """Order spectrum of narrow pulses of these strengths, in closed form; order 1 is the firing."""
    order = np.arange(0, 12, 1 / 64)
    power = np.full(len(order), 1e-6)
    a = np.abs(np.fft.fft(strengths)) ** 2
    for k in range(1, 11 * cylinders):
        power[round(k / cylinders * 64)] = a[k % cylinders] * 0.9**k
    return OrderSpectrum(order=order, power=power, windows=10.0)


@pytest.mark.parametrize("cylinders", [2, 4, 8])  # places fall on the grid of 1/64
@pytest.mark.parametrize("left", [0.0, 0.5])
def test_one_weak_cylinder_is_measured_by_what_it_lacks(cylinders, left):
    spectrum = lines(cylinders, [left] + [1.0] * (cylinders - 1))

    even = measure_evenness(spectrum, spectrum, ratio=1.0, cylinders=cylinders)

    # |A(q)| / A(0) = (1 - left) / (n - 1 + left); w n rho / (1 + rho) against the mean strength
    rho = (1 - left) / (cylinders - 1 + left)
    assert even.deficit.value == pytest.approx(cylinders * rho / (1 + rho), rel=0.1)
    assert even.weak_weight > 0.5


def test_faint_lines_accuse_no_cylinder_unless_it_lacks_far_more_than_they_are_unsure_of():
    weak = measure_evenness(*[lines(4, [0.5, 1, 1, 1])] * 2, ratio=1.0, cylinders=4)
    unsure = dataclasses.replace(weak, deficit=Measured(value=0.5, u=0.1, unit=""))

    assert accuse_surely(unsure, 50.0).weak_weight == weak.weak_weight  # plain lines
    assert accuse_surely(unsure, 20.0).weak_weight is None
    assert accuse_surely(unsure, 20.0).too_faint
    dead = dataclasses.replace(weak, deficit=Measured(value=0.9, u=0.1, unit=""))
    assert accuse_surely(dead, 20.0).weak_weight == weak.weak_weight


def test_even_cylinders_are_even():
    spectrum = lines(4, [1.0] * 4)

    even = measure_evenness(spectrum, spectrum, ratio=1.0, cylinders=4)

    assert even.uneven_firing.value == pytest.approx(0.0, abs=1e-3)
    assert even.weak_weight < 0.05


def test_unlike_banks_are_not_taken_for_a_weak_cylinder():
    spectrum = lines(4, [1.0, 0.7, 1.0, 0.7])

    even = measure_evenness(spectrum, spectrum, ratio=1.0, cylinders=4)

    assert even.weak_weight < 0.1
    assert even.uneven_firing.value > 0.005


def test_one_cylinder_alone_has_no_uneven_firing():
    spectrum = lines(1, [1.0])

    even = measure_evenness(spectrum, spectrum, ratio=1.0, cylinders=1)

    assert even.uneven_firing is None
    assert even.weak_weight is None


def test_samples_at_an_odd_rate_are_refused():
    with pytest.raises(ValueError, match=r"multiple of 1000 1/s"):
        hear_beats(np.zeros(44100, dtype=np.float32), 44100)
