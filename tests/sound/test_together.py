"""Smoke against sound, in closed form."""

import numpy as np
import pytest

from smokecase.measured import Measured
from smokecase.readings import SmokeReading, SmokeTiming, SmokeTrace, SoundReading
from smokecase.together import lay_together


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
    assert "cylinder" not in both.words


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
