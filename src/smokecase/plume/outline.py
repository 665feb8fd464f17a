"""The plume's outline as polygons, for drawing over the picture that was filmed."""

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SMALLEST_SHARE = 0.0004  # of the picture: specks below it are not drawn
COARSE_PX = 1.2  # how far a drawn line may leave the mask's edge, in mask pixels
MOST_SHAPES = 6


def outline_plume(
    mask: NDArray[np.bool_], to_plate: Floats | None, scale: float
) -> tuple[NDArray[np.int32], ...]:
    """Draw the outer edges of a plume's mask as polygons.

    Parameters
    ----------
    mask : ndarray of bool, shape (h, w)
        Smoke on the plate, at half working size.
    to_plate : ndarray, shape (2, 3), or None
        How the frame was moved onto the plate, in working pixels; None: not at all.
    scale : float
        Working pixels per picture pixel.

    Returns
    -------
    tuple of ndarray of int32, shape (n, 2)
        Corners x, y of each polygon, the largest first. [px of the upright picture]
    """
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    least = SMALLEST_SHARE * mask.size
    large = sorted((c for c in found if cv2.contourArea(c) >= least), key=cv2.contourArea)[::-1]
    shapes = []
    for contour in large[:MOST_SHAPES]:
        corners = cv2.approxPolyDP(contour, COARSE_PX, True).reshape(-1, 2).astype(np.float64)
        working: Floats = 2.0 * corners + 0.5  # centre of the two by two pixels
        if to_plate is not None:
            turn, move = to_plate[:, :2], to_plate[:, 2]
            working = np.asarray(np.linalg.solve(turn, (working - move).T).T)
        shapes.append(np.round((working + 0.5) / scale - 0.5).astype(np.int32))
    return tuple(shapes)
