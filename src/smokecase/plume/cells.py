"""The measuring section in cells of two by two pixels: smoothed light, and how much lies inside."""

import math

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

SMOOTH_PX = 2.5  # pixels are averaged over this sigma: noise goes, the plume's edge stays
CELL_SMOOTH = math.sqrt(SMOOTH_PX**2 - 1 / 3) / 2  # in cells: halving itself smooths by 1/3 px^2


def smooth(picture: Picture, sigma: float) -> Picture:
    """Gaussian blur, mirrored at the edges."""
    return np.asarray(
        cv2.GaussianBlur(picture, (0, 0), sigma, borderType=cv2.BORDER_REFLECT), np.float32
    )


def halved(picture: Picture) -> Picture:
    """Means of two by two pixels."""
    size = (picture.shape[1] // 2, picture.shape[0] // 2)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)


def smoothed_cells(picture: Picture) -> Picture:
    """Cells of a picture, smoothed as the reading wants it; shape (3, p)."""
    return cells(smooth(halved(picture), CELL_SMOOTH))


def cells(picture: Picture) -> Picture:
    """Channels first, each in one piece: shape (3, p)."""
    return np.ascontiguousarray(picture.reshape(-1, 3).T)


def even_part(low: float, high: float, side: int) -> tuple[int, int]:
    """First and past-the-last pixel of the part that is read, an even number of them."""
    pad = int(3 * SMOOTH_PX) + 1
    first = int(np.clip(np.floor(low) - pad, 0, side - 2))
    last = int(np.clip(np.ceil(high) + pad, first + 2, side))
    if (last - first) % 2:
        if last < side:
            last += 1
        elif first:
            first -= 1
        else:
            last -= 1
    return first, last


def along(x: Floats, y: Floats, shape: tuple[int, int]) -> Floats:
    """Weight of each cell in the mean over points of the patch, read between cells; (p,)."""
    weights = np.zeros(shape)
    near = [
        np.clip((place + 0.5) / 2.0 - 0.5, 0.0, side - 1.0)
        for place, side in zip((y, x), shape, strict=True)
    ]
    for down, across in ((0, 0), (0, 1), (1, 0), (1, 1)):
        corners, shares = [], []
        for place, step, side in zip(near, (down, across), shape, strict=True):
            before = np.floor(place)
            corners.append(np.minimum(before + step, side - 1).astype(int))
            shares.append(place - before if step else 1.0 - (place - before))
        np.add.at(weights, tuple(corners), shares[0] * shares[1])
    return np.asarray(weights.ravel() / weights.sum())


def mostly(weights: Floats) -> NDArray[np.bool_]:
    """Cells or pixels of which more than half as much as of the fullest counts."""
    return np.asarray(weights > 0.5 * weights.max())


def coverage(box: Floats, shape: tuple[int, int]) -> Floats:
    """Share of each pixel that lies in the box, scaled to sum to 1."""
    # pixel i spans i - 0.5 to i + 0.5; box edges are given as first and past-the-last pixel
    across = np.clip(
        np.minimum(np.arange(shape[1]) + 1, box[2]) - np.maximum(np.arange(shape[1]), box[0]), 0, 1
    )
    down = np.clip(
        np.minimum(np.arange(shape[0]) + 1, box[3]) - np.maximum(np.arange(shape[0]), box[1]), 0, 1
    )
    covered = down[:, None] * across[None, :]
    total = covered.sum()
    return covered / total if total > 0 else np.full(shape, 1.0 / (shape[0] * shape[1]))


def overlap(box: Floats, w: int, h: int) -> float:
    """Share of the box that lies in the picture."""
    area = (box[2] - box[0]) * (box[3] - box[1])
    cut = (min(box[2], w) - max(box[0], 0.0)) * (min(box[3], h) - max(box[1], 0.0))
    return float(max(0.0, cut) / area)
