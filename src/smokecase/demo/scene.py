"""Invented places: a wall or view, the ground before it, a car's rear and its tailpipe.

Everything is reflectance (share of a white card's light) on a canvas a little larger than the
picture, so that a moving camera never sees its edge. No mark, plate or face is drawn.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.demo.textures import SURFACES
from smokecase.demo.vehicle import Aim, draw_car, draw_pipe

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


def build_scene(
    rng: np.random.Generator, family: str, size: tuple[int, int], margin: int, *,
    nearness: float = 1.0,
) -> Scene:  # fmt: skip
    """Draw a place of a family; `size` is (width, height) of the picture.

    `nearness` makes car and pipe larger or smaller, the end of the pipe staying where it is.
    """
    w, h = size[0] + 2 * margin, size[1] + 2 * margin
    walls, grounds = FAMILIES[family]
    behind, below = (str(names[int(rng.integers(len(names)))]) for names in (walls, grounds))
    pose = {"own_rear": "rear", "upright_stack": "stack"}.get(
        family, "rear" if rng.random() < 0.25 else "side"
    )
    left = rng.random() < 0.5
    diameter = float(rng.uniform(0.034, 0.078) * max(size)) * nearness
    place, direction, seen = _aim(rng, pose, left, diameter, size)
    exit_px = (place[0] + margin, place[1] + margin)
    flat = family in ("gravel_yard", "lawn", "own_rear") or (behind == below)
    horizon = (
        0
        if flat
        else int(
            margin
            + size[1] * (rng.uniform(0.62, 0.9) if pose != "stack" else rng.uniform(0.85, 1.0))
        )
    )

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
    aim = Aim(
        place=(2 * exit_px[0] + 0.5, 2 * exit_px[1] + 0.5), d=2 * diameter, direction_deg=direction,
        seen=seen, pose=pose, left=left,
    )  # fmt: skip
    if pose != "stack":
        draw_car(rng, canvas, near, aim)
    draw_pipe(rng, canvas, near, aim)
    small = cv2.resize(canvas, (w, h), interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), 0.45)  # a lens is never sharper than its pixels
    return Scene(
        family=family,
        behind=behind,
        below=below,
        pose=pose,
        reflectance=np.asarray(blurred, np.float32),
        leaves=leaves,
        near=np.asarray(cv2.resize(near, (w, h), interpolation=cv2.INTER_AREA), np.float32),
        horizon=horizon,
        exit_px=exit_px,
        diameter_px=diameter,
        direction_deg=direction,
        foreshortening=seen,
        board_px=board[0] if board else None,
        board_cell_px=board[1] if board else None,
        board_levels=board[2] if board else None,
    )


def _aim(
    rng: np.random.Generator, pose: str, left: bool, diameter: float, size: tuple[int, int]
) -> tuple[tuple[float, float], float, float]:
    """Exit in the picture, direction of outflow, and how much of the jet's length is seen."""
    w, h = size
    if pose == "stack":
        return (
            (float(rng.uniform(0.3, 0.7) * w), float(rng.uniform(0.6, 0.8) * h)),
            float(rng.normal(-90, 10)),
            1.0,
        )
    if pose == "rear":
        seen = float(rng.uniform(0.45, 0.85))
        place = (float(rng.uniform(0.3, 0.7) * w), float(rng.uniform(0.38, 0.55) * h))
        return place, float(rng.uniform(40, 140)), seen
    x = rng.uniform(0.22, 0.42)
    angle = float(np.clip(rng.normal(8, 12), -20, 40))
    place = (float((x if left else 1 - x) * w), float(rng.uniform(0.42, 0.68) * h))
    return place, angle if left else 180.0 - angle, float(rng.uniform(0.85, 1.0))


def _ground(rng: np.random.Generator, name: str, h: int, w: int, *, steep: bool) -> Picture:
    """Lay a surface down: the far side is smaller."""
    if h <= 0:
        return np.zeros((0, w, 3), np.float32)
    depth = h if steep else 2 * h
    flat = SURFACES[name](rng, max(depth, 64), w)
    pull = float(rng.uniform(0.15, 0.4)) * (0.5 if steep else 1.0)
    source = np.array([[0, 0], [w, 0], [w, flat.shape[0]], [0, flat.shape[0]]], np.float32)
    spread = pull * w
    target = np.array([[0, 0], [w, 0], [w + spread, h], [-spread, h]], np.float32)
    matrix = cv2.getPerspectiveTransform(source, target)
    lying = cv2.warpPerspective(
        flat, matrix, (w, h), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(lying, np.float32)


def _corner_shade(canvas: Picture, top: int) -> None:
    """Less sky reaches the corner between wall and ground."""
    rows = np.abs(np.arange(canvas.shape[0]) - top) / (0.12 * canvas.shape[0])
    canvas *= (1 - 0.35 * np.exp(-rows)).astype(np.float32)[:, None, None]


def _hang_board(
    rng: np.random.Generator,
    canvas: Picture,
    exit_px: tuple[float, float],
    d: float,
    direction: float,
) -> tuple[tuple[float, float, float, float], float, tuple[float, float]]:
    """Hang a black-and-white board behind the first pipe diameters; box on the canvas."""
    bw, bh = d * rng.uniform(6, 9), d * rng.uniform(4, 6)
    a = np.deg2rad(direction)
    cx = exit_px[0] + np.cos(a) * bw * 0.42
    cy = exit_px[1] + np.sin(a) * bh * 0.3
    cell = d * rng.uniform(0.4, 0.75)
    n, m = int(bw / cell), int(bh / cell)
    x0, y0 = round(2 * (cx - n * cell / 2)), round(2 * (cy - m * cell / 2))
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
