"""Opacity of every pixel of a pair of stills, and what its section reads."""

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import EXIT_NOT_FOUND, VEIL_LIKE_PLATE, Doubt
from smokecase.measured import COVERAGE, Measured
from smokecase.plume.local_veil import LocalVeil
from smokecase.plume.section import PipeExit, measuring_section
from smokecase.readings import OpacityMap

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

LEAST_KNOWN = 0.7  # share of the section's pixels that must have an answer


def opacity_of_pixels(
    light: Picture, plate: Picture, u_plate: Picture, local: LocalVeil
) -> tuple[Floats, Floats]:
    """Opacity of every pixel and its standard uncertainty, both (h, w) in %.

    Parameters
    ----------
    light, plate, u_plate : ndarray, shape (h, w, 3)
        Smoky picture and clear one, linear, and the standard uncertainty of the latter.
    local : LocalVeil
        Veil of each place.
    """
    depths = local.depth(light, plate)  # (m, h, w)
    opacity = 100.0 * (1.0 - np.exp(-depths))
    value = opacity[0]
    spread = np.sqrt(np.mean((opacity[1:] - value) ** 2, axis=0))
    away = np.sqrt(np.sum((plate - local.light(plate.shape[:2])) ** 2, axis=-1)) + 0.005
    noise = 100.0 * np.sqrt(np.sum(u_plate.astype(np.float64) ** 2, axis=-1)) / away
    return value, np.sqrt(spread**2 + noise**2 + 0.4**2 + (0.03 * value) ** 2)


def make_map(values: Floats, u: Floats) -> OpacityMap:
    """Put values and their standard uncertainties, both (h, w) in %, together as a map."""
    return OpacityMap(
        opacity_pct=values.astype(np.float32),
        low_pct=(values - COVERAGE * u).astype(np.float32),
        high_pct=(values + COVERAGE * u).astype(np.float32),
    )


def section_of(pipe: PipeExit) -> Box:
    """Give the measuring section of a pipe that is known: x0, y0, x1, y1 in working pixels."""
    return measuring_section(pipe.exit_px, pipe.diameter_px, pipe.direction_deg)  # type: ignore[arg-type]


def opacity_in_section(
    values: Floats, u: Floats, pipe: PipeExit | None
) -> tuple[Measured | None, frozenset[Doubt]]:
    """Read the section from opacity and its standard uncertainty, both (h, w) in %.

    Without a pipe, or where too little of the section has an answer, a doubt says so instead.
    """
    if pipe is None or pipe.exit_px is None:
        return None, frozenset({EXIT_NOT_FOUND})
    x0, y0, x1, y1 = section_of(pipe)
    box = values[max(0, y0) : max(0, y1), max(0, x0) : max(0, x1)]
    if box.size == 0 or np.isfinite(box).mean() < LEAST_KNOWN:
        return None, frozenset({VEIL_LIKE_PLATE})
    doubt = u[max(0, y0) : max(0, y1), max(0, x0) : max(0, x1)]
    # neighbours err together: the mean is hardly better known than one of them
    return Measured(value=float(np.nanmean(box)), u=float(np.nanmean(doubt)), unit="%"), frozenset()
