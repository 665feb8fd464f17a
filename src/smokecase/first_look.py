"""The first look at a clip that was just brought: can it be measured, and what would do better.

Only the file's own data and the first seconds are looked at, so it takes about a second; what the
whole clip gives is told by `examine`.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import (
    MOVING_CAMERA,
    NO_SOUND,
    PUFF_RATE_OPEN,
    SATURATED,
    SHAKY,
    SINGLE_STILL,
    TOO_DARK,
    TOO_SHORT,
    Doubt,
)
from smokecase.errors import ClipError
from smokecase.model_files import fingerprint
from smokecase.optics.light import DIM_LIGHT, saturated, to_linear, to_srgb8
from smokecase.video.clip import Clip, Frame, open_clip
from smokecase.video.landmarks import find_landmarks, grey
from smokecase.video.sound_track import read_sound
from smokecase.video.steady import fit_view_to

LOOKED_S = 3.0  # the smoke-free seconds at the beginning
APART_S = 0.4
LEAST_S = 6.0  # shorter clips tell no story: three seconds before the start and some after
SLOW_HZ = 20.0  # fewer pictures a second miss the puffs of an idling engine
BLOWN_SHARE = 0.12  # of the picture; a bit of sky does no harm
SHAKE_PX, MOVED_SHARE = 1.5, 0.03  # left after steadying; of the long side
PICTURE_LONG_SIDE = 1280


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstLook:
    """What a file is and how fit it looks, before it is measured."""

    source: str  # clip, pair, still, animation
    width: int  # of the upright picture
    height: int
    duration_s: float
    fps: float  # pictures a second; 0 for a still
    has_sound: bool
    doubts: frozenset[Doubt]

    @property
    def fit(self) -> bool:
        """Whether nothing stands in the way of a good reading."""
        return not self.doubts


def what_is(path: str | Path) -> tuple[str, str]:
    """Tell whether a file holds a clip, a still, an animation or sound; and its SHA-256.

    Raises
    ------
    ClipError
        If it is neither clip nor picture nor sound.
    """
    try:
        clip = open_clip(path)
    except ClipError:
        if not _has_sound(Path(path)):
            raise
        return "sound", fingerprint(Path(path))
    return clip.source, clip.sha256


def look_first(path: str | Path) -> FirstLook:
    """Look at a file's data and its first seconds.

    Raises
    ------
    ClipError
        If no picture can be read from it.
    """
    clip = open_clip(path)
    doubts = set(clip.doubts)
    moving = clip.source in ("clip", "animation")
    sound = clip.source == "clip" and _has_sound(Path(path))
    if clip.source == "still":
        doubts.add(SINGLE_STILL)
    if moving and clip.duration_s < LEAST_S:
        doubts.add(TOO_SHORT)
    if clip.source == "clip" and not sound:
        doubts.add(NO_SOUND)
    if moving and clip.nominal_fps < SLOW_HZ:
        doubts.add(PUFF_RATE_OPEN)
    frames = _first_frames(clip)
    if not frames:
        what = "no picture could be decoded"
        raise ClipError(what, where=clip.name, remedy="convert it to H.264 and try again")
    doubts |= _light_doubts(clip, frames[0])
    if len(frames) > 1:
        doubts |= _hold_doubts(clip, frames)
    return FirstLook(
        source=clip.source, width=clip.width, height=clip.height, duration_s=clip.duration_s,
        fps=clip.nominal_fps if moving else 0.0, has_sound=sound, doubts=frozenset(doubts),
    )  # fmt: skip


def first_picture(path: str | Path, at_s: float = 0.0) -> NDArray[np.uint8]:
    """Picture of a clip at a time, for pointing in it; at most 1280 pixels long.

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
        sRGB, upright.

    Raises
    ------
    ClipError
        If there is none.
    """
    clip = open_clip(path, long_side=PICTURE_LONG_SIDE)
    last = None
    for frame in clip.frames(max(0.0, min(at_s, clip.duration_s) - 0.5)):
        last = frame
        if frame.time_s >= at_s:
            break
    if last is None:
        what = "no picture could be decoded"
        raise ClipError(what, where=clip.name, remedy="convert it to H.264 and try again")
    return to_srgb8(to_linear(last.codes, clip.transfer))


def _first_frames(clip: Clip) -> list[Frame]:
    kept: list[Frame] = []
    for frame in clip.frames(0.0, LOOKED_S):
        if not kept or frame.time_s >= kept[-1].time_s + APART_S:
            kept.append(frame)
    return kept or list(_one(clip))


def _one(clip: Clip) -> list[Frame]:
    return [frame for frame, _ in zip(clip.frames(), range(1), strict=False)]


def _has_sound(path: Path) -> bool:
    try:
        sound = read_sound(path)
    except ClipError:
        return False
    return sound is not None and bool(len(sound.samples))


def _light_doubts(clip: Clip, frame: Frame) -> set[Doubt]:
    found = set()
    if saturated(frame.codes).mean() > BLOWN_SHARE:
        found.add(SATURATED)
    if float(np.median(to_linear(frame.codes, clip.transfer))) < DIM_LIGHT:
        found.add(TOO_DARK)
    return found


def _hold_doubts(clip: Clip, frames: list[Frame]) -> set[Doubt]:
    """Tell a camera that walks away from one that only trembles."""
    landmarks = find_landmarks(grey(frames[0].codes))
    views = [fit_view_to(landmarks, grey(frame.codes)) for frame in frames[1:]]
    far = MOVED_SHARE * max(clip.working_size)
    found = set()
    if max(view.moved_px for view in views) > far:
        found.add(MOVING_CAMERA)
    shakes = [view.shake_px for view in views if np.isfinite(view.shake_px)]
    if not all(view.trusted for view in views) or (shakes and max(shakes) > SHAKE_PX):
        found.add(SHAKY)
    return found
