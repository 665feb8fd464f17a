"""Invented places: a wall or view, the ground before it, a car's rear and its tailpipe.

Everything is reflectance (share of a white card's light) on a canvas a little larger than the
picture, so that a moving camera never sees its edge. No mark, plate or face is drawn.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.demo.textures import SURFACES, clouds

Picture = NDArray[np.float32]

# family: (surfaces behind, surfaces below)
FAMILIES: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "driveway": (("plaster", "hedge", "brick"), ("asphalt", "concrete")),
    "brick_wall": (("brick", "brick_photo"), ("concrete", "asphalt")),
    "plaster_wall": (("plaster",), ("concrete", "gravel", "asphalt")),
    "wood_fence": (("boards",), ("grass", "gravel", "concrete")),
    "hedge": (("hedge",), ("grass", "gravel", "asphalt")),
    "gravel_yard": (("gravel",), ("gravel",)),
    "lawn": (("grass",), ("grass",)),
    "snow": (("snow", "hedge", "boards"), ("snow",)),
    "garage_door": (("panels",), ("concrete", "asphalt")),
    "night_lamp": (("plaster", "brick", "boards", "hedge"), ("asphalt", "concrete", "gravel")),
    "open_sky": (("sky",), ("asphalt", "grass", "gravel")),
    "own_rear": (("asphalt", "concrete", "gravel"), ("asphalt", "concrete", "gravel")),
    "people_behind": (("plaster", "brick", "boards", "panels"), ("asphalt", "concrete")),
    "upright_stack": (("sky", "hedge", "brick_photo", "panels"), ("asphalt", "grass")),
    "board": (("plaster", "boards", "hedge", "brick"), ("asphalt", "concrete", "grass")),
}
_PAINTS = [(0.02, 0.03, 0.12), (0.3, 0.03, 0.03), (0.55, 0.56, 0.58), (0.75, 0.75, 0.74),
           (0.03, 0.03, 0.03), (0.04, 0.13, 0.07), (0.35, 0.3, 0.2), (0.15, 0.2, 0.25)]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """What stands still."""

    family: str
    behind: str
    below: str
    pose: str  # side, rear, stack
    reflectance: Picture  # (h, w, 3) of the canvas
    leaves: NDArray[np.bool_]  # (h, w) what the wind moves
    near: NDArray[np.float32]  # (h, w) share of the car and pipe, which stand before people
    horizon: int  # row where the ground begins
    exit_px: tuple[float, float]  # on the canvas
    diameter_px: float
    direction_deg: float
    foreshortening: float
    board_px: tuple[float, float, float, float] | None
    board_cell_px: float | None
    board_levels: tuple[float, float] | None


def build_scene(rng: np.random.Generator, family: str, size: tuple[int, int], margin: int) -> Scene:
    """Draw a place of a family; `size` is (width, height) of the picture."""
    w, h = size[0] + 2 * margin, size[1] + 2 * margin
    walls, grounds = FAMILIES[family]
    behind, below = (str(names[int(rng.integers(len(names)))]) for names in (walls, grounds))
    pose = {"own_rear": "rear", "upright_stack": "stack"}.get(
        family, "rear" if rng.random() < 0.25 else "side")  # fmt: skip
    left = rng.random() < 0.5
    diameter = float(rng.uniform(0.034, 0.078) * max(size))
    place, direction, seen = _aim(rng, pose, left, diameter, size)
    exit_px = (place[0] + margin, place[1] + margin)
    flat = family in ("gravel_yard", "lawn", "own_rear") or (behind == below)
    horizon = 0 if flat else int(margin + size[1] * (
        rng.uniform(0.62, 0.9) if pose != "stack" else rng.uniform(0.85, 1.0)))  # fmt: skip

    big = (2 * h, 2 * w)  # drawn at twice the size, so that edges come out smooth
    canvas = np.empty((*big, 3), np.float32)
    top = 2 * horizon
    if top > 0:
        canvas[:top] = SURFACES[behind](rng, top, big[1])
    canvas[top:] = _ground(rng, below, big[0] - top, big[1], steep=flat)
    if top > 0:
        _corner_shade(canvas, top)
    leaves = np.zeros((h, w), bool)
    if behind == "hedge":
        leaves[:horizon] = True
    board = None
    if family == "board":
        board = _hang_board(rng, canvas, exit_px, diameter, direction)
    near = np.zeros(big, np.float32)
    a = np.deg2rad(direction)
    along = np.array([np.cos(a), np.sin(a)])
    if pose != "stack":
        _car(rng, canvas, near, (2 * exit_px[0], 2 * exit_px[1]), 2 * diameter, pose, left)
    _pipe(rng, canvas, near, np.array(exit_px) * 2 + 0.5, 2 * diameter, along, seen, pose)
    small = cv2.resize(canvas, (w, h), interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), 0.45)  # a lens is never sharper than its pixels
    return Scene(
        family=family, behind=behind, below=below, pose=pose,
        reflectance=np.asarray(blurred, np.float32), leaves=leaves,
        near=np.asarray(cv2.resize(near, (w, h), interpolation=cv2.INTER_AREA), np.float32),
        horizon=horizon, exit_px=exit_px, diameter_px=diameter, direction_deg=direction,
        foreshortening=seen, board_px=board[0] if board else None,
        board_cell_px=board[1] if board else None, board_levels=board[2] if board else None,
    )  # fmt: skip


def _aim(rng: np.random.Generator, pose: str, left: bool, diameter: float,
         size: tuple[int, int]) -> tuple[tuple[float, float], float, float]:  # fmt: skip
    """Exit in the picture, direction of outflow, and how much of the jet's length is seen."""
    w, h = size
    if pose == "stack":
        return ((float(rng.uniform(0.3, 0.7) * w), float(rng.uniform(0.6, 0.8) * h)),
                float(rng.normal(-90, 10)), 1.0)  # fmt: skip
    if pose == "rear":
        seen = float(rng.uniform(0.45, 0.85))
        place = (float(rng.uniform(0.3, 0.7) * w), float(rng.uniform(0.38, 0.55) * h))
        return place, float(rng.uniform(40, 140)), seen
    x = rng.uniform(0.22, 0.42)
    angle = float(np.clip(rng.normal(8, 12), -20, 40))
    place = (float((x if left else 1 - x) * w), float(rng.uniform(0.42, 0.68) * h))
    return place, angle if left else 180.0 - angle, float(rng.uniform(0.85, 1.0))


def _ground(rng: np.random.Generator, name: str, h: int, w: int, *, steep: bool) -> Picture:
    """A surface lying down: the far side is smaller."""
    if h <= 0:
        return np.zeros((0, w, 3), np.float32)
    depth = h if steep else 2 * h
    flat = SURFACES[name](rng, max(depth, 64), w)
    pull = float(rng.uniform(0.15, 0.4)) * (0.5 if steep else 1.0)
    source = np.array([[0, 0], [w, 0], [w, flat.shape[0]], [0, flat.shape[0]]], np.float32)
    spread = pull * w
    target = np.array([[0, 0], [w, 0], [w + spread, h], [-spread, h]], np.float32)
    matrix = cv2.getPerspectiveTransform(source, target)
    lying = cv2.warpPerspective(flat, matrix, (w, h), flags=cv2.INTER_AREA,
                                borderMode=cv2.BORDER_REFLECT)  # fmt: skip
    return np.asarray(lying, np.float32)


def _corner_shade(canvas: Picture, top: int) -> None:
    """Less sky reaches the corner between wall and ground."""
    rows = np.abs(np.arange(canvas.shape[0]) - top) / (0.12 * canvas.shape[0])
    canvas *= (1 - 0.35 * np.exp(-rows)).astype(np.float32)[:, None, None]


def _shape(points: list[tuple[float, float]], shape: tuple[int, int], soft: float) -> Picture:
    mask = np.zeros(shape, np.float32)
    cv2.fillPoly(mask, [np.round(np.array(points) * 8).astype(np.int32)], 1.0, cv2.LINE_8, 3)
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), soft) if soft > 0 else mask, np.float32)


def _lay_over(canvas: Picture, mask: Picture, colour: Picture | list[float]) -> None:
    canvas += mask[..., None] * (np.asarray(colour, np.float32) - canvas)


def _car(rng: np.random.Generator, canvas: Picture, near: Picture, place: tuple[float, float],
         d: float, pose: str, left: bool) -> None:  # fmt: skip
    """The lower corner of a car's rear: body, bumper, lamp, tyre and the dark below."""
    h, w = canvas.shape[:2]
    x, y = place
    paint = np.array(_PAINTS[int(rng.integers(len(_PAINTS)))], np.float32)
    rows = np.arange(h, dtype=np.float32)[:, None, None] / h
    sheen = 0.75 + 0.5 * np.exp(-(((rows - (y / h - 0.35)) / 0.1) ** 2))
    body = paint * sheen * np.ones((h, w, 1), np.float32)
    body *= np.exp(0.03 * clouds(rng, h, w, coarsest=h // 3))[..., None]
    bumper = np.array([0.025, 0.025, 0.027], np.float32) if rng.random() < 0.5 else paint * 0.8
    if pose == "rear":
        low = y - d * rng.uniform(0.5, 1.1)
        mask = _shape([(-50, -50), (w + 50, -50), (w + 50, low), (-50, low)], (h, w), 2)
        split = low - d * rng.uniform(1.4, 2.4)
        strip = _shape([(-50, split), (w + 50, split), (w + 50, low), (-50, low)], (h, w), 2)
        lamp_x = x + rng.choice([-1, 1]) * rng.uniform(3, 6) * d
        lamp = _shape([(lamp_x - 1.2 * d, split - 3 * d), (lamp_x + 1.2 * d, split - 3 * d),
                       (lamp_x + d, split - 0.8 * d), (lamp_x - d, split - 0.8 * d)], (h, w), 3)  # fmt: skip
        tyre_x = x + rng.choice([-1, 1]) * rng.uniform(6, 9) * d
        tyre = _shape([(tyre_x - d, low - d), (tyre_x + d, low - d),
                       (tyre_x + 0.9 * d, y + 3 * d), (tyre_x - 0.9 * d, y + 3 * d)], (h, w), 4)  # fmt: skip
        under = _shape([(-50, low - 4), (w + 50, low - 4), (w + 50, y + 2.4 * d), (-50, y + 2.4 * d)],
                       (h, w), 0.5 * d)  # fmt: skip
        canvas *= 1 - 0.72 * under[..., None]
    else:
        s = 1 if left else -1  # the car lies to the left where the pipe points right
        edge = x - s * d * rng.uniform(1.4, 2.8)
        low = y - d * rng.uniform(0.7, 1.3)
        far = -200 if left else w + 200
        mask = _shape([(far, -50), (edge - s * 0.8 * d, -50), (edge - s * 0.5 * d, low - 3 * d),
                       (edge, low - 1.4 * d), (edge - s * 0.25 * d, low), (far, low)], (h, w), 2)  # fmt: skip
        strip = _shape([(far, low - 2 * d), (edge - s * 0.25 * d, low - 1.9 * d), (edge, low - 1.4 * d),
                        (edge - s * 0.25 * d, low), (far, low)], (h, w), 2)  # fmt: skip
        lamp = _shape([(edge - s * 0.9 * d, low - 5.5 * d), (edge - s * 2.2 * d, low - 5.5 * d),
                       (edge - s * 2.1 * d, low - 3 * d), (edge - s * 0.7 * d, low - 3 * d)], (h, w), 3)  # fmt: skip
        tyre = np.zeros((h, w), np.float32)
        centre = (int(edge - s * rng.uniform(4.5, 6) * d), int(y + 0.6 * d))
        cv2.circle(tyre, centre, int(2.4 * d), 1.0, -1)
        tyre = np.asarray(cv2.GaussianBlur(tyre, (0, 0), 2), np.float32)
        under = _shape([(far, low - 4), (edge - s * 0.3 * d, low), (edge - s * 2 * d, y + 2.2 * d),
                        (far, y + 2.6 * d)], (h, w), 0.4 * d)  # fmt: skip
        canvas *= 1 - 0.7 * under[..., None]
    _lay_over(canvas, tyre, [0.02, 0.02, 0.021])
    _lay_over(canvas, mask, body)
    _lay_over(canvas, np.minimum(strip, mask), bumper * sheen)
    _lay_over(canvas, np.minimum(lamp, mask), [0.24, 0.012, 0.01])
    np.maximum(near, np.maximum(mask, tyre), out=near)


def _pipe(rng: np.random.Generator, canvas: Picture, near: Picture, place: NDArray[np.float64],
          d: float, along: NDArray[np.float64], seen: float, pose: str) -> None:  # fmt: skip
    """A round pipe of metal or rust with a dark mouth."""
    h, w = canvas.shape[:2]
    across = np.array([-along[1], along[0]])
    length = {"side": 30.0, "rear": rng.uniform(0.8, 1.6), "stack": 30.0}[pose] * d
    corners = [place + across * d / 2, place - across * d / 2,
               place - across * d / 2 - along * length, place + across * d / 2 - along * length]  # fmt: skip
    mask = _shape([(float(c[0]) - 0.5, float(c[1]) - 0.5) for c in corners], (h, w), 0.8)
    y, x = np.mgrid[:h, :w].astype(np.float32)
    v = ((x - place[0]) * across[0] + (y - place[1]) * across[1]) / (d / 2)
    metal = np.array([(0.32, 0.32, 0.33), (0.16, 0.10, 0.07), (0.10, 0.10, 0.10),
                      (0.24, 0.18, 0.13)][int(rng.integers(4))], np.float32)  # fmt: skip
    shine = (
        0.35 + 0.9 * np.exp(-(((v + 0.35) / 0.3) ** 2)) + 0.25 * np.exp(-(((v - 0.7) / 0.2) ** 2))
    )
    rust = np.exp(0.25 * clouds(rng, h, w, coarsest=int(d)))
    _lay_over(canvas, mask, metal * (shine * rust)[..., None])
    np.maximum(near, mask, out=near)
    # mouth: an ellipse, the rounder the more the pipe looks at the camera
    round_ = float(np.sqrt(1 - min(seen, 0.97) ** 2))
    angle = float(np.degrees(np.arctan2(across[1], across[0])))
    for share, colour in ((1.0, metal * 0.7), (0.86, np.array([0.006, 0.006, 0.006], np.float32))):
        mouth = np.zeros((h, w), np.float32)
        axes = (int(d / 2 * share * 16), int(d / 2 * share * round_ * 16))
        centre = (int(place[0] * 16), int(place[1] * 16))
        cv2.ellipse(mouth, centre, axes, angle, 0, 360, 1.0, -1, cv2.LINE_8, 4)
        _lay_over(canvas, np.asarray(cv2.GaussianBlur(mouth, (0, 0), 0.8), np.float32), colour)


def _hang_board(
    rng: np.random.Generator,
    canvas: Picture,
    exit_px: tuple[float, float],
    d: float,
    direction: float,
) -> tuple[tuple[float, float, float, float], float, tuple[float, float]]:
    """A black-and-white board behind the first pipe diameters; box on the canvas."""
    bw, bh = d * rng.uniform(6, 9), d * rng.uniform(4, 6)
    a = np.deg2rad(direction)
    cx = exit_px[0] + np.cos(a) * bw * 0.42
    cy = exit_px[1] + np.sin(a) * bh * 0.3
    cell = d * rng.uniform(0.4, 0.75)
    n, m = int(bw / cell), int(bh / cell)
    x0, y0 = int(round(2 * (cx - n * cell / 2))), int(round(2 * (cy - m * cell / 2)))
    black, white = float(rng.uniform(0.03, 0.07)), float(rng.uniform(0.7, 0.88))
    for j in range(m):
        for i in range(n):
            a0, b0 = int(x0 + 2 * i * cell), int(y0 + 2 * j * cell)
            a1, b1 = int(x0 + 2 * (i + 1) * cell), int(y0 + 2 * (j + 1) * cell)
            canvas[max(b0, 0) : max(b1, 0), max(a0, 0) : max(a1, 0)] = (
                white if (i + j) % 2 else black
            )
    box = (x0 / 2, y0 / 2, x0 / 2 + n * cell, y0 / 2 + m * cell)
    return box, float(cell), (black, white)
