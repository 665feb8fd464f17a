"""Hand-made traces and examinations with known readings."""

import hashlib

import numpy as np

from smokecase.readings import Examination, SmokeColour, SmokeTiming
from smokecase.trace import SmokeTrace


def make_trace(time_s, opacity_pct, *, half_width=3.0, plume=None, colour=(1.0, 0.0, 0.0, 0.0)):
    """Trace of the given opacity at the section; the same in the plume unless told."""
    n = len(time_s)
    opacity = np.broadcast_to(np.asarray(opacity_pct, dtype=float), (n,)).copy()
    half = np.broadcast_to(np.asarray(half_width, dtype=float), (n,))
    zeros = np.zeros(n)
    return SmokeTrace(
        time_s=np.asarray(time_s, dtype=float).copy(),
        opacity_pct=opacity,
        opacity_low_pct=opacity - half,
        opacity_high_pct=opacity + half,
        centre_line_pct=opacity.copy(),
        plume_p95_pct=np.array(opacity if plume is None else plume, dtype=float),
        area_px=zeros.copy(),
        length_px=zeros.copy(),
        shake_px=zeros.copy(),
        transmittance=np.repeat(1 - opacity[:, None] / 100, 3, axis=1),
        u_transmittance=np.repeat(half[:, None] / 196, 3, axis=1),
        colour=np.tile(np.asarray(colour, dtype=float), (n, 1)),
        doubts=(frozenset(),) * n,
    )


def make_examination(trace, *, clip="clip.mp4", start_s=3.0, colour=(1.0, 0.0, 0.0, 0.0), **more):
    """Examination of a trace, with the timing told by hand."""
    values = {
        "clip": clip,
        "sha256": hashlib.sha256(clip.encode()).hexdigest(),
        "source": "clip",
        "width": 1280,
        "height": 720,
        "duration_s": float(trace.time_s[-1]),
        "frames": len(trace),
        "lost_packets": 0,
        "refused": None,
        "exit_px": (400.0, 500.0),
        "u_exit_px": 2.0,
        "diameter_px": 60.0,
        "u_diameter_px": 2.0,
        "direction_deg": 0.0,
        "section_px": (424.0, 467.0, 490.0, 533.0),
        "trace": trace,
        "timing": SmokeTiming(engine_start_s=start_s, onset_s=start_s),
        "colour": SmokeColour(
            **dict(zip(("black", "blue", "white", "none"), colour, strict=True)),
            colour_open=False, word="black", lighting="front",
        ),
        "doubts": frozenset(),
    }  # fmt: skip
    return Examination(**(values | more))
