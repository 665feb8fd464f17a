"""Follows the first picture's scene through a clip from a hand: where its points lie later."""

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.video.clip import Frame
from smokecase.video.landmarks import Landmarks, find_landmarks, grey
from smokecase.video.steady import fit_view_to
from smokecase.video.view import IDENTITY, View

Floats = NDArray[np.float64]

LONG_SIDE = 640  # of the copy that is followed: for drawing, finer gains nothing


class SceneFollower:
    """Tells for one picture after the other where the first one's scene lies in it."""

    def __init__(self) -> None:
        self.landmarks: Landmarks | None = None
        self.last = IDENTITY
        self.before: View | None = None

    def move_to(self, frame: Frame) -> Floats:
        """Move of the first picture's x, y to this one's, shape (2, 3); the last one where lost."""
        whole = grey(frame.codes)
        small = min(1.0, LONG_SIDE / max(whole.shape))
        seen = cv2.resize(whole, None, fx=small, fy=small, interpolation=cv2.INTER_AREA)
        if self.landmarks is None:
            self.landmarks = find_landmarks(seen)
        view = fit_view_to(self.landmarks, seen, before=self.before)
        if view.trusted:
            self.before = view
            back = np.asarray(cv2.invertAffineTransform(view.to_plate), np.float64)
            self.last = back / np.array([1.0, 1.0, small])
        return self.last
