"""Where the smoke of a pipe is looked for first: a cone along the outflow."""

import numpy as np
from numpy.typing import NDArray

from smokecase.plume.section import PipeExit

REACH_DIAMETERS = 16.0
SPREAD, HALF_WIDTH = 0.55, 0.8  # of the cone per diameter: a jet opens, wind bends it


def outflow_cone(
    shape: tuple[int, ...], pipe: PipeExit, *, reach: float = REACH_DIAMETERS
) -> NDArray[np.bool_]:
    """Cut the cone of an exit out of a picture; all of it where there is no exit.

    Parameters
    ----------
    shape : tuple of int
        Of the picture.
    pipe : PipeExit
        In its pixels.
    reach : float
        Length of the cone. [diameters]

    Returns
    -------
    ndarray of bool, shape (h, w)
    """
    if pipe.exit_px is None or pipe.diameter_px is None or pipe.direction_deg is None:
        return np.ones(shape, bool)
    y, x = np.mgrid[: shape[0], : shape[1]]
    angle = np.radians(pipe.direction_deg)
    dx, dy = x - pipe.exit_px[0], y - pipe.exit_px[1]
    along = dx * np.cos(angle) + dy * np.sin(angle)
    across = np.abs(-dx * np.sin(angle) + dy * np.cos(angle))
    d = pipe.diameter_px
    inside = (along > 0.1 * d) & (along < reach * d)
    return np.asarray(inside & (across < HALF_WIDTH * d + SPREAD * along))
