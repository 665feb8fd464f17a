"""Where and when the picture changed as smoke would change it, coarsely, over a whole clip.

This serves to find the pipe's exit, not to measure: a change map per stretch of time after the
plume's onset, on a grid of `GRID` cells along the long side. Early stretches show the plume
while it is still at the pipe; a plume that then hangs about hides where it came from.
"""

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]

GRID = 160  # cells along the long side: fine against a pipe, coarse against noise
LEAST_CODES = 1.0  # change in 8-bit codes that counts beside the noise
MISPLACED_PX = 0.3  # how far edges may wander without being smoke
STRETCHES_S = ((0.0, 0.2), (0.0, 0.45), (0.45, 1.0), (1.0, 2.0), (2.0, 4.0), (4.0, np.inf))
THREADS = 2
SMALLEST_AREA = 8e-4  # share of the picture; less is not called a plume
JET_CELLS = (4.0, 7.0, 11.0)  # widths of a plume at its mouth that are tried, in cells


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Activity:
    """Change maps of a clip; empty where nothing changed as a plume would."""

    maps: NDArray[np.float32]  # (k, h, w) one per stretch of time and one for all [0 to 1]
    flutter: NDArray[np.float32]  # (j, h, w) the same for changes from frame to frame
    step_px: float  # size of a cell in the plate's pixels
    onset_s: float | None  # time of the first frame with a plume; None: there is none
    layers: Picture = field(init=False, repr=False)  # (h, w, k + j) all of them, for reading

    def __post_init__(self) -> None:
        layers = np.moveaxis(np.concatenate([self.maps, self.flutter]), 0, -1)
        object.__setattr__(self, "layers", np.ascontiguousarray(layers))

    def families(self) -> list[NDArray[np.float32]]:
        """Give the kinds of maps that there are."""
        return [family for family in (self.maps, self.flutter) if len(family)]

    def read(self, x: Picture, y: Picture) -> Picture:
        """Read all maps at plate pixels; shape (*x.shape, k + j)."""
        u, v = ((place + 0.5) / self.step_px - 0.5 for place in (x, y))
        read = cv2.remap(self.layers, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(read, np.float32).reshape(*x.shape, -1)


def codes(light: NDArray[np.float32]) -> Picture:
    """Light on a scale near 8-bit codes, where noise is about the same in dark and bright."""
    seen = np.fmax(np.asarray(light, np.float32), 0.0)  # what is not known counts as dark
    return np.asarray(255.0 * np.sqrt(seen), np.float32)


def measure_activity(
    frames_light: Sequence[Picture] | NDArray[np.float32],
    times_s: NDArray[np.float64],
    plate_light: Picture,
) -> Activity:
    """Map the changes against the plate.

    Parameters
    ----------
    frames_light : sequence of ndarray, each (h, w, 3)
        Steadied and exposure-corrected frames in order of time. Linear light.
    times_s : ndarray, shape (n,)
        Their times. [s]
    plate_light : ndarray, shape (h, w, 3)
        The view without smoke. Linear light.

    Raises
    ------
    ValueError
        If there is not one time per frame, or no frame.
    """
    if len(frames_light) != len(times_s) or not len(times_s):
        msg = f"times_s must hold one time per frame (got {len(times_s)} for {len(frames_light)})"
        raise ValueError(msg)
    h, w = plate_light.shape[:2]
    step = max(h, w) / GRID
    size = (max(1, round(w / step)), max(1, round(h / step)))
    # half the size holds all that the grid does; halving smooths by 1/3 px^2 by itself
    half = 2 if step >= 2.0 else 1
    sigma = 1.5 * max(h, w) / 640.0
    rest = math.sqrt(max(sigma**2 - (half**2 - 1) / 9.0, 0.01)) / half
    plate = codes(plate_light)
    steep = np.asarray(cv2.GaussianBlur(_steepness(plate), (0, 0), sigma), np.float32)
    edges = MISPLACED_PX * _shrunk(steep, half)
    plate = codes(_shrunk(plate_light, half))
    times = np.asarray(times_s, dtype=np.float64)

    def presence(changes: list[Picture]) -> Picture:
        calm = [np.median(c[::2, ::2]) for c in changes]
        noise = max(0.5, float(np.quantile(calm, 0.2)))
        tolerance = np.hypot(2.0 * LEAST_CODES * noise, edges)
        return np.stack([_presence(c / tolerance, size) for c in changes])

    with ThreadPoolExecutor(THREADS) as pool:
        seen = list(pool.map(lambda frame: codes(_shrunk(frame, half)), frames_light))
        lasting = presence(list(pool.map(lambda after: _change(plate, after, rest), seen)))
        maps, onset = _stretches(lasting, times)
        flutter = np.zeros((0, size[1], size[0]), np.float32)
        if len(seen) > 4:
            # a shadow or a cloud lies still from frame to frame where smoke does not
            change = pool.map(lambda k: _change(seen[k], seen[k + 1], rest), range(len(seen) - 1))
            flutter, _ = _stretches(presence(list(change)), times[1:])
    return Activity(maps=maps, flutter=flutter, step_px=w / size[0], onset_s=onset)


def _shrunk(picture: Picture, times: int) -> Picture:
    if times == 1:
        return picture
    size = (picture.shape[1] // times, picture.shape[0] // times)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)


def _steepness(picture: Picture) -> Picture:
    """Length of the gradient over all channels, in codes per pixel."""
    x = cv2.Sobel(picture, cv2.CV_32F, 1, 0) / 8.0
    y = cv2.Sobel(picture, cv2.CV_32F, 0, 1) / 8.0
    return np.asarray(np.sqrt((x * x + y * y).sum(axis=2)), dtype=np.float32)


def _change(before: Picture, after: Picture, sigma_px: float) -> Picture:
    apart = cv2.GaussianBlur(after - before, (0, 0), sigma_px)
    return np.asarray(cv2.sqrt(cv2.transform(apart * apart, np.ones((1, 3)))), np.float32)


def _presence(change: Picture, size: tuple[int, int]) -> Picture:
    """Share of each cell that changed, without thin lines and with small gaps closed."""
    share = 1.0 - np.exp(-((np.maximum(change - 1.0, 0.0) / 1.5) ** 2))
    cells = cv2.resize(share.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    small, line, gap = (cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (n, n)) for n in (5, 3, 9))
    # a pipe that shakes changes along its edges, thinly; smoke over a spot of its own colour
    # (dark squares under soot) leaves gaps
    cells = cv2.morphologyEx(cells, cv2.MORPH_CLOSE, small)
    cells = cv2.morphologyEx(cells, cv2.MORPH_OPEN, line)
    return np.asarray(cv2.morphologyEx(cells, cv2.MORPH_CLOSE, gap), dtype=np.float32)


def _stretches(presence: Picture, times_s: NDArray[np.float64]) -> tuple[Picture, float | None]:
    """Mean presence over stretches of time after the onset, each relative to its own densest."""
    area = (presence > 0.5).mean(axis=(1, 2))
    lift = area - np.median(area[: max(3, len(area) // 10)])
    if lift.max() < SMALLEST_AREA:
        # smoke may be there from the first frame on: then area itself is the measure
        lift = area
    top = float(lift.max())
    if top < SMALLEST_AREA:
        return np.zeros((0, *presence.shape[1:]), np.float32), None
    onset = float(times_s[int(np.argmax(lift > max(SMALLEST_AREA, 0.02 * top)))])
    after = times_s - onset
    maps = []
    for start, end in STRETCHES_S:
        inside = (after >= start - 1e-6) & (after < end)
        if inside.any() and lift[inside].mean() > max(0.7 * SMALLEST_AREA, 0.005 * top):
            maps.append(presence[inside].mean(axis=0))
    live = presence[lift > 0.1 * top]
    maps.append(live.mean(axis=0))
    # what is there most of the time: someone who walks past is not
    maps += [m for m in np.quantile(live, (0.5, 0.7), axis=0) if m.max() > 0.3]
    shown = [np.clip(m / max(0.15, float(np.quantile(m, 0.998))), 0.0, 1.0) for m in maps]
    return np.stack(shown).astype(np.float32), onset


def loudest(contrast: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of the three stretches of time that speak loudest, along the first axis.

    Early ones for a puff that drifts away, all for one that hangs on.
    """
    return np.asarray(np.sort(contrast, axis=0)[-3:].mean(axis=0))


def find_origins(activity: Activity, *, most: int = 6) -> NDArray[np.float64]:
    """Look for places that smoke seems to come from, whatever the plate shows there.

    Each direction and width is tried everywhere: a jet ahead, clear behind and beside.

    Returns
    -------
    ndarray, shape (n, 5)
        x, y [px], direction [rad], width [px], contrast; best first.
    """
    tried: list[tuple[float, float]] = []
    answers = []
    for width in JET_CELLS if activity.families() else ():
        # a wide jet needs no fine cells
        half = width > 5.0
        families = [_halved(f) if half else f for f in activity.families()]
        directions = [k * math.pi / 8.0 for k in range(16)]
        jets = partial(_jets, families, width / 2.0 if half else width)
        with ThreadPoolExecutor(THREADS) as pool:
            h, w = activity.families()[0].shape[1:]
            answers += [cv2.resize(best, (w, h)) for best in pool.map(jets, directions)]
        tried += [(direction, width) for direction in directions]
    if not answers:
        return np.zeros((0, 5))
    best, which = np.max(answers, axis=0), np.argmax(answers, axis=0)
    found = []
    for _ in range(most):
        row, column = np.unravel_index(int(np.argmax(best)), best.shape)
        if best[row, column] < 0.05:
            break
        direction, width = tried[int(which[row, column])]
        x, y = ((k + 0.5) * activity.step_px - 0.5 for k in (column, row))
        found.append((x, y, direction, width * activity.step_px, best[row, column]))
        cv2.circle(best, (int(column), int(row)), 10, -1.0, -1)
    return np.array(found, dtype=np.float64).reshape(-1, 5)


def _jets(families: list[NDArray[np.float32]], width: float, direction: float) -> Picture:
    """How much each cell looks like a mouth of this width and direction."""
    kernels = _jet_kernels(direction, width)
    contrast = [loudest(np.stack([_jet_contrast(m, kernels) for m in f])) for f in families]
    return np.asarray(np.max(contrast, axis=0), np.float32)


def _halved(family: NDArray[np.float32]) -> NDArray[np.float32]:
    h, w = family.shape[1:]
    size = (max(1, w // 2), max(1, h // 2))
    halved = [cv2.resize(m, size, interpolation=cv2.INTER_AREA) for m in family]
    return np.stack(halved).astype(np.float32)


def _jet_kernels(direction: float, width: float) -> list[tuple[Picture, tuple[int, int]]]:
    """Averaging kernels ahead, behind and on both sides of a mouth, each with the mouth's place.

    In cells; cut to what is not zero, with which filtering is three times as quick.
    """
    reach = int(4 * width + 2)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(np.float64)
    u = (x * np.cos(direction) + y * np.sin(direction)) / width
    v = (y * np.cos(direction) - x * np.sin(direction)) / width
    beside = (u > -0.6) & (u < 0.5)
    shapes = (
        (u > 0.1) & (u < 2.2) & (np.abs(v) < 0.4 + 0.12 * u),
        (u > -2.5) & (u < -0.5) & (np.abs(v) < 1.2),
        beside & (v > 0.9) & (v < 2.0),
        beside & (v < -0.9) & (v > -2.0),
    )
    return [_trimmed((s / max(1, s.sum())).astype(np.float32), reach) for s in shapes]


def _trimmed(kernel: Picture, middle: int) -> tuple[Picture, tuple[int, int]]:
    """Kernel without its margins of zeros, and the column and row of its middle in what is left."""
    rows, columns = (np.nonzero(kernel.any(axis=axis))[0] for axis in (1, 0))
    top, left = min(middle, *rows), min(middle, *columns)
    cut = kernel[top : max(middle, *rows) + 1, left : max(middle, *columns) + 1]
    return np.ascontiguousarray(cut), (int(middle - left), int(middle - top))


def _jet_contrast(presence: Picture, kernels: list[tuple[Picture, tuple[int, int]]]) -> Picture:
    ahead, behind, left, right = (
        cv2.filter2D(presence, -1, kernel, anchor=mouth, borderType=cv2.BORDER_REPLICATE)
        for kernel, mouth in kernels
    )
    around = np.maximum(behind, 0.8 * np.maximum(left, right))
    return np.asarray(ahead - around - 0.1 * (behind + left + right), dtype=np.float32)
