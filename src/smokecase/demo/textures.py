"""Surfaces for invented scenes, as reflectance in linear light.

Procedural ones, and three photographs that ship with scikit-image (brick, grass, gravel; CC0,
see that package's data notes). Every function takes a size and a random generator.
"""

from collections.abc import Callable
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]


def clouds(
    rng: np.random.Generator, h: int, w: int, *, coarsest: int, fall: float = 0.6
) -> Picture:
    """Fractal noise of unit variance; `coarsest` is its largest grain in pixels."""
    total = np.zeros((h, w), dtype=np.float32)
    grain, strength = float(coarsest), 1.0
    while grain >= 1.0:
        small = rng.standard_normal((int(h / grain) + 3, int(w / grain) + 3)).astype(np.float32)
        big = cv2.resize(small, (int(small.shape[1] * grain), int(small.shape[0] * grain)),
                         interpolation=cv2.INTER_CUBIC)  # fmt: skip
        dy, dx = (int(rng.integers(0, max(int(grain), 1) + 1)) for _ in range(2))
        total += strength * big[dy : dy + h, dx : dx + w]
        grain, strength = grain / 2, strength * fall
    return np.asarray((total - total.mean()) / total.std(), dtype=np.float32)


def paint(rng: np.random.Generator, grey: Picture, colour: tuple[float, float, float],
          contrast: float, tint: float = 0.05) -> Picture:  # fmt: skip
    """Colour times a lognormal pattern, with a little play in hue."""
    pattern = np.exp(contrast * grey)[..., None] * np.array(colour, dtype=np.float32)
    hue = clouds(rng, *grey.shape, coarsest=max(grey.shape[0] // 4, 8))
    return np.asarray(
        pattern * (1 + tint * hue[..., None] * np.array([1, 0, -1], np.float32)), np.float32
    )


@lru_cache(maxsize=3)
def _photo(name: str) -> Picture:
    from skimage import data

    grey = np.asarray(getattr(data, name)(), dtype=np.float32) / 255
    return np.asarray(
        np.where(grey > 0.04045, ((grey + 0.055) / 1.055) ** 2.4, grey / 12.92), np.float32
    )


def photo(rng: np.random.Generator, h: int, w: int, *, name: str, scale: float) -> Picture:
    """Tile a photograph with mirroring; mean 1."""
    tile = cv2.resize(_photo(name), None, fx=scale, fy=scale,
                      interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)  # fmt: skip
    if rng.random() < 0.5:
        tile = tile[:, ::-1]
    tile = np.hstack([tile, tile[:, ::-1]])
    tile = np.vstack([tile, tile[::-1]])
    y, x = int(rng.integers(tile.shape[0])), int(rng.integers(tile.shape[1]))
    tile = np.roll(tile, (y, x), axis=(0, 1))
    rows = -(-h // tile.shape[0])
    tile = np.tile(tile, (rows, -(-w // tile.shape[1])))[:h, :w]
    return np.asarray(np.maximum(tile / tile.mean(), 0.02), np.float32)


def brick(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Courses of bricks, each of its own shade, in mortar."""
    bh = int(rng.uniform(0.05, 0.11) * h)
    bw = int(bh * rng.uniform(2.4, 3.4))
    gap = max(int(bh * rng.uniform(0.08, 0.16)), 2)
    base = np.array(_pick(rng, [(0.30, 0.12, 0.08), (0.36, 0.20, 0.12), (0.22, 0.14, 0.11),
                                (0.45, 0.35, 0.24), (0.16, 0.09, 0.08)]))  # fmt: skip
    wall = np.empty((h, w, 3), np.float32)
    wall[:] = rng.uniform(0.18, 0.5)
    for row, y in enumerate(range(-int(rng.integers(bh)), h, bh)):
        for x in range(-(bw // 2) * (row % 2) - bw, w, bw):
            shade = base * np.exp(rng.normal(0, 0.22)) * np.exp(rng.normal(0, 0.06, 3))
            cv2.rectangle(wall, (x, y), (x + bw - gap, y + bh - gap), shade.tolist(), -1)
    grain = clouds(rng, h, w, coarsest=24, fall=0.8)
    return np.asarray(wall * np.exp(0.14 * grain)[..., None], np.float32)


def brick_photo(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Give the photographed wall a colour of its own."""
    colour = np.array(
        _pick(rng, [(0.33, 0.19, 0.14), (0.40, 0.34, 0.27), (0.25, 0.16, 0.13)]), np.float32
    )
    # its courses stand upright in the photograph
    lying = photo(rng, w, h, name="brick", scale=rng.uniform(1.0, 2.0)).T
    return np.asarray(lying[..., None] * colour, np.float32)


def plaster(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Plaster a wall: nearly even, with stains, fine grain and perhaps a crack."""
    colour = _pick(rng, [(0.70, 0.68, 0.62), (0.55, 0.47, 0.33), (0.42, 0.42, 0.42),
                         (0.62, 0.55, 0.45), (0.30, 0.34, 0.36), (0.78, 0.77, 0.75)])  # fmt: skip
    grain = 0.6 * clouds(rng, h, w, coarsest=h // 2) + 0.6 * clouds(rng, h, w, coarsest=6, fall=0.9)
    wall = paint(rng, np.asarray(grain, np.float32), colour, rng.uniform(0.04, 0.14), 0.015)
    for _ in range(int(rng.integers(0, 4))):
        _crack(rng, wall, 0.45)
    return np.minimum(wall, 0.88)


def boards(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Set up a fence or wall of boards, upright or lying."""
    upright = rng.random() < 0.6
    if not upright:
        h, w = w, h
    colour = np.array(_pick(rng, [(0.30, 0.20, 0.11), (0.24, 0.22, 0.19), (0.14, 0.08, 0.05),
                                  (0.38, 0.29, 0.18), (0.13, 0.18, 0.14)]))  # fmt: skip
    width = int(rng.uniform(0.05, 0.12) * w)
    grain = cv2.resize(clouds(rng, max(h // 16, 4), w, coarsest=12, fall=0.8), (w, h))
    wall = np.empty((h, w, 3), np.float32)
    for x in range(-int(rng.integers(width)), w, width):
        a, b = max(x, 0), max(x + width, 0)
        wall[:, a:b] = colour * np.exp(rng.normal(0, 0.16)) * np.exp(rng.normal(0, 0.04, 3))
        wall[:, b - max(width // 14, 2) : b] *= 0.25
    wall *= np.exp(0.22 * grain)[..., None]
    return np.asarray(wall if upright else wall.transpose(1, 0, 2), np.float32)


def hedge(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Leaves over leaves, dark gaps between them."""
    wall = np.full((h, w, 3), 0.012, np.float32)
    colour = np.array(_pick(rng, [(0.06, 0.13, 0.03), (0.09, 0.15, 0.04), (0.04, 0.09, 0.04),
                                  (0.16, 0.15, 0.05)]))  # fmt: skip
    size = rng.uniform(0.008, 0.022) * h
    n = int(min(1.3 * h * w / size**2, 14000))
    light = clouds(rng, h, w, coarsest=h // 3)
    for k in range(n):
        x, y = int(rng.integers(w)), int(rng.integers(h))
        shade = colour * np.exp(rng.normal(0, 0.4) + 0.35 * light[y, x] - 1.2 * (1 - k / n))
        axes = (
            max(int(size * rng.uniform(0.6, 1.2)), 1),
            max(int(size * rng.uniform(0.25, 0.5)), 1),
        )
        cv2.ellipse(wall, (x, y), axes, float(rng.uniform(0, 180)), 0, 360, shade.tolist(), -1)
    return wall


def asphalt(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Dark, speckled, patched and cracked."""
    level = rng.uniform(0.05, 0.2)
    grain = 0.5 * clouds(rng, h, w, coarsest=h // 3) + 0.9 * clouds(rng, h, w, coarsest=5, fall=1.0)
    ground = paint(rng, np.asarray(grain, np.float32), (level, level, level * 1.02), 0.22, 0.02)
    for _ in range(int(rng.integers(0, 5))):
        _crack(rng, ground, 0.4)
    for _ in range(int(rng.integers(0, 3))):  # oil stains
        x, y = int(rng.integers(w)), int(rng.integers(h))
        spot = np.ones((h, w), np.float32)
        cv2.ellipse(spot, (x, y), (int(w * 0.05), int(h * 0.04)), 0, 0, 360, 0.6, -1)
        ground *= cv2.GaussianBlur(spot, (0, 0), h / 60)[..., None]
    return ground


def concrete(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Slabs with joints."""
    level = rng.uniform(0.25, 0.5)
    grain = 0.7 * clouds(rng, h, w, coarsest=h // 2) + 0.6 * clouds(rng, h, w, coarsest=5, fall=1.0)
    ground = paint(
        rng, np.asarray(grain, np.float32), (level * 1.03, level, level * 0.94), 0.1, 0.02
    )
    step = int(rng.uniform(0.2, 0.5) * w)
    for x in range(int(rng.integers(step)), w, step):
        cv2.line(ground, (x, 0), (x, h), [0.07, 0.07, 0.06], 3)
    for y in range(int(rng.integers(step)), h, step):
        cv2.line(ground, (0, y), (w, y), [0.07, 0.07, 0.06], 3)
    _crack(rng, ground, 0.5)
    return ground


def gravel(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Give the photographed gravel a colour of its own."""
    colour = np.array(
        _pick(rng, [(0.30, 0.27, 0.23), (0.22, 0.22, 0.22), (0.36, 0.29, 0.20)]), np.float32
    )
    return photo(rng, h, w, name="gravel", scale=rng.uniform(0.5, 1.3))[..., None] * colour


def grass(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Make the photographed grass green or dry."""
    colour = np.array(
        _pick(rng, [(0.09, 0.14, 0.04), (0.06, 0.11, 0.03), (0.20, 0.18, 0.08)]), np.float32
    )
    return photo(rng, h, w, name="grass", scale=rng.uniform(0.5, 1.2))[..., None] * colour


def snow(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Bright and nearly even, with dents and a dirty track."""
    relief = clouds(rng, h, w, coarsest=h // 5, fall=0.5)
    ground = paint(rng, relief, (0.80, 0.82, 0.85), rng.uniform(0.03, 0.1), 0.01)
    for _ in range(int(rng.integers(1, 4))):
        y = rng.uniform(0, h)
        track: Picture = np.ones((h, w), np.float32)
        cv2.line(track, (0, int(y)), (w, int(y + rng.normal(0, 0.2 * h))), 0.55, int(0.03 * h))
        worn = 0.7 + 0.3 * np.tanh(clouds(rng, h, w, coarsest=12, fall=0.9))
        track = np.asarray(1 - (1 - track) * worn, np.float32)
        ground *= cv2.GaussianBlur(track, (0, 0), 3)[..., None]
    return np.minimum(ground, 0.92)


def panels(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Make a garage door: lying panels with relief."""
    colour = _pick(
        rng, [(0.7, 0.7, 0.68), (0.12, 0.2, 0.14), (0.35, 0.36, 0.38), (0.3, 0.14, 0.08)]
    )
    grain = clouds(rng, h, w, coarsest=h // 2) + 0.3 * clouds(rng, h, w, coarsest=3)
    wall = paint(rng, np.asarray(grain, np.float32), colour, 0.05, 0.01)
    step = int(rng.uniform(0.07, 0.16) * h)
    for y in range(int(rng.integers(step)), h, step):
        wall[y : y + 3] *= 0.35
        wall[y + 3 : y + 6] *= 1.25
    return np.minimum(wall, 0.9)


def sky(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Radiance over white: a gradient with clouds, trees along the lower edge."""
    y = np.linspace(0, 1, h, dtype=np.float32)[:, None]
    high = np.array(
        _pick(rng, [(0.35, 0.5, 0.85), (0.8, 0.85, 0.95), (0.6, 0.64, 0.72)]), np.float32
    )
    low = np.array([0.95, 0.98, 1.02], np.float32)
    field = (high * (1 - y[..., None]) + low * y[..., None]) * np.ones((h, w, 1), np.float32)
    cover = 1 / (
        1 + np.exp(-(clouds(rng, h, w, coarsest=h // 2, fall=0.5) - rng.normal(0, 0.7)) * 3)
    )
    white = 0.95 + 0.1 * clouds(rng, h, w, coarsest=h // 4)
    field += cover[..., None] * (white[..., None] - field) * 0.8
    line = h * (0.75 + 0.08 * clouds(rng, 2, w, coarsest=w // 6, fall=0.7)[0])
    leaves = np.exp(0.5 * clouds(rng, h, w, coarsest=20, fall=0.9))[..., None] * np.array(
        [0.05, 0.08, 0.035], np.float32
    )
    trees = np.arange(h)[:, None] > line[None, :] + 4 * clouds(rng, h, w, coarsest=6, fall=0.9)
    return np.asarray(np.where(trees[..., None], leaves, field * rng.uniform(0.7, 1.5)), np.float32)


def checks(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Black and white fields of a board."""
    cell = max(int(h * rng.uniform(0.08, 0.2)), 4)
    y, x = np.mgrid[:h, :w] // cell
    black, white = rng.uniform(0.03, 0.07), rng.uniform(0.7, 0.9)
    board = np.where(((x + y) % 2)[..., None] > 0, white, black) * np.ones(3)
    return np.asarray(board, np.float32)


SURFACES: dict[str, Callable[[np.random.Generator, int, int], Picture]] = {
    "brick": brick, "brick_photo": brick_photo, "plaster": plaster, "boards": boards,
    "hedge": hedge, "asphalt": asphalt, "concrete": concrete, "gravel": gravel, "grass": grass,
    "snow": snow, "panels": panels, "sky": sky, "checks": checks,
}  # fmt: skip


def _pick(
    rng: np.random.Generator, choices: list[tuple[float, float, float]]
) -> tuple[float, float, float]:
    return choices[int(rng.integers(len(choices)))]


def _crack(rng: np.random.Generator, surface: Picture, depth: float) -> None:
    h, w = surface.shape[:2]
    n = 40
    way = np.cumsum(rng.normal(0, 0.02 * w, (n, 2)) + rng.normal(0, 0.012 * w, 2), axis=0)
    points = (way + rng.uniform(0, 1, 2) * (w, h)).astype(np.int32)
    mask = np.ones((h, w), np.float32)
    cv2.polylines(mask, [points], False, depth, max(h // 300, 1), cv2.LINE_AA)
    surface *= mask[..., None]
