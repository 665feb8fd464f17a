"""What the camera's exposure and white balance did since the plate, per channel.

A phone brightens the picture when dark smoke fills it and dims it for white smoke. The gain is
read from blocks that the plume never reaches: those that keep in step with the bulk of the
picture in every frame.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BLOCK_PX = 16
LUMA = np.array([0.2126, 0.7152, 0.0722])  # BT.709
DARK, BRIGHT = 0.004, 0.9  # linear light outside which a block's ratio means little
STEP = 0.06  # ln gain: how far blocks may lie from the bulk to be counted to it
STILL = 0.03  # relative change within which a block keeps in step
DARK_FLOOR = 0.03  # linear light: darker blocks are judged as if they were this bright
FEWEST_BLOCKS = 8
REGIONS, FEWEST_IN_REGION = (3, 4), 5  # of the picture, in which light may change on its own
JUMP_SHARE = 2.0  # so many times more blocks must agree on a jump than on no jump


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exposure:
    """Gain of n frames against the plate."""

    gain: Floats  # (n, 3)
    free: NDArray[np.bool_]  # (by, bx) blocks that the plume never reached
    checked: bool  # False: too few free blocks, the gain is a guess


def block_means(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean light of each block, shape (h // 16, w // 16, 3); a rest at the edges is left out."""
    h, w = light.shape[:2]
    rows, columns = max(1, h // BLOCK_PX), max(1, w // BLOCK_PX)
    whole = light[: rows * BLOCK_PX, : columns * BLOCK_PX] if min(h, w) >= BLOCK_PX else light
    return np.asarray(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA))


def taken_out(light: NDArray[np.float32], gain: Floats) -> NDArray[np.float32]:
    """Light (h, w, 3) with its exposure, a gain per channel, taken out."""
    return np.asarray(cv2.transform(light, np.diag(1.0 / gain)), np.float32)


def log_ratios(blocks: NDArray[np.float32], plate: NDArray[np.float32]) -> Floats:
    """``ln(frame / plate)`` of blocks, shape (..., by, bx, 3); NaN where too dark or blown out."""
    usable = (plate > DARK) & (plate < BRIGHT) & (blocks > DARK / 4) & (blocks < BRIGHT)
    safe = np.where(usable, blocks, 1.0) / np.where(usable, plate, 1.0)
    return np.where(usable, np.log(safe), np.nan)


def fit_exposure(blocks: NDArray[np.float32], plate: NDArray[np.float32]) -> Exposure:
    """Gain over time from the blocks of all frames.

    Parameters
    ----------
    blocks : ndarray, shape (n, by, bx, 3)
        Mean light of each frame's blocks, in order of time; the first lies near the plate.
    plate : ndarray, shape (by, bx, 3)
        The same of the plate.

    Returns
    -------
    Exposure

    Source
    ------
    Mode seeking by repeated means within a window (mean shift), then the median over blocks
    that keep in step.
    """
    n = len(blocks)
    flat = log_ratios(blocks, plate[None]).reshape(n, -1, 3)
    seen, still = blocks.reshape(n, -1, 3), plate.reshape(-1, 3)
    luma = still @ LUMA
    level = luma + DARK_FLOOR
    gains = np.zeros((n, 3))
    now = np.zeros(3)
    for i in range(n):
        now = _bulk(flat[i], now)
        gains[i] = now
    free = np.ones(flat.shape[1], bool)
    for _ in range(3):
        # luma alone: encoders of few bits mend the colour of still blocks long after the start
        even = np.exp(gains @ LUMA)[:, None]
        away = np.abs(seen @ LUMA / even - luma) / level
        free = (away < STILL).mean(axis=0) >= 0.95
        free &= (~np.isnan(flat).all(axis=2)).mean(axis=0) > 0.8
        if free.sum() < FEWEST_BLOCKS:
            break
        gains = np.stack([_middle(flat[i, free], gains[i]) for i in range(n)])
    return Exposure(
        gain=np.exp(gains),
        free=free.reshape(plate.shape[:2]),
        checked=bool(free.sum() >= FEWEST_BLOCKS),
    )


def uneven(ratios: Floats, free: NDArray[np.bool_]) -> Floats:
    """How far the light changed differently from place to place, shape (3,) [ln].

    Drifting cloud takes the sun from the open places and leaves the shade as it was. What the
    regions of the picture differ by is what the gain at any one place is in doubt by.

    Parameters
    ----------
    ratios : ndarray, shape (by, bx, 3)
        From `log_ratios`.
    free : ndarray of bool, shape (by, bx)
        Blocks that the plume never reached.
    """
    known = free & ~np.isnan(ratios.sum(axis=-1))
    middles = []
    for row in np.array_split(np.arange(free.shape[0]), REGIONS[0]):
        for column in np.array_split(np.arange(free.shape[1]), REGIONS[1]):
            if not len(row) or not len(column):
                continue
            here = (slice(row[0], row[-1] + 1), slice(column[0], column[-1] + 1))
            inside = ratios[here][known[here]]
            if len(inside) >= FEWEST_IN_REGION:
                middles.append(_median(inside))
    if len(middles) < 2:
        return np.zeros(3)
    return np.asarray(np.std(middles, axis=0, ddof=1))


def _median(rows: Floats) -> Floats:
    """Median along the first axis; for few rows many times quicker than the library's."""
    ordered, n = np.sort(rows, axis=0), len(rows)
    return np.asarray(0.5 * (ordered[(n - 1) // 2] + ordered[n // 2]))


def _bulk(ratios: Floats, start: Floats) -> Floats:
    """Where most blocks lie, sought from the last frame's gain.

    A camera that jumps takes the whole picture along: another place wins where far more blocks
    agree on it than on the last gain.
    """
    good = ratios[~np.isnan(ratios).any(axis=1)]
    if len(good) < FEWEST_BLOCKS:
        return start
    found = [
        _settled(good, start),
        _settled(good, np.zeros(3)),
        _settled(good, _median(good)),
    ]
    held = [int((np.linalg.norm(good - g, axis=1) < STEP).sum()) for g in found]
    # no change at all wins over a drift that no more blocks ask for, or the drift feeds on itself
    best = found[1] if held[1] >= held[0] else found[0]
    if held[2] > JUMP_SHARE * max(held[0], held[1], FEWEST_BLOCKS):
        best = found[2]
    near = good[np.linalg.norm(good - best, axis=1) < STEP]
    return _median(near) if len(near) else start


def _settled(ratios: Floats, start: Floats) -> Floats:
    """Mean shift from a starting point; the start itself where too little lies near it."""
    now = start
    for _ in range(12):
        near = np.linalg.norm(ratios - now, axis=1) < 2.0 * STEP
        if near.sum() < FEWEST_BLOCKS:
            return start
        after = np.asarray(ratios[near].mean(axis=0))
        if np.abs(after - now).max() < 1e-4:
            break
        now = after
    return now


def _middle(ratios: Floats, before: Floats) -> Floats:
    out = before.copy()
    for c in range(3):
        known = ratios[~np.isnan(ratios[:, c]), c]
        if len(known) >= FEWEST_BLOCKS // 2:
            out[c] = _median(known)
    return out
