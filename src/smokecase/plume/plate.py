"""The plate: the same view without smoke, and how far it can be trusted."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.optics.light import DARK_FLOOR

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)  # BT.709
COLOUR_SHARE = 0.5  # how much a change of one channel counts against one of brightness
CHANGED = 0.04  # relative change beyond which a block of the picture has changed
# blocks that must change together before it counts; share of those at the exit
FEWEST_CHANGED, FEWEST_SHARE = 2, 0.03
# snow, rain and leaves change as much elsewhere: only what is more at the exit counts
START_S, MOST_MORE = 1.0, 0.1  # how much more may change there from the start; share of blocks
CHANCE_SIGMAS = 3.0
RESTLESS, MOST_RESTLESS_S = 0.05, 2.5  # share that changes everywhere; the plate's time then
MOST_OF_NEAR = 0.6  # of the blocks at the exit: so many count whatever happens elsewhere
MOST_PLATE_S = 3.0
SHORT_PLATE_S = 0.7  # a plate from less time than this is said to be short
CLEAREST = "clearest"  # origin of a plate put together from the clearest moments
GUARD_S = 0.45  # left out before the first change, which begins too faintly to be seen


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plate:
    """The view without smoke."""

    light: Picture  # (h, w, 3) linear
    u_light: Picture  # (h, w, 3) standard uncertainty
    origin: str  # given, window, before_change, quiet, clearest
    from_s: float
    to_s: float
    frames: int

    def __post_init__(self) -> None:
        self.light.setflags(write=False)
        self.u_light.setflags(write=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class QuietTime:
    """When the view was clear, as far as a coarse look tells."""

    from_s: float
    to_s: float
    first_change_s: float | None  # None: nothing ever changes


def find_quiet_time(
    times_s: Floats, changed: NDArray[np.bool_], near: NDArray[np.bool_]
) -> QuietTime:
    """Find the time before the first lasting change near the exit.

    Parameters
    ----------
    times_s : ndarray, shape (n,)
        Times of a coarse sample of frames. [s]
    changed : ndarray of bool, shape (n, by, bx)
        From `changed_blocks`, against the first frames.
    near : ndarray of bool, shape (by, bx)
        Blocks where smoke would show first.

    Returns
    -------
    QuietTime
        At most `MOST_PLATE_S` long, next to the change, for light drifts; at the beginning where
        snow, rain or a cloud change the whole view.
    """
    # leaves and water move all the time: a block that changes early and often is no witness
    early = max(3, int(np.sum(times_s <= times_s[0] + 0.6)))
    calm = changed[:early].mean(axis=0) <= 0.3
    here, there = changed[:, near & calm], changed[:, ~near & calm]
    n = here.shape[1]
    usual = np.zeros(len(changed))  # share at the exit that the weather alone explains
    if there.shape[1] and n:
        more = here.mean(axis=1) - there.mean(axis=1)
        start = times_s <= times_s[0] + START_S
        usual = there.mean(axis=1) + min(float(np.median(more[start])), MOST_MORE)
        usual = np.clip(usual, 0.0, 1.0)
    chance = CHANCE_SIGMAS * np.sqrt(n * usual * (1.0 - usual))
    fewest = max(FEWEST_CHANGED, int(0.002 * changed[0].size), round(FEWEST_SHARE * n))
    busy = here.sum(axis=1) >= np.minimum(n * usual + np.maximum(chance, fewest), MOST_OF_NEAR * n)
    # it must last: the next sample shows it too
    lasting = busy & np.append(busy[1:], busy[-1:])
    first = int(np.argmax(lasting)) if lasting.any() else None
    begin = float(times_s[0])
    if first is None:
        return QuietTime(
            from_s=begin, to_s=float(min(times_s[-1], begin + MOST_PLATE_S)), first_change_s=None
        )
    change = float(times_s[first])
    end = float(times_s[first - 1]) if first else change
    end = max(begin, min(end, change - GUARD_S))
    if usual[: first + 1].max() > RESTLESS:
        # thin smoke hides in such weather: what is filmed first is the likeliest to be clear
        end = min(end, begin + MOST_RESTLESS_S)
    return QuietTime(from_s=max(begin, end - MOST_PLATE_S), to_s=end, first_change_s=change)


def changed_blocks(
    blocks: NDArray[np.float32], gains: Floats, reference: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Blocks that left the reference after exposure, shape (n, by, bx).

    Brightness counts more than colour, which an encoder of few bits mends long after the start;
    and differences count against the block's brightest channel, for the dark channels of a red
    lamp or of a hedge are mostly compression noise.
    """
    evened = blocks / gains[:, None, None, :].astype(np.float32)
    away = np.abs(evened - reference) / (reference.max(axis=-1, keepdims=True) + DARK_FLOOR)
    luma = reference @ LUMA
    brightness = np.abs(evened @ LUMA - luma) / (luma + DARK_FLOOR)
    return np.asarray(np.maximum(brightness, COLOUR_SHARE * away.max(axis=-1)) > CHANGED)


def average(frames: Iterable[Picture]) -> tuple[Picture, Picture, int]:
    """Mean of frames that lie on one another, and its standard uncertainty per pixel.

    Parameters
    ----------
    frames : iterable of ndarray, shape (h, w, 3)
        Linear light; one at a time is held.

    Returns
    -------
    light, u_light : ndarray, shape (h, w, 3)
        Empty where there is no frame.
    frames : int
        How many there were.
    """
    stack = squares = np.zeros((0, 0, 3))
    n = 0
    for frame in frames:
        if not n:
            stack, squares = np.zeros(frame.shape), np.zeros(frame.shape)
        cv2.accumulate(frame, stack)
        cv2.accumulateSquare(frame, squares)
        n += 1
    mean = stack / max(n, 1)
    spread = np.sqrt(np.maximum(squares / max(n, 1) - mean**2, 0.0))
    # compression repeats a frame's errors in the next: the mean of many is not as good as that
    u = np.maximum(spread / np.sqrt(max(1.0, n / 4.0)), 0.002 + 0.004 * mean)
    return mean.astype(np.float32), u.astype(np.float32), n


def lone_plate(first: Picture, second: Picture, time_s: float) -> Plate:
    """Take one picture for the plate, where no other is clear.

    Parameters
    ----------
    first, second : ndarray, shape (h, w, 3)
        That picture and another one, whose smoke covers less than half of the view; what parts
        them elsewhere is noise. Linear light, exposure taken out.
    time_s : float
        When it was taken. [s]
    """
    level = first + DARK_FLOOR
    noise = float(np.median(np.abs(second - first) / level)) * 1.4826 / np.sqrt(2.0)
    u = np.maximum(noise * level, 0.002 + 0.004 * first)
    return Plate(
        light=np.asarray(first, np.float32), u_light=np.asarray(u, np.float32),
        origin="before_change", from_s=time_s, to_s=time_s, frames=1,
    )  # fmt: skip


def find_clearest(frames: Sequence[Picture], gains: Floats) -> tuple[Picture, Picture]:
    """Put together the clearest moments: at each spot the frames that keep most of its texture.

    Smoke lowers contrast whatever its colour, so the frame that shows most of what stays in place
    is the least smoky one. What stays in place is what all frames have in common: billows have
    texture of their own, but never twice the same. Even the clearest moment may be smoky: readings
    against this plate are lower bounds.

    Parameters
    ----------
    frames : list of ndarray, shape (h, w, 3)
        Linear light, laid on one another.
    gains : ndarray, shape (n, 3)
        Exposure of each.

    Returns
    -------
    light, u_light : ndarray, shape (h, w, 3)
    """
    stack = np.stack([(f / g).astype(np.float32) for f, g in zip(frames, gains, strict=True)])
    texture = np.stack([_texture(f) for f in stack])
    common = np.median(texture, axis=0)
    power = _wide(common * common)
    power += 0.05 * float(np.median(power)) + 1e-9
    for _ in range(2):
        kept = np.stack([_wide(t * common) for t in texture]) / power
        best = np.argsort(kept, axis=0)[-max(2, len(frames) // 8) :]
        common = np.take_along_axis(texture, best, axis=0).mean(axis=0)
        power = _wide(common * common) + 1e-9
    picked = np.take_along_axis(stack, best[..., None], axis=0)
    mean = picked.mean(axis=0)
    return mean.astype(np.float32), (picked.std(axis=0) + 0.002 + 0.01 * mean).astype(np.float32)


def _texture(frame: Picture) -> Picture:
    luma = frame @ LUMA
    return np.asarray(
        cv2.GaussianBlur(luma, (0, 0), 1.0) - cv2.GaussianBlur(luma, (0, 0), 5.0), np.float32
    )


def _wide(picture: Picture) -> Picture:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), 9.0), np.float32)
