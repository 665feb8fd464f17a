"""The sample of frames that walk 1 learns from: spread over the clip, laid on one another.

A few dozen frames of linear light are the largest thing that is held in memory at once, so they
are kept at half precision, and their exposure is taken out when one is asked for.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import overload

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import MOVING_CAMERA, SHAKY, Doubt
from smokecase.errors import ClipError
from smokecase.optics.light import saturated, to_linear
from smokecase.video.clip import Clip
from smokecase.video.exposure import taken_out
from smokecase.video.landmarks import Landmarks, find_landmarks, grey
from smokecase.video.lay import lay_on_plate
from smokecase.video.steady import fit_view_to
from smokecase.video.view import NOWHERE, Cut, View

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Codes = NDArray[np.uint16]
Tell = Callable[[float, str], None]

MOST_SAMPLES = 56
# each so manieth of them, and so many at least, tell whether the camera surely stands still
FIRST_LOOK, FEWEST_STILL = 8, 6
STATIC_PX = 0.12  # a camera that moves less than this stands still
FAR_PX = 0.12  # of the long side: beyond this the view has changed
SHAKY_PX = 0.6


class Lights(Sequence[Picture]):
    """Light of frames in order of time, each (h, w, 3), with their exposure taken out.

    Kept to one part in 2000, a tenth of a camera's noise; handed out in single precision.
    """

    def __init__(self, kept: list[NDArray[np.float16]], gains: Floats | None = None) -> None:
        self.kept = kept
        self.gains = np.ones((len(kept), 3)) if gains is None else gains

    def without(self, gains: Floats) -> "Lights":
        """Give the same frames with these gains, shape (n, 3), taken out instead."""
        return Lights(self.kept, gains)

    def __len__(self) -> int:
        return len(self.kept)

    @overload
    def __getitem__(self, place: int) -> Picture: ...
    @overload
    def __getitem__(self, place: slice) -> "Lights": ...

    def __getitem__(self, place: "int | slice") -> "Picture | Lights":
        """Give one frame's light, or some of the frames."""
        if isinstance(place, slice):
            return Lights(self.kept[place], self.gains[place])
        half = self.kept[place]
        # five times as quick as numpy's own widening
        light = cv2.addWeighted(half, 1.0, half, 0.0, 0.0, dtype=cv2.CV_32F)
        return taken_out(np.asarray(light, np.float32), self.gains[place])


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Frames spread evenly over a clip, laid on the first."""

    times_s: Floats  # (n,)
    lights: Lights  # as filmed, exposure not taken out
    blown: NDArray[np.bool_]  # (h, w) blown out in the first frame
    landmarks: Landmarks | None  # of the first frame; None: the camera stands still


def take_sample(
    clip: Clip, from_s: float, to_s: float, *, doubts: set[Doubt], tell: Tell
) -> Sample:
    """Take the sample; adds to `doubts` how the camera was held.

    Raises
    ------
    ClipError
        If no frame lies in the chosen part.
    """
    times, codes = _spread_evenly(clip, from_s, to_s, tell)
    blown = saturated(codes[0])
    landmarks = find_landmarks(grey(codes[0]))
    few = [fit_view_to(landmarks, grey(c)) for c in codes[::FIRST_LOOK]]
    views: list[View | None] = [None] * len(codes)
    still = _stands_still(few)
    if not still:
        moves = _followed(landmarks, codes, few)
        still = _held(moves, doubts, max(codes[0].shape))
        views = [None if still else view for view in moves]
    kept = []
    first = to_linear(codes[0], clip.transfer)
    codes.reverse()
    for view in views:
        laid = to_linear(codes.pop(), clip.transfer)  # let go of at once: they are large
        if view is not None:
            laid, _ = lay_on_plate(laid, view, first, fine=NOWHERE)
        # ten times as quick as numpy's own narrowing
        half = cv2.addWeighted(laid, 1.0, laid, 0.0, 0.0, dtype=cv2.CV_16F)
        kept.append(np.asarray(half, np.float16))
    return Sample(np.array(times), Lights(kept), blown, None if still else landmarks)


def _stands_still(few: list[View]) -> bool:
    """Tell by few frames whether the camera surely stands still; the rest need no look then."""
    moved = [view.moved_px for view in few[1:]]  # the first is what they are compared with
    return len(moved) >= FEWEST_STILL and max(moved) < STATIC_PX / 2


def _followed(landmarks: Landmarks, codes: list[Codes], few: list[View]) -> list[View]:
    """Find the views of all frames, each from the one before it."""
    views: list[View] = []
    known: View | None = None
    for i, picture in enumerate(codes):
        view = few[i // FIRST_LOOK] if i % FIRST_LOOK == 0 else None
        if view is None or not view.trusted:
            view = fit_view_to(landmarks, grey(picture), before=known)
        known = view if view.trusted else known
        views.append(view)
    return views


def _held(views: list[View], doubts: set[Doubt], long_side: int) -> bool:
    """Tell whether the camera stands still; adds to `doubts` how it was held if not."""
    moved = np.array([v.moved_px for v in views])
    shake = np.array([v.shake_px for v in views])
    if np.median(moved) < STATIC_PX and np.percentile(moved, 90) < 3 * STATIC_PX:
        return True
    if np.percentile(moved, 90) > FAR_PX * long_side:
        doubts.add(MOVING_CAMERA)
    if np.nanmedian(shake) > SHAKY_PX or np.mean([v.trusted for v in views]) < 0.6:
        doubts.add(SHAKY)
    return False


def _spread_evenly(
    clip: Clip, from_s: float, to_s: float, tell: Tell
) -> tuple[list[float], list[Codes]]:
    """Frames spread evenly over the clip; thinned out when there turn out to be more."""
    expected = max(1, clip.frame_count)
    step = max(1, expected // MOST_SAMPLES)
    times: list[float] = []
    codes: list[Codes] = []
    thinned = 1
    for n, frame in enumerate(clip.frames(from_s, to_s, every=step)):
        tell(min(0.3, 0.3 * n * step / expected), "looking through the clip")
        if n % thinned == 0:
            times.append(frame.time_s)
            codes.append(frame.codes)
            if len(times) > 2 * MOST_SAMPLES:
                times, codes, thinned = times[::2], codes[::2], thinned * 2
    if not codes:
        what = "no picture lies in the chosen part of the clip"
        raise ClipError(what, where=clip.name, remedy="choose another --from and --to")
    return times, codes


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """Lays frames of a clip on the plate."""

    transfer: str
    landmarks: Landmarks | None
    first: Picture  # (h, w, 3) light of the frame that the others are laid on
    fine: Cut  # where they are read pixel by pixel

    def light(self, codes: Codes) -> Picture:
        """Light of a frame, laid on the plate."""
        light = to_linear(codes, self.transfer)
        if self.landmarks is None:
            return light
        view = fit_view_to(self.landmarks, grey(codes))
        return lay_on_plate(light, view, self.first, fine=self.fine)[0]

    def lights(self, clip: Clip, from_s: float, to_s: float, every: int) -> Iterator[Picture]:
        """Lights of each `every`-th frame of a part of the clip."""
        for frame in clip.frames(from_s, to_s, every=every):
            yield self.light(frame.codes)
