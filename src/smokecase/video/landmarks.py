"""What a plate offers to steadying: its corners, and its picture made ready to be compared."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

LUMA = np.array([0.2126, 0.7152, 0.0722])  # BT.709

MOST_CORNERS = 400
GRAIN_PX = 1.0  # blur before pictures are compared, so that resampling gains nothing by itself
EVEN = 6.0  # local contrast in 8-bit codes below which a spot counts as even


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Landmarks:
    """What steadying needs of the plate."""

    evened: NDArray[np.uint8]  # (h, w) the plate with its local contrast made alike
    corners: NDArray[np.float32]  # (n, 2) x, y
    open: NDArray[np.uint8]  # (h, w) 255 where the scene may be compared, else 0
    soft: NDArray[np.uint8]  # (h / 2, w / 2) each second pixel of the plate, without its grain
    coarse: NDArray[np.float32]  # (h // 2, w // 2) the plate as phase correlation wants it


def grey(codes: NDArray[np.uint16]) -> NDArray[np.float32]:
    """Luma of the codes (h, w, 3) on the scale of 8 bits, for finding corners."""
    luma = cv2.transform(codes, LUMA[None])  # rounded to a part in 65535
    return np.asarray(luma, np.float32) / np.float32(257.0)


def find_landmarks(plate_gray: ArrayLike, *, keep_out: ArrayLike | None = None) -> Landmarks:
    """Find the plate's corners outside `keep_out`.

    Parameters
    ----------
    plate_gray : array_like, shape (h, w)
        Any scale; code values show dark corners better than linear light.
    keep_out : array_like of bool, shape (h, w), optional
        True where the plume or a passer-by may be.

    Raises
    ------
    ValueError
        If the shapes differ, or the picture is not grey.
    """
    evened = evened_out(plate_gray)
    allowed = np.full(evened.shape, 255, np.uint8)
    if keep_out is not None:
        closed = np.asarray(keep_out, dtype=bool)
        if closed.shape != evened.shape:
            msg = f"keep_out must have the plate's shape {evened.shape} (got {closed.shape})"
            raise ValueError(msg)
        allowed[closed] = 0
    # corners spread over the picture: at most a few per patch, however lively one patch is
    apart = max(4.0, 0.6 * float(np.sqrt(evened.size / MOST_CORNERS)))
    found = cv2.goodFeaturesToTrack(evened, MOST_CORNERS, 0.02, apart, mask=allowed, blockSize=5)
    corners = np.zeros((0, 2), np.float32) if found is None else found.reshape(-1, 2)
    return Landmarks(
        evened=evened,
        corners=corners.astype(np.float32),
        open=allowed,
        soft=np.ascontiguousarray(without_grain(evened)[::2, ::2]),
        coarse=coarse_of(evened, allowed),
    )


def evened_out(gray: ArrayLike) -> NDArray[np.uint8]:
    """Make local contrast alike, as 8 bit: exposure, shading and soft shadows drop out."""
    picture = np.asarray(gray, dtype=np.float32)
    if picture.ndim != 2:
        msg = f"a grey picture must have shape (h, w) (got {picture.shape})"
        raise ValueError(msg)
    low, high = np.percentile(picture[::3, ::3], (1.0, 99.0))
    steps = np.float32(255.0 / max(float(high - low), 1e-12))
    codes = (picture - np.float32(low)) * steps
    reach = max(4.0, max(picture.shape) / 60.0)
    fine = codes - _smooth(codes, reach)
    contrast = cv2.sqrt(_smooth(fine * fine, 2.0 * reach) + np.float32(EVEN**2))
    spread = cv2.divide(fine, contrast, scale=50.0)
    return np.asarray(np.clip(spread + np.float32(128.5), 0, 255), np.uint8)


def _smooth(picture: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    """Wide Gaussian blur, done at a quarter of the size where that is quicker."""
    h, w = picture.shape
    if min(h, w) < 32:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_px), dtype=np.float32)
    small = cv2.resize(picture, (w // 4, h // 4), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / 4.0)
    return np.asarray(cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def coarse_of(evened: NDArray[np.uint8], open_: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Halve the open part, fading towards the picture's edges, for phase correlation."""
    h, w = evened.shape
    if min(h, w) < 4:
        return np.zeros((2, 2), np.float32)
    contrast = (evened.astype(np.float32) - 128.0) * (open_ > 0)
    small = cv2.resize(contrast, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
    return np.asarray(small * cv2.createHanningWindow((w // 2, h // 2), cv2.CV_32F), np.float32)


def without_grain(frame: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Blur a picture (h, w) by a pixel."""
    return np.asarray(cv2.GaussianBlur(frame, (5, 5), GRAIN_PX), np.uint8)
