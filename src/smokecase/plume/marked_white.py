"""White from a thing that the user marks: a white object in the yard's light, or the sky."""

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

LUMA = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1
# white paint gives back about 0.8, so a perfect card is lighter by a quarter; an even sky lights
# an upright card from its upper half, so the card is darker than the sky by nearly a half.
# Nothing in a box tells the two apart: the middle, and a doubt that spans both.
CARD_OVER_MARKED = 0.9  # common practice, no source
U_LN_MARKED = 0.35
FEWEST = 16  # pixels
MOST_BLOWN = 0.5  # share of the box


def marked_white(plate: Picture, blown: NDArray[np.bool_], box: Box) -> Floats:
    """Light of a white card, from what lies in a marked box.

    Parameters
    ----------
    plate : ndarray, shape (h, w, 3)
        Light without smoke.
    blown : ndarray of bool, shape (h, w)
        Its blown-out pixels.
    box : tuple of float
        x0, y0, x1, y1. [working px]

    Returns
    -------
    ndarray, shape (3,)
        In the plate's unit; the standard uncertainty of its logarithm is `U_LN_MARKED`.

    Raises
    ------
    ValueError
        If the box holds too few pixels, is mostly blown out, or darker than half of the view.
    """
    h, w = plate.shape[:2]
    x0, y0 = max(0, round(box[0])), max(0, round(box[1]))
    x1, y1 = min(w, round(box[2]) + 1), min(h, round(box[3]) + 1)
    inside = plate[y0:y1, x0:x1].reshape(-1, 3)
    if x1 <= x0 or y1 <= y0 or len(inside) < FEWEST:
        msg = "white_px marks too few pixels of the picture: mark a larger box inside it"
        raise ValueError(msg)
    bad = blown[y0:y1, x0:x1].ravel()
    if bad.mean() > MOST_BLOWN:
        msg = "white_px marks blown-out pixels: mark something white that still shows shades"
        raise ValueError(msg)
    light = np.median(inside[~bad].astype(np.float64), axis=0)
    if light @ LUMA <= float(np.median(plate @ LUMA)):
        msg = "white_px marks something darker than half of the view: mark a white thing or the sky"
        raise ValueError(msg)
    return np.asarray(CARD_OVER_MARKED * light)
