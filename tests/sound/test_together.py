"""Smoke against sound, in closed form."""

import numpy as np
import pytest

from smokecase.measured import Measured
from smokecase.readings import SmokeTiming, SoundReading
from smokecase.together import lay_together
from smokecase.trace import SmokeReading, SmokeTrace


def trace(opacity):
    readings = [
        SmokeReading(
            time_s=i / 25, transmittance=np.full(3, 1 - o / 100), u_transmittance=np.full(3, 0.02),
            opacity=Measured(value=float(o), u=2.0, unit="%"),
        )
        for i, o in enumerate(opacity)
    ]  # fmt: skip
    return SmokeTrace.from_readings(readings)


def sound(**more):
    idle = Measured(value=720.0, u=2.0, unit="1/min")
    return SoundReading(idle_speed=idle, cranking_starts_s=2.0, first_firing_s=4.0, **more)


def test_six_puffs_a_second_at_720_turns_are_one_a_cycle():
    """720 / 120 = 6: the figure of MEASURING, section 6."""
    both = lay_together(trace(np.zeros(200)), SmokeTiming(puff_hz=6.0, u_puff_hz=0.1), sound())

    assert both.puffs_per_cycle.value == pytest.approx(1.0)
    assert both.one_puff_a_cycle is True


def test_puffs_at_twice_the_cycle_are_not_one_cylinder():
    both = lay_together(trace(np.zeros(200)), SmokeTiming(puff_hz=12.0, u_puff_hz=0.1), sound())

    assert both.one_puff_a_cycle is False
    assert both.words == "The smoke comes 2.000 (1.966 to 2.034) times per engine cycle."


def test_smoke_that_rises_with_the_starter_is_measured():
    opacity = np.where(np.arange(200) / 25 < 2.0, 0.0, 30.0)

    both = lay_together(trace(opacity), SmokeTiming(), sound())

    assert both.cranking_smoke.value == pytest.approx(30.0)
    assert both.cranking_smoke.low > 20
    assert "while the starter turns" in both.words


def test_clear_air_while_cranking_is_not_called_smoke():
    both = lay_together(trace(np.zeros(200)), SmokeTiming(), sound())

    assert both.cranking_smoke.low < 0 < both.cranking_smoke.high
    assert both.words == ""


def test_an_open_speed_says_nothing_about_puffs():
    other = Measured(value=1440.0, u=4.0, unit="1/min")
    both = lay_together(
        trace(np.zeros(50)), SmokeTiming(puff_hz=6.0), sound(other_idle_speed=other)
    )

    assert both.puffs_per_cycle is None
    assert lay_together(trace(np.zeros(50)), SmokeTiming(), None).words == ""


def test_the_puff_rate_tells_which_of_two_readings_of_the_speed_is_likelier():
    """6 puffs a second are one a cycle at 720 turns a minute, and half a one at 1440."""
    low, high = (Measured(value=v, u=4.0, unit="1/min") for v in (720.0, 1440.0))
    smoke = trace(np.zeros(50))

    for first, second in ((low, high), (high, low)):
        heard = SoundReading(idle_speed=first, other_idle_speed=second)
        both = lay_together(smoke, SmokeTiming(puff_hz=6.0, u_puff_hz=0.1), heard)
        assert both.words.startswith("Of both readings of the speed 720 1/min (712 to 728) is")

        neither = lay_together(smoke, SmokeTiming(puff_hz=8.5, u_puff_hz=0.1), heard)
        assert neither.words == ""


def blipped(opacity_of_speed):
    """A start whose speed is blipped from 800 to 2000 1/min at 6 s; opacity 0.3 s later."""
    times = np.arange(0, 10, 0.25)
    speed = 800 + 1200 * np.exp(-(((times - 6) / 0.8) ** 2))
    idle = Measured(value=800.0, u=2.0, unit="1/min")
    heard = SoundReading(idle_speed=idle, speed_time_s=tuple(times), speed_per_min=tuple(speed),
                         u_speed=0.006)  # fmt: skip
    frames = np.arange(250) / 25
    noise = np.random.default_rng(1).normal(0, 1.0, 250)
    return trace(opacity_of_speed(np.interp(frames - 0.3, times, speed)) + noise), heard


def test_smoke_that_follows_the_speed_is_measured_by_its_slope():
    smoke, heard = blipped(lambda speed: (speed - 800) / 100 * 2.5)

    both = lay_together(smoke, SmokeTiming(), heard)

    assert both.smoke_with_speed.value == pytest.approx(2.5, abs=0.2)
    assert both.smoke_with_speed.low < 2.5 < both.smoke_with_speed.high
    assert "Smoke rises with the speed" in both.words


def test_smoke_that_only_clears_with_time_is_not_laid_to_the_speed():
    smoke, heard = blipped(lambda speed: 40 * np.exp(-np.arange(250) / 25 / 6))

    both = lay_together(smoke, SmokeTiming(), heard)

    assert abs(both.smoke_with_speed.value) < 2.5 * both.smoke_with_speed.u + 0.05
    assert "with the speed" not in both.words


def test_an_even_speed_tells_nothing_of_smoke_with_speed():
    heard = sound(speed_time_s=tuple(np.arange(0, 8, 0.25)), speed_per_min=(720.0,) * 32)

    assert lay_together(trace(np.zeros(200)), SmokeTiming(), heard).smoke_with_speed is None
