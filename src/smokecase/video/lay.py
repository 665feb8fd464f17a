"""Lays a frame on the plate and fills in what the frame did not see.

A phone that moves along leaves part of the plate's view. What it did not see is taken to be as
on the plate, at the frame's own exposure: it then reads as unchanged everywhere, where a mirrored
or black border would read as smoke, as a shadow or as lost texture.
"""

import numpy as np
from numpy.typing import NDArray

from smokecase.video.exposure import block_means, log_ratios
from smokecase.video.view import Cut, View, warp_mask, warp_to_plate

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

RIM_PX = 4  # the resampling kernel reaches so far beyond the frame
FEWEST_BLOCKS = 4  # that must tell the frame's exposure
WHOLE = 0.99  # share of a block that the frame must have seen


def lay_on_plate(
    light: Picture, view: View, plate: Picture, *, fine: Cut | None = None
) -> tuple[Picture, Mask | None]:
    """Lay a frame on the plate.

    Parameters
    ----------
    light : ndarray of float32, shape (h, w, 3)
        The frame. Linear light.
    view : View
        Its move onto the plate.
    plate : ndarray of float32, shape (h, w, 3)
        What stands in for what the frame did not see. Linear light.
    fine : tuple of two slices, optional
        See `warp_to_plate`.

    Returns
    -------
    light : ndarray of float32, shape (h, w, 3)
    seen : ndarray of bool, shape (h, w), or None
        Pixels of the plate that the frame saw. None: all.
    """
    laid = warp_to_plate(light, view, fine=fine)
    if view.is_still:
        return laid, None
    seen = _seen(view, light.shape[:2])
    if seen.all():
        return laid, None
    gain = _exposure(laid, plate, seen).astype(np.float32)
    return np.where(seen[..., None], laid, plate * gain), seen


def _seen(view: View, shape: tuple[int, ...]) -> Mask:
    inner = np.zeros(shape, bool)
    inner[RIM_PX:-RIM_PX, RIM_PX:-RIM_PX] = True
    return warp_mask(inner, view)


def whole_blocks(seen: Mask) -> Mask:
    """Blocks that a frame saw whole, shape (h // 16, w // 16), of a mask of pixels (h, w)."""
    return np.asarray(block_means(seen.astype(np.float32)) > WHOLE)


def _exposure(laid: Picture, plate: Picture, seen: Mask) -> NDArray[np.float64]:
    """Gain of the frame against the plate by the blocks that it saw whole, shape (3,)."""
    ratios = log_ratios(block_means(laid), block_means(plate))[whole_blocks(seen)]
    known = ratios[~np.isnan(ratios).any(axis=-1)]
    return np.exp(np.median(known, axis=0)) if len(known) >= FEWEST_BLOCKS else np.ones(3)
