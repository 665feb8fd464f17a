"""Smoke per metre: what an examination's opacities mean over a known way through the plume.

k = -ln(T) / L on the plume's centre line, the same over a standard path length, and for black
smoke the Ringelmann number. All of it is indicative: a camera looks through an open plume, whose
depth is only known as well as its width.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from smokecase.measured import Measured
from smokecase.optics.opacity import measured_coefficient, ringelmann_number, to_path_length
from smokecase.readings import Examination

BLACK_ENOUGH = 0.7  # weight of black from which a Ringelmann number is told
ROUNDNESS = 0.12  # relative: plumes are not round, and what they hide behind is not seen
SECTION_DIAMETERS = 1.1  # side of the measuring section


@dataclass(frozen=True, slots=True, kw_only=True)
class CoefficientRow:
    """One frame; None where the picture cannot answer."""

    time_s: float
    k: Measured | None  # [1/m]
    standard_opacity: Measured | None  # over the standard path length [%]
    ringelmann: Measured | None  # black smoke only


def path_from_pipe(examination: Examination, pipe_mm: Measured) -> Measured | None:
    """Depth of the plume, taken as its width at the measuring section.

    The pipe's outer diameter gives the scale. The width follows from how much thinner the
    section is on average than on its centre line, taken as that of an even, round plume of the
    same depth of smoke. None where no smoke shows it or the plume is wider than the section.

    Parameters
    ----------
    pipe_mm : Measured
        The pipe's outer diameter. [mm]

    Source
    ------
    Round plume: mean depth over its width is pi / 4 of that on its centre line (geometry).
    """
    trace = examination.trace
    mean, centre = trace.opacity_pct / 100.0, trace.centre_line_pct / 100.0
    shown = np.isfinite(mean) & np.isfinite(centre) & (centre > 0.1) & (centre < 0.95)
    shown &= (mean > 0.03) & (mean < 0.95)
    if shown.sum() < 3 or not examination.diameter_px:
        return None
    # depth, not opacity, adds up across the plume
    filled = float(np.median(np.log1p(-mean[shown]) / np.log1p(-centre[shown])))
    width = 4.0 / math.pi * SECTION_DIAMETERS * filled  # in pipe diameters
    if filled > 0.95:
        return None  # the section is filled from edge to edge: the width stays open
    scale = (examination.u_diameter_px or 0.0) / examination.diameter_px
    value = width * pipe_mm.value / 1000.0
    relative = math.hypot(math.hypot(scale, pipe_mm.u / pipe_mm.value), ROUNDNESS)
    return Measured(value=value, u=value * relative, unit="m")


def pipe_from_backdrop(
    examination: Examination, *, behind_m: Measured, distance_m: Measured
) -> Measured | None:
    """Outer diameter of the pipe by the scale of the printed backdrop behind it.

    The backdrop lies further away than the plume, so its millimetres look smaller:
    ``D = d_px * s * (1 - b / a)``, a from camera to backdrop, b from plume to backdrop.

    Parameters
    ----------
    behind_m, distance_m : Measured
        How far the backdrop hangs behind the plume, and from the camera. [m]

    Returns
    -------
    Measured or None
        [mm] None where no printed backdrop was found.

    Source
    ------
    Similar triangles; uncertainty by JCGM 100:2008, 5.1.2, eq. (10).
    """
    scale = examination.settings.get("backdrop_mm_per_px")
    if not scale or not examination.diameter_px:
        return None
    nearer = 1.0 - behind_m.value / distance_m.value
    u_nearer = math.hypot(behind_m.u, behind_m.value / distance_m.value * distance_m.u)
    value = examination.diameter_px * float(scale) * nearer
    # the diameter's own doubt enters with the plume's width, which is told in diameters
    relative = math.hypot(
        float(examination.settings.get("u_backdrop_mm_per_px", 0.0)) / float(scale),
        u_nearer / distance_m.value / nearer,
    )
    return Measured(value=value, u=value * relative, unit="mm")


def trace_coefficient(
    examination: Examination, path_length: Measured, *, standard_m: float = 0.43
) -> Iterator[CoefficientRow]:
    """Coefficient, standard opacity and Ringelmann number of every frame.

    Parameters
    ----------
    path_length : Measured
        Way of the line of sight through the plume. [m]
    standard_m : float
        Path length that opacity is converted to; 0.43 m is that of UN R24 class meters. [m]

    Raises
    ------
    ValueError
        If a length is not above zero.

    Source
    ------
    `optics.opacity`: Beer-Lambert law, 40 CFR 86.884-14, Information Circular 8333.
    """
    trace = examination.trace
    black = not examination.colour.colour_open and examination.colour.black >= BLACK_ENOUGH
    for i, time_s in enumerate(trace.time_s):
        centre, mean = trace.centre_line_pct[i], trace.opacity_pct[i]
        if not (math.isfinite(centre) and math.isfinite(mean)):
            yield CoefficientRow(
                time_s=float(time_s), k=None, standard_opacity=None, ringelmann=None
            )
            continue
        half = np.array([mean - trace.opacity_low_pct[i], trace.opacity_high_pct[i] - mean])
        # the line is narrower than the section: half as much doubt again, and its own floor
        low, high = np.hypot(1.5 * half, 1.0)
        light = Measured(
            value=1.0 - centre / 100.0,
            u=float(min(low, high)) / 196.0,
            unit="1",
            low=1.0 - (centre + high) / 100.0 if math.isfinite(high) else -math.inf,
            high=1.0 - (centre - low) / 100.0,
        )
        k = measured_coefficient(light, path_length)
        yield CoefficientRow(
            time_s=float(time_s),
            k=k,
            standard_opacity=_standard(k, standard_m),
            ringelmann=_ringelmann(mean, half) if black else None,
        )


def _standard(k: Measured | None, standard_m: float) -> Measured | None:
    if k is None:
        return None

    def opacity(coefficient: float) -> float:
        if math.isinf(coefficient):
            return math.inf
        # k over one metre is an opacity, and goes on as the published equation has it
        over_a_metre = 100.0 * (1.0 - math.exp(-coefficient))
        return float(to_path_length(over_a_metre, 1.0, standard_m)[0])

    value = opacity(k.value)
    low, high = opacity(k.low), opacity(k.high)
    if not all(map(math.isfinite, (value, low))):
        return None
    return Measured(value=value, u=(value - low) / 1.96, unit="%", low=low, high=max(high, value))


def _ringelmann(opacity: float, half: np.ndarray) -> Measured | None:
    number = float(ringelmann_number(opacity)[0])
    low, high = number - float(half[0]) / 20.0, number + float(half[1]) / 20.0
    return Measured(value=number, u=(number - low) / 1.96, unit="", low=low, high=high)
