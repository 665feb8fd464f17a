"""A hand-made examination of an invented clip, for tests that need no picture."""

import math
from dataclasses import replace

import numpy as np

from smokecase.doubts import DENSE, NO_TEXTURE, TOO_SHORT
from smokecase.measured import Measured
from smokecase.readings import Examination, KeyFrame, OpacityMap, SmokeColour, SmokeTiming
from smokecase.trace import SmokeReading, SmokeTrace


def an_examination(**changes):
    """Black smoke from 2.0 s that falls from 60 % with a time constant of 1.5 s."""
    times = np.arange(0, 8, 0.1)
    readings = []
    for time_s in times:
        smoke = time_s >= 2.0
        value = 60 * math.exp(-(time_s - 2) / 1.5) if smoke else 0.3
        readings.append(
            SmokeReading(
                time_s=float(time_s),
                transmittance=np.full(3, 1 - value / 100),
                u_transmittance=np.full(3, 0.03),
                opacity=Measured(value=value, u=3.0, unit="%"),
                centre_line_pct=1.1 * value,
                plume_p95_pct=1.2 * value if smoke else math.nan,
                area_px=500.0 if smoke else 0.0,
                length_px=90.0 if smoke else 0.0,
                colour=np.array([0.9, 0.04, 0.06, 0]) if smoke else np.array([0, 0, 0, 1.0]),
                doubts=frozenset({DENSE}) if value > 50 else frozenset(),
            )
        )
    whole = Examination(
        clip="yard.mp4",
        sha256="a1" * 32,
        source="clip",
        width=640,
        height=360,
        duration_s=8.0,
        frames=len(readings),
        lost_packets=0,
        refused=None,
        exit_px=(200.0, 180.5),
        u_exit_px=1.5,
        diameter_px=30.0,
        u_diameter_px=2.0,
        direction_deg=4.0,
        section_px=(212.0, 164.0, 245.0, 197.0),
        trace=SmokeTrace.from_readings(readings),
        timing=SmokeTiming(
            engine_start_s=1.8,
            onset_s=2.0,
            peak_s=2.1,
            peak_pct=58.0,
            half_fall_s=1.04,
            tenth_fall_s=3.45,
            settled_pct=2.0,
            visible_share=0.47,
            longest_visible_s=3.7,
            puff_hz=6.0,
            u_puff_hz=0.1,
        ),
        colour=SmokeColour(
            black=0.9,
            blue=0.04,
            white=0.06,
            none=0.0,
            colour_open=False,
            word="black",
            spectral_slope=Measured(value=1.1, u=0.2, unit="1"),
            veil_reflectance=(0.03, 0.03, 0.03),
            u_veil_reflectance=0.02,
            lighting="front",
        ),
        doubts=frozenset({DENSE}),
        settings={"remarks": ["2 damaged packets of the file were left out"]},
        versions={"smokecase": "0.1.0"},
        key_frames=key_frames(),
    )
    return replace(whole, **changes)


def key_frames(count=3, height=36, width=64):
    plume = np.zeros((height, width), bool)
    plume[10:20, 20:40] = True
    picture = np.full((height, width, 3), 120, np.uint8)
    return tuple(
        KeyFrame(time_s=float(i), what="densest", picture=picture, plume=plume,
                 section_px=(21.0, 16.0, 24.0, 19.0), exit_px=(20.0, 18.0))
        for i in range(count)
    )  # fmt: skip


def a_refused_examination():
    """Nothing could be read; the reason and a doubt say why."""
    whole = an_examination()
    n = len(whole.trace)
    nothing = np.full(n, np.nan)
    trace = replace(
        whole.trace, opacity_pct=nothing, opacity_low_pct=nothing, opacity_high_pct=nothing,
        centre_line_pct=nothing, plume_p95_pct=nothing, colour=np.full((n, 4), np.nan),
        doubts=(frozenset({NO_TEXTURE}),) * n,
    )  # fmt: skip
    return replace(whole, refused=NO_TEXTURE.words, trace=trace, timing=SmokeTiming(),
                   doubts=frozenset({NO_TEXTURE, TOO_SHORT}))  # fmt: skip


def a_pair():
    """One reading from a pair of stills, with its map."""
    whole = an_examination()
    values = np.linspace(-5, 80, 36 * 64, dtype=np.float32).reshape(36, 64)
    values[:4] = np.nan
    first = SmokeReading(
        time_s=0.0, transmittance=np.full(3, 0.6), u_transmittance=np.full(3, 0.02),
        opacity=Measured(value=40.0, u=2.0, unit="%"), colour=np.array([0.9, 0.04, 0.06, 0]),
    )  # fmt: skip
    return replace(
        whole, clip="smoke.png", source="pair", duration_s=0.0, frames=1,
        trace=SmokeTrace.from_readings([first]), timing=SmokeTiming(), key_frames=key_frames(2),
        opacity_map=OpacityMap(opacity_pct=values, low_pct=values - 4, high_pct=values + 4),
    )  # fmt: skip
