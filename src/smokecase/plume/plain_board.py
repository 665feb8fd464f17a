"""Finds a plain board of light and dark squares that carries no markers.

Dark squares of one size that touch at their corners make a checker; nothing else in a yard does.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

FEWEST = 8  # dark squares
SMALLEST_PX = 5.0  # side of a square
ALIKE = 0.35  # how much sides may differ, relative
DARKER = 0.5  # dark squares give back less than this share of what surrounds them

Box = tuple[float, float, float, float]


def find_checker(light: NDArray[np.float32]) -> Box | None:
    """Find the box that a checker fills.

    Parameters
    ----------
    light : ndarray, shape (h, w, 3)
        Light without smoke.

    Returns
    -------
    tuple of float or None
        x0, y0, x1, y1; None where there is no checker.
    """
    luma = np.asarray(light @ np.array([0.2126, 0.7152, 0.0722], np.float32), np.float32)
    # square root: near enough to how bright things look for a threshold
    grey = np.clip(255 * np.sqrt(np.clip(luma, 0, 1)), 0, 255).astype(np.uint8)
    best: Box | None = None
    most = FEWEST - 1
    for window in (31, 61, 121):
        if window >= min(grey.shape):
            continue
        dark = cv2.adaptiveThreshold(  # pixels darker than what lies around
            grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, window, 12
        )
        for gap in (3, 5):  # squares that touch at their corners come apart
            apart = np.asarray(cv2.erode(dark, np.ones((gap, gap), np.uint8)), np.uint8)
            squares = _squares(apart, luma, gap)
            box, count = _checker(squares)
            if box is not None and count > most:
                best, most = box, count
    return best


def _squares(dark: NDArray[np.uint8], luma: NDArray[np.float32], gap: int) -> NDArray[np.float64]:
    """Middle and side of every dark square, shape (n, 3)."""
    outlines, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    found = []
    for outline in outlines:
        (x, y), (a, b), _ = cv2.minAreaRect(outline)
        # contours run through pixel centres, and the erosion took (gap - 1) off each side
        a, b = a + gap, b + gap
        if min(a, b) < SMALLEST_PX or max(a, b) > 1.6 * min(a, b):
            continue
        if cv2.contourArea(outline) < 0.6 * max(1.0, (a - gap) * (b - gap)):
            continue
        side = float(np.sqrt(a * b))
        if _is_darker(luma, x, y, side):
            found.append((x, y, side))
    return np.array(found, np.float64).reshape(-1, 3)


def _is_darker(luma: NDArray[np.float32], x: float, y: float, side: float) -> bool:
    """Tell whether what lies a side away left, right, above and below is mostly lighter."""
    h, w = luma.shape
    here = float(luma[round(y) % h, round(x) % w])
    places = [(x + side, y), (x - side, y), (x, y + side), (x, y - side)]
    around = [
        float(luma[round(v), round(u)])
        for u, v in places
        if 0 <= round(u) < w and 0 <= round(v) < h
    ]
    return len(around) >= 2 and sum(here < DARKER * a for a in around) >= len(around) - 1


def _checker(squares: NDArray[np.float64]) -> tuple[Box | None, int]:
    """Box round the largest group of like squares that touch at their corners."""
    if len(squares) < FEWEST:
        return None, 0
    side = float(np.median(squares[:, 2]))
    like = squares[np.abs(squares[:, 2] / side - 1) < ALIKE]
    if len(like) < FEWEST:
        return None, 0
    apart = np.linalg.norm(like[:, None, :2] - like[None, :, :2], axis=2) / side
    joined = (apart > 0) & (np.abs(apart - np.sqrt(2)) < 0.35)
    # a thing that leans on the board touches one square; a square of the checker touches more
    loose = joined.sum(axis=1) < 2
    joined[loose, :] = joined[:, loose] = False
    group = _largest_group(joined)
    if len(group) < FEWEST:
        return None, 0
    x, y = like[group, 0], like[group, 1]
    half = side / 2
    box = (
        float(x.min() - half), float(y.min() - half),
        float(x.max() + half), float(y.max() + half),
    )  # fmt: skip
    # a checker is dark over half its box; scattered squares are not
    filled = len(group) * side**2 / max(1.0, (box[2] - box[0]) * (box[3] - box[1]))
    return (box, len(group)) if filled > 0.25 else (None, 0)


def _largest_group(joined: NDArray[np.bool_]) -> NDArray[np.int64]:
    rest: set[int] = set(range(len(joined)))
    best: list[int] = []
    while rest:
        group: list[int] = []
        edge = [rest.pop()]
        while edge:
            one = edge.pop()
            group.append(one)
            new = [j for j in np.nonzero(joined[one])[0].tolist() if j in rest]
            rest.difference_update(new)
            edge += new
        best = max(best, group, key=len)
    return np.array(best, np.int64)
