"""The two obvious methods, written plainly, to be run beside smokecase on the same section.

Both work on grey code values as the file has them, on the same clear frames as smokecase used,
and their box follows the true movement of the scene: more than they would get in a yard. Answers
beyond 0 to 100 % are cut, as anybody would.
"""

import math

import cv2
import numpy as np

from smokecase.video.clip import open_clip

LUMA = (0.2126, 0.7152, 0.0722)  # BT.709
WINDOW_PX = 15  # of a pair's picture, for the contrast around a pixel


def grey_change_pct(seen, plate):
    """Background subtraction: how far each grey level went towards black or white."""
    change = seen - plate
    room = np.where(change < 0, plate, 255.0 - plate)
    return 100.0 * np.abs(change) / np.maximum(room, 1.0)


def contrast_loss_pct(seen, plate):
    """Contrast ratio: spread of the grey levels in the box against the plate's."""
    spread = plate.std()
    return float(np.clip(100.0 * (1.0 - seen.std() / spread), 0, 100)) if spread > 0 else math.nan


def to_grey(codes):
    """Grey levels 0 to 255 of full-scale 16-bit RGB codes."""
    return (codes.astype(np.float32) @ np.array(LUMA, np.float32)) / 257.0


def read_section(path, box_px, moved_px, plate_window_s):
    """Opacity of the box by both methods in every frame.

    Parameters
    ----------
    path : Path
        The clip.
    box_px : sequence of float
        x0, y0, x1, y1 in the first frame.
    moved_px : ndarray, shape (n, 2)
        How far the scene has moved in each frame.
    plate_window_s : (float, float)
        Time without smoke.

    Returns
    -------
    grey, contrast : ndarray, shape (n,)
        Opacity [%]
    """
    clip = open_clip(path)
    boxes, times = [], []
    for frame in clip.frames():
        move = moved_px[min(frame.index, len(moved_px) - 1)]
        x0, y0 = (np.array(box_px[:2]) + move) * clip.scale
        w, h = (round((box_px[i + 2] - box_px[i]) * clip.scale) for i in (0, 1))
        grey = to_grey(frame.codes)
        top = min(max(round(y0), 0), grey.shape[0] - h)
        left = min(max(round(x0), 0), grey.shape[1] - w)
        boxes.append(grey[top : top + h, left : left + w])
        times.append(frame.time_s)
    boxes, times = np.array(boxes), np.array(times)
    clear = (times >= plate_window_s[0]) & (times <= plate_window_s[1])
    plate = boxes[clear if clear.any() else slice(0, 12)].mean(axis=0)
    grey = np.array([grey_change_pct(b, plate).mean() for b in boxes])
    contrast = np.array([contrast_loss_pct(b, plate) for b in boxes])
    return grey, contrast


def read_pair(seen, plate):
    """Opacity of every pixel of a pair by both methods; contrast in a window around it.

    Pictures are grey levels (h, w).
    """

    def spread(grey):
        mean = cv2.blur(grey, (WINDOW_PX, WINDOW_PX))
        return np.sqrt(np.maximum(cv2.blur(grey * grey, (WINDOW_PX, WINDOW_PX)) - mean**2, 0.0))

    lost = 100.0 * (1.0 - spread(seen) / np.maximum(spread(plate), 1e-3))
    return grey_change_pct(seen, plate), np.clip(lost, 0.0, 100.0)
