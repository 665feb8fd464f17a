"""Draws the corner of an invented car and its tailpipe; no mark, no plate."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.demo.textures import clouds

Picture = NDArray[np.float32]

_PAINTS = [
    (0.02, 0.03, 0.12),
    (0.3, 0.03, 0.03),
    (0.55, 0.56, 0.58),
    (0.75, 0.75, 0.74),
    (0.03, 0.03, 0.03),
    (0.04, 0.13, 0.07),
    (0.35, 0.3, 0.2),
    (0.15, 0.2, 0.25),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """Where the pipe ends and points; on a sheet of twice the canvas' size."""

    place: tuple[float, float]  # centre of the mouth
    d: float  # outer diameter
    direction_deg: float  # of outflow, 0 right, 90 down
    seen: float  # share of the jet's length that is seen
    pose: str  # side, rear, stack
    left: bool  # the car lies to the left

    @property
    def along(self) -> NDArray[np.float64]:
        """Unit vector of the outflow."""
        a = np.deg2rad(self.direction_deg)
        return np.array([np.cos(a), np.sin(a)])


def draw_car(rng: np.random.Generator, canvas: Picture, near: Picture, aim: Aim) -> None:
    """Draw the lower corner of a car's rear: body, bumper, lamp, tyre, dark below."""
    h, w = canvas.shape[:2]
    (x, y), d = aim.place, aim.d
    paint = np.array(_PAINTS[int(rng.integers(len(_PAINTS)))], np.float32)
    rows = np.arange(h, dtype=np.float32)[:, None, None] / h
    sheen = 0.75 + 0.5 * np.exp(-(((rows - (y / h - 0.35)) / 0.1) ** 2))
    body = paint * sheen * np.ones((h, w, 1), np.float32)
    body *= np.exp(0.03 * clouds(rng, h, w, coarsest=h // 3))[..., None]
    bumper = np.array([0.025, 0.025, 0.027], np.float32) if rng.random() < 0.5 else paint * 0.8
    if aim.pose == "rear":
        low = y - d * rng.uniform(0.5, 1.1)
        mask = _shape([(-50, -50), (w + 50, -50), (w + 50, low), (-50, low)], (h, w), 2)
        split = low - d * rng.uniform(1.4, 2.4)
        strip = _shape([(-50, split), (w + 50, split), (w + 50, low), (-50, low)], (h, w), 2)
        lamp_x = x + rng.choice([-1, 1]) * rng.uniform(3, 6) * d
        lamp = _shape(
            [
                (lamp_x - 1.2 * d, split - 3 * d),
                (lamp_x + 1.2 * d, split - 3 * d),
                (lamp_x + d, split - 0.8 * d),
                (lamp_x - d, split - 0.8 * d),
            ],
            (h, w),
            3,
        )
        tyre_x = x + rng.choice([-1, 1]) * rng.uniform(6, 9) * d
        tyre = _shape(
            [
                (tyre_x - d, low - d),
                (tyre_x + d, low - d),
                (tyre_x + 0.9 * d, y + 3 * d),
                (tyre_x - 0.9 * d, y + 3 * d),
            ],
            (h, w),
            4,
        )
        under = _shape(
            [(-50, low - 4), (w + 50, low - 4), (w + 50, y + 2.4 * d), (-50, y + 2.4 * d)],
            (h, w),
            0.5 * d,
        )
        canvas *= 1 - 0.72 * under[..., None]
    else:
        s = 1 if aim.left else -1  # the car lies to the left where the pipe points right
        edge = x - s * d * rng.uniform(1.4, 2.8)
        low = y - d * rng.uniform(0.7, 1.3)
        far = -200 if aim.left else w + 200
        mask = _shape(
            [
                (far, -50),
                (edge - s * 0.8 * d, -50),
                (edge - s * 0.5 * d, low - 3 * d),
                (edge, low - 1.4 * d),
                (edge - s * 0.25 * d, low),
                (far, low),
            ],
            (h, w),
            2,
        )
        strip = _shape(
            [
                (far, low - 2 * d),
                (edge - s * 0.25 * d, low - 1.9 * d),
                (edge, low - 1.4 * d),
                (edge - s * 0.25 * d, low),
                (far, low),
            ],
            (h, w),
            2,
        )
        lamp = _shape(
            [
                (edge - s * 0.9 * d, low - 5.5 * d),
                (edge - s * 2.2 * d, low - 5.5 * d),
                (edge - s * 2.1 * d, low - 3 * d),
                (edge - s * 0.7 * d, low - 3 * d),
            ],
            (h, w),
            3,
        )
        tyre = np.zeros((h, w), np.float32)
        centre = (int(edge - s * rng.uniform(4.5, 6) * d), int(y + 0.6 * d))
        cv2.circle(tyre, centre, int(2.4 * d), 1.0, -1)
        tyre = np.asarray(cv2.GaussianBlur(tyre, (0, 0), 2), np.float32)
        under = _shape(
            [
                (far, low - 4),
                (edge - s * 0.3 * d, low),
                (edge - s * 2 * d, y + 2.2 * d),
                (far, y + 2.6 * d),
            ],
            (h, w),
            0.4 * d,
        )
        canvas *= 1 - 0.7 * under[..., None]
    _lay_over(canvas, tyre, [0.02, 0.02, 0.021])
    _lay_over(canvas, mask, body)
    _lay_over(canvas, np.minimum(strip, mask), bumper * sheen)
    _lay_over(canvas, np.minimum(lamp, mask), [0.24, 0.012, 0.01])
    np.maximum(near, np.maximum(mask, tyre), out=near)


def draw_pipe(rng: np.random.Generator, canvas: Picture, near: Picture, aim: Aim) -> None:
    """Draw a round pipe of metal or rust with a dark mouth."""
    h, w = canvas.shape[:2]
    place, d, along = np.array(aim.place), aim.d, aim.along
    across = np.array([-along[1], along[0]])
    length = {"side": 30.0, "rear": rng.uniform(0.8, 1.6), "stack": 30.0}[aim.pose] * d
    corners = [
        place + across * d / 2,
        place - across * d / 2,
        place - across * d / 2 - along * length,
        place + across * d / 2 - along * length,
    ]
    mask = _shape([(float(c[0]) - 0.5, float(c[1]) - 0.5) for c in corners], (h, w), 0.8)
    y, x = np.mgrid[:h, :w].astype(np.float32)
    v = ((x - place[0]) * across[0] + (y - place[1]) * across[1]) / (d / 2)
    metal = np.array(
        [(0.32, 0.32, 0.33), (0.16, 0.10, 0.07), (0.10, 0.10, 0.10), (0.24, 0.18, 0.13)][
            int(rng.integers(4))
        ],
        np.float32,
    )
    shine = (
        0.35 + 0.9 * np.exp(-(((v + 0.35) / 0.3) ** 2)) + 0.25 * np.exp(-(((v - 0.7) / 0.2) ** 2))
    )
    rust = np.exp(0.25 * clouds(rng, h, w, coarsest=int(d)))
    _lay_over(canvas, mask, metal * (shine * rust)[..., None])
    np.maximum(near, mask, out=near)
    # mouth: an ellipse, the rounder the more the pipe looks at the camera
    round_ = float(np.sqrt(1 - min(aim.seen, 0.97) ** 2))
    angle = float(np.degrees(np.arctan2(across[1], across[0])))
    for share, colour in ((1.0, metal * 0.7), (0.86, np.array([0.006, 0.006, 0.006], np.float32))):
        mouth = np.zeros((h, w), np.float32)
        axes = (int(d / 2 * share * 16), int(d / 2 * share * round_ * 16))
        centre = (int(place[0] * 16), int(place[1] * 16))
        cv2.ellipse(mouth, centre, axes, angle, 0, 360, 1.0, -1, cv2.LINE_8, 4)
        _lay_over(canvas, np.asarray(cv2.GaussianBlur(mouth, (0, 0), 0.8), np.float32), colour)


def _shape(points: list[tuple[float, float]], shape: tuple[int, int], soft: float) -> Picture:
    mask = np.zeros(shape, np.float32)
    cv2.fillPoly(mask, [np.round(np.array(points) * 8).astype(np.int32)], 1.0, cv2.LINE_8, 3)
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), soft) if soft > 0 else mask, np.float32)


def _lay_over(canvas: Picture, mask: Picture, colour: Picture | list[float]) -> None:
    canvas += mask[..., None] * (np.asarray(colour, np.float32) - canvas)
