"""The pipe's end in the picture, and the measuring section beyond it."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import Doubt

Floats = NDArray[np.float64]

SIDE_DIAMETERS = 1.1  # of the measuring section
CENTRE_DIAMETERS = 0.95  # from the exit along the outflow


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One place that could be the exit."""

    exit_px: tuple[float, float]
    diameter_px: float
    direction_deg: float
    score: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeExit:
    """Where the pipe ends, in the plate's pixels."""

    exit_px: tuple[float, float] | None  # centre of the mouth; None: not found
    u_exit_px: float  # standard uncertainty per axis
    diameter_px: float | None  # outer diameter
    u_diameter_px: float
    direction_deg: float | None  # of the outflow: 0 right, 90 down, -180 to 180
    u_direction_deg: float
    candidates: tuple[Candidate, ...] = ()  # best first
    doubts: frozenset[Doubt] = frozenset()

    def __post_init__(self) -> None:
        if self.exit_px is None and not self.doubts:
            msg = "an exit that was not found needs a doubt that says why"
            raise ValueError(msg)


def measuring_section(
    exit_px: tuple[float, float], diameter_px: float, direction_deg: float
) -> tuple[int, int, int, int]:
    """Cut the square beyond the exit that the headline reading is taken from.

    Axis-aligned, side 1.1 diameters, centre 0.95 diameters from the exit along the outflow; each
    side goes to the nearest whole pixel.

    Parameters
    ----------
    exit_px : tuple of float
        x, y of the mouth's centre. [px]
    diameter_px : float
        Outer diameter of the pipe. [px]
    direction_deg : float
        Direction of the outflow: 0 right, 90 down. [deg]

    Returns
    -------
    x0, y0, x1, y1 : int
        Columns x0 to x1 - 1, rows y0 to y1 - 1. It may lie outside the picture.

    Raises
    ------
    ValueError
        If `diameter_px` is not above zero.

    Source
    ------
    The project's own definition (README, "Measuring section").

    Examples
    --------
    >>> measuring_section((194.6, 220.5), 32.82, 10.26)
    (207, 208, 243, 244)
    """
    if not diameter_px > 0:
        msg = f"diameter_px must be above zero (got {diameter_px})"
        raise ValueError(msg)
    angle = math.radians(direction_deg)
    half = 0.5 * SIDE_DIAMETERS * diameter_px
    x = exit_px[0] + CENTRE_DIAMETERS * diameter_px * math.cos(angle)
    y = exit_px[1] + CENTRE_DIAMETERS * diameter_px * math.sin(angle)
    sides = (x - half, y - half, x + half, y + half)
    x0, y0, x1, y1 = (math.floor(s + 0.5) for s in sides)
    return x0, y0, max(x1, x0 + 1), max(y1, y0 + 1)


def drawn_sections(pipe: PipeExit, members: int, rng: np.random.Generator) -> Floats:
    """Draw the section of each member, with exit, diameter and direction within their doubt.

    Returns
    -------
    ndarray, shape (members, 4)
        x0, y0, x1, y1 as `measuring_section` gives them; row 0 is the best. [px]
    """
    boxes = []
    for m in range(members):
        z = rng.normal(size=4) if m else np.zeros(4)
        exit_px = (
            pipe.exit_px[0] + z[0] * pipe.u_exit_px,  # type: ignore[index]
            pipe.exit_px[1] + z[1] * pipe.u_exit_px,  # type: ignore[index]
        )
        wide = float(pipe.diameter_px * np.exp(z[2] * pipe.u_diameter_px / pipe.diameter_px))
        boxes.append(
            measuring_section(exit_px, wide, pipe.direction_deg + z[3] * pipe.u_direction_deg)
        )
    return np.array(boxes, np.float64)
