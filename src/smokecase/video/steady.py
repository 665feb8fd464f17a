"""Lays a hand-held frame on the plate, so that each pixel looks at the same spot again.

The move is found from corners followed by Lucas-Kanade tracking, with a robust fit of
translation, rotation and scale (rolling shutter adds a shear, taken only where the corners ask
for it). Phase correlation, or the move of the frame before, gives the starting point, and ECC
takes over where there are too few corners. A warp that does not bring the pictures closer is
dropped: steadying a dark, even scene would otherwise invent a shake of 0.2 to 0.5 px.

`fit_view` does one frame. For many, `find_landmarks` looks at the plate once and
`fit_view_to` is called per frame.
"""

from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from smokecase.video.landmarks import (
    Landmarks,
    coarse_of,
    evened_out,
    find_landmarks,
    without_grain,
)
from smokecase.video.view import IDENTITY, View

FEWEST_CORNERS = 12  # below this the fit leans on single corners and ECC takes over
BACK_LEVEL = 2  # of the way back's pyramid: where it should end is known
NEAR_PX = 1.0  # a corner this close to the common move belongs to the still scene
TRACK_NOISE_PX = 0.06  # tracking error of a good corner (measured in tests/video/test_steady.py)
CALM_SHARE = 0.75  # of the pixels compared; smoke and passers-by fill the far tail
FEWEST_COMPARED = 100


def fit_view(
    plate_gray: ArrayLike, frame_gray: ArrayLike, *, keep_out: ArrayLike | None = None
) -> View:
    """Find the move that lays a frame on the plate.

    Parameters
    ----------
    plate_gray, frame_gray : array_like, shape (h, w)
        The two pictures, any scale; code values (or the root of linear light) show dark corners
        better than linear light. A change of exposure between them does no harm.
    keep_out : array_like of bool, shape (h, w), optional
        True where the plume or a passer-by may be, in the plate's pixels.

    Returns
    -------
    View

    Raises
    ------
    ValueError
        If the pictures' shapes differ.
    """
    return fit_view_to(find_landmarks(plate_gray, keep_out=keep_out), frame_gray)


def fit_view_to(landmarks: Landmarks, frame_gray: ArrayLike, *, before: View | None = None) -> View:
    """Find the move that lays a frame on the plate of these landmarks; see `fit_view`.

    `before` is the view of the frame before it: from there a zoom or a walk is followed further
    than from the plate alone.
    """
    frame = evened_out(frame_gray)
    if frame.shape != landmarks.evened.shape:
        msg = f"frame_gray must have the plate's shape {landmarks.evened.shape} (got {frame.shape})"
        raise ValueError(msg)
    soft = without_grain(frame)
    start = _start(landmarks, frame, soft, before)
    there, here = _followed(landmarks, frame, start)
    view = _by_corners(there, here, frame.shape) if len(there) >= FEWEST_CORNERS else None
    if view is None:
        view = _by_whole_picture(landmarks, frame, start)
    return _kept_if_closer(view, landmarks, soft, there, here)


def _start(
    landmarks: Landmarks, frame: NDArray[np.uint8], soft: NDArray[np.uint8], before: View | None
) -> NDArray[np.float64]:
    """Move plate -> frame to start from, shape (2, 3)."""
    shift = _coarse_move(landmarks, frame, soft)
    start = np.column_stack([np.eye(2), shift])
    if before is None or before.is_still or not before.trusted:
        return start
    by_shift = _distance(landmarks, soft, np.column_stack([np.eye(2), -shift]))
    if _distance(landmarks, soft, before.to_plate) >= by_shift:
        return start
    return np.asarray(cv2.invertAffineTransform(before.to_plate), np.float64)


def _coarse_move(
    landmarks: Landmarks, frame: NDArray[np.uint8], soft: NDArray[np.uint8]
) -> NDArray[np.float64]:
    """Shift plate -> frame to whole pixels by phase correlation; none where it does not help."""
    h, w = frame.shape
    (dx, dy), _ = cv2.phaseCorrelate(landmarks.coarse, coarse_of(frame, landmarks.open))
    shift = 2.0 * np.array([dx, dy])
    if np.hypot(*shift) > 0.25 * min(h, w):
        return np.zeros(2)
    if np.hypot(*shift) < 1.0:  # well within the tracker's reach
        return np.zeros(2)
    moved = np.column_stack([np.eye(2), -shift])
    closer = _distance(landmarks, soft, moved) < _distance(landmarks, soft, IDENTITY)
    return shift if closer else np.zeros(2)


def _followed(
    landmarks: Landmarks, frame: NDArray[np.uint8], start: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Follow the corners there and back: (n, 2) on the plate, (n, 2) in the frame."""
    corners = landmarks.corners
    if not len(corners):
        return np.zeros((0, 2)), np.zeros((0, 2))
    # what was zoomed is brought to the plate's scale first: the tracker knows shifts only
    h, w = frame.shape
    shifted = np.array_equal(start[:, :2], np.eye(2))
    shift = start[:, 2] if shifted else np.zeros(2)
    if not shifted:
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        frame = np.asarray(cv2.warpAffine(frame, start, (w, h), flags=flags), np.uint8)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 0.005)
    guess = (corners + shift).astype(np.float32)
    lk: dict[str, Any] = {
        "winSize": (15, 15),
        "maxLevel": 3,
        "criteria": stop,
        "flags": cv2.OPTFLOW_USE_INITIAL_FLOW,
    }
    there, ok, _ = cv2.calcOpticalFlowPyrLK(landmarks.evened, frame, corners, guess, **lk)
    back, ok_back, _ = cv2.calcOpticalFlowPyrLK(
        frame, landmarks.evened, there, corners.copy(), **lk | {"maxLevel": BACK_LEVEL}
    )
    there, back = there.reshape(-1, 2), back.reshape(-1, 2)
    good = (ok.ravel() > 0) & (ok_back.ravel() > 0)
    good &= np.linalg.norm(back - corners, axis=1) < 0.5
    good &= np.linalg.norm(there - corners - shift, axis=1) < 0.2 * max(h, w)
    here = there.astype(np.float64)
    if not shifted:
        here = here @ start[:, :2].T + start[:, 2]
        good &= ((here > 0) & (here < [w - 1, h - 1])).all(axis=1)
    return corners[good].astype(np.float64), here[good]


def _by_corners(
    there: NDArray[np.float64], here: NDArray[np.float64], shape: tuple[int, ...]
) -> View | None:
    """Fit the common move of the corners; None where they have none."""
    found, _ = cv2.estimateAffinePartial2D(
        here, there, method=cv2.RANSAC, ransacReprojThreshold=NEAR_PX, maxIters=2000
    )
    if found is None:
        return None
    first = np.asarray(found, dtype=np.float64)
    near = _misses(first, here, there) < NEAR_PX
    enough = near.sum() >= max(FEWEST_CORNERS, 0.25 * len(there))
    if not enough:
        return None
    here, there = here[near], there[near]
    # the simplest move that explains the corners: each more free one must earn its parameters
    models: list[tuple[int, NDArray[np.float64]]] = [
        (0, IDENTITY),
        (2, _translation(here, there)),
        (4, first),
        (6, _affine(here, there)),
    ]
    similar, _ = cv2.estimateAffinePartial2D(here, there, method=cv2.LMEDS)
    if similar is not None:
        models[2] = (4, np.asarray(similar, dtype=np.float64))
    spread = [_sigma(_misses(m, here, there)) for _, m in models]
    noise = max(min(spread), TRACK_NOISE_PX)
    # neighbouring corners err together, so only a part of them counts as independent
    independent = len(here) / 4.0
    cost = [
        2.0 * independent * (max(s, TRACK_NOISE_PX) / noise) ** 2
        + free * np.log(max(independent, 2.0))
        for s, (free, _) in zip(spread, models, strict=True)
    ]
    best = int(np.argmin(cost))
    matrix = np.array(models[best][1], dtype=np.float64)
    covered = _covered(there, shape)
    return View(
        to_plate=matrix,
        shake_px=spread[best],
        moved_px=_moved(matrix, shape),
        trusted=bool(spread[best] < 0.5 * NEAR_PX and covered),
    )


def _translation(here: NDArray[np.float64], there: NDArray[np.float64]) -> NDArray[np.float64]:
    shift = np.median(there - here, axis=0)
    return np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])


def _affine(here: NDArray[np.float64], there: NDArray[np.float64]) -> NDArray[np.float64]:
    ones = np.column_stack([here, np.ones(len(here))])
    solved, *_ = np.linalg.lstsq(ones, there, rcond=None)
    return np.asarray(solved.T, dtype=np.float64)


def _misses(
    matrix: NDArray[np.float64], here: NDArray[np.float64], there: NDArray[np.float64]
) -> NDArray[np.float64]:
    return np.asarray(np.linalg.norm(here @ matrix[:, :2].T + matrix[:, 2] - there, axis=1))


def _sigma(misses: NDArray[np.float64]) -> float:
    """Give the standard deviation per axis: the median of a Rayleigh miss is 1.1774 sigma."""
    return float(np.median(misses) / 1.1774)


def _covered(corners: NDArray[np.float64], shape: tuple[int, ...]) -> bool:
    """Tell whether the corners span enough of the picture to hold rotation and scale."""
    h, w = shape
    x0, y0 = np.percentile(corners, 5, axis=0)
    x1, y1 = np.percentile(corners, 95, axis=0)
    return bool(max((x1 - x0) / w, (y1 - y0) / h) > 0.25)


def _moved(matrix: NDArray[np.float64], shape: tuple[int, ...]) -> float:
    h, w = shape
    x, y = np.meshgrid(np.linspace(0, w - 1, 5), np.linspace(0, h - 1, 5))
    spots = np.column_stack([x.ravel(), y.ravel()])
    return float(np.sqrt(np.mean(_misses(matrix, spots, spots) ** 2)))


def _by_whole_picture(
    landmarks: Landmarks, frame: NDArray[np.uint8], start: NDArray[np.float64]
) -> View:
    """Align by ECC on all open pixels, where corners are few."""
    lost = View(to_plate=IDENTITY.copy(), shake_px=np.nan, moved_px=0.0, trusted=False)
    usable = (landmarks.open > 0).sum()
    if usable < 400 or landmarks.evened.std() < 1.0 or frame.std() < 1.0:
        return lost
    middle = 0.5 * np.array(frame.shape[::-1])
    shift = start[:, :2] @ middle + start[:, 2] - middle  # it knows no scale
    begin = np.column_stack([np.eye(2), shift]).astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
    try:
        agreed, warp = cv2.findTransformECC(
            landmarks.evened, frame, begin, cv2.MOTION_EUCLIDEAN, stop, landmarks.open, 5
        )
    except cv2.error:  # its way of saying that it did not converge
        return lost
    matrix = np.asarray(cv2.invertAffineTransform(warp.astype(np.float64)), np.float64)
    sane = abs(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0]))) < 15
    # ECC may report a fair correlation for a wrong place: only a high one near the start counts
    near = np.linalg.norm(warp[:, 2] - shift) < 0.1 * max(frame.shape)
    return View(
        to_plate=matrix,
        shake_px=np.nan,
        moved_px=_moved(matrix, frame.shape),
        trusted=bool(sane and near and agreed > 0.9),
    )


def _kept_if_closer(
    view: View,
    landmarks: Landmarks,
    soft: NDArray[np.uint8],
    there: NDArray[np.float64],
    here: NDArray[np.float64],
) -> View:
    """Drop a warp that does not bring the pictures closer."""
    if view.is_still:
        return view
    before = _distance(landmarks, soft, IDENTITY)
    after = _distance(landmarks, soft, view.to_plate)
    if after < before:
        return view
    left = _sigma(_misses(IDENTITY, here, there)) if len(there) >= FEWEST_CORNERS else np.nan
    still = bool(np.isfinite(left) and left < 0.5 * NEAR_PX)
    return View(to_plate=IDENTITY.copy(), shake_px=left, moved_px=0.0, trusted=still)


def _distance(landmarks: Landmarks, soft: NDArray[np.uint8], matrix: NDArray[np.float64]) -> float:
    """Mean difference of plate and warped frame over the calmer part of the open pixels.

    `soft` is the whole frame without its grain; each second pixel of the plate is looked at.
    """
    h, w = landmarks.soft.shape
    halved = np.diag([0.5, 0.5]) @ matrix
    moved = cv2.warpAffine(soft, halved, (w, h), flags=cv2.INTER_CUBIC)
    seen = cv2.warpAffine(landmarks.open, halved, (w, h), flags=cv2.INTER_NEAREST)
    usable = (seen > 0) & (landmarks.open[::2, ::2] > 0)
    counts = np.bincount(cv2.absdiff(landmarks.soft, moved)[usable], minlength=256)
    wanted = int(CALM_SHARE * counts.sum())
    if wanted < FEWEST_COMPARED:
        return float("inf")
    before = np.cumsum(counts) - counts
    calm = np.clip(wanted - before, 0, counts)  # of each difference, smallest first
    return float(calm @ np.arange(256) / wanted)
