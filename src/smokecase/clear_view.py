"""Builds the plate of a clip from the moments that show the view without smoke."""

from dataclasses import replace
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import NO_CLEAN_PLATE, SHORT_PLATE, SMOKE_FROM_START, Doubt
from smokecase.errors import ClipError
from smokecase.plume.plate import (
    CLEAREST,
    SHORT_PLATE_S,
    Plate,
    QuietTime,
    average,
    changed_blocks,
    find_clearest,
    lone_plate,
)
from smokecase.plume.section import PipeExit
from smokecase.plume.start import (
    START_S,
    first_is_clear,
    restless_at_start,
    smoky_at_start,
    stirs_at_start,
)
from smokecase.sample import Layer, Lights
from smokecase.video.clip import Clip
from smokecase.video.exposure import block_means, fit_exposure

Floats = NDArray[np.float64]

EARLY_S = 0.5  # stands in for the plate at first
MOST_PLATE_FRAMES = 45
START_FRAMES = 12  # of the first second, by which smoke from the start is told


def build_plate(  # noqa: PLR0913 - what walk 1 knows by then, by place
    clip: Clip,
    layer: Layer,
    lights: Lights,
    gains: Floats,
    times_s: Floats,
    quiet: QuietTime,
    pipe: PipeExit,
    near: NDArray[np.bool_],
    doubts: set[Doubt],
) -> Plate:
    """Build the plate from the quiet time, or from what there is where smoke comes at once.

    Parameters
    ----------
    clip : Clip
    layer : Layer
        Lays its frames on the plate.
    lights, gains : Lights, ndarray of shape (n, 3)
        The sample as recorded, and its exposure.
    times_s : ndarray, shape (n,)
        Times of the sample. [s]
    quiet : QuietTime
        When the view was clear, as far as a coarse look tells.
    pipe : PipeExit
        In working pixels.
    near : ndarray of bool, shape (by, bx)
        Blocks near the exit and downstream of it.
    doubts : set of Doubt
        What is doubtful about the plate is added.

    Returns
    -------
    Plate
        Its origin is "clearest" where readings against it are lower bounds.

    Raises
    ------
    ClipError
        If no frame lies in the quiet time.
    """
    evened = lights.without(gains)
    start, end = quiet.from_s, quiet.to_s
    short = end - start < EARLY_S
    end = min(start + EARLY_S, float(times_s[-1])) if short else end
    origin = "before_change" if quiet.first_change_s is not None else "quiet"
    plate = _mean_of(clip, layer, (start, end), origin, doubts)
    at_once = smoky_at_start(evened, plate.light, pipe) or (
        pipe.exit_px is not None and _smokes_at_once(clip, layer, times_s[0], near)
    )
    if not (at_once or short):
        return plate
    luma = np.stack([block_means(light) for light in evened]).mean(axis=-1)
    if first_is_clear(times_s, luma, near):
        first = lone_plate(evened[0], evened[1], float(times_s[0]))
        if not smoky_at_start(evened, first.light, pipe):
            doubts.add(SHORT_PLATE)
            return first
    if at_once:
        doubts.update({SMOKE_FROM_START, NO_CLEAN_PLATE})
        light, u = find_clearest(lights, gains)
        return replace(plate, light=light, u_light=u, origin=CLEAREST, frames=len(lights))
    return plate


def plate_of_window(
    clip: Clip, layer: Layer, window_s: tuple[float, float], doubts: set[Doubt]
) -> Plate:
    """Build the plate from the time that the user named; raises `ClipError` without a frame."""
    return _mean_of(clip, layer, window_s, "window", doubts)


def _mean_of(
    clip: Clip, layer: Layer, window_s: tuple[float, float], origin: str, doubts: set[Doubt]
) -> Plate:
    start, end = window_s
    every = max(1, int((end - start) * clip.nominal_fps / MOST_PLATE_FRAMES))
    laid = layer.lights(clip, start, end + 1e-6, every)
    light, u, frames = average(islice(laid, 2 * MOST_PLATE_FRAMES))
    if not frames:
        what = f"no picture lies between {start:g} s and {end:g} s"
        raise ClipError(what, where=clip.name, remedy="choose another --plate-window")
    if end - start < SHORT_PLATE_S and frames < 12:
        doubts.add(SHORT_PLATE)
    return Plate(light=light, u_light=u, origin=origin, from_s=start, to_s=end, frames=frames)


def _smokes_at_once(clip: Clip, layer: Layer, from_s: float, near: NDArray[np.bool_]) -> bool:
    """Tell by the first second, looked at more closely, whether smoke was there from the start."""
    every = max(1, int(clip.nominal_fps * START_S / START_FRAMES))
    looks = [
        (frame.time_s, block_means(layer.light(frame.codes)))
        for frame in clip.frames(from_s, from_s + START_S, every=every)
    ]
    times, blocks = np.array([time for time, _ in looks]), np.stack([seen for _, seen in looks])
    gain = fit_exposure(blocks, blocks[0]).gain
    first = times <= times[0] + EARLY_S
    reference = np.asarray((blocks / gain[:, None, None, :])[first].mean(axis=0), np.float32)
    changed = changed_blocks(blocks, gain, reference)
    luma = (blocks / gain[:, None, None, :]).mean(axis=-1).astype(np.float32)
    return restless_at_start(times, changed, near) or stirs_at_start(times, luma, near)
