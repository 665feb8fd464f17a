"""How an invented camera is held: tripod, hand, walking, zoom, rolling shutter."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FAMILIES = ("tripod", "hand", "walking", "zoom", "violent")
# share of the picture's width that the view may wander to each side
REACH = {"tripod": 0.0, "hand": 0.02, "walking": 0.06, "zoom": 0.03, "violent": 0.14}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Motion:
    """Canvas to picture, one 2 x 3 matrix per frame."""

    family: str
    matrices: Floats  # (n, 2, 3)
    dx_px: Floats  # (n,) movement of the picture's middle since frame 0
    dy_px: Floats
    turn_deg: Floats
    zoom: Floats

    @property
    def still(self) -> bool:
        """Whether the camera does not move at all."""
        return self.family == "tripod"

    @property
    def shake_rms_px(self) -> float:
        """Rms movement about its mean."""
        return float(np.hypot(self.dx_px.std(), self.dy_px.std()))


def margin_px(family: str, size: tuple[int, int]) -> int:
    """Rim of the canvas around the picture that this way of holding needs."""
    return int(np.ceil(REACH[family] * max(size) * 1.6)) if family != "tripod" else 0


def draw_motion(
    rng: np.random.Generator, family: str, times_s: Floats, size: tuple[int, int], readout_s: float
) -> Motion:
    """Draw a path of the camera; it never leaves the canvas."""
    n, (w, h) = len(times_s), size
    margin = margin_px(family, size)
    reach = REACH[family] * max(size)
    dx, dy, turn, zoom = np.zeros(n), np.zeros(n), np.zeros(n), np.ones(n)
    if family != "tripod":
        share = (
            float(np.exp(rng.uniform(np.log(0.08), 0))) if family == "hand" else rng.uniform(0.5, 1)
        )
        slow, fast = _wander(rng, times_s, 0.8), _wander(rng, times_s, 0.09)
        slow_y, fast_y = _wander(rng, times_s, 0.8), _wander(rng, times_s, 0.09)
        quick = rng.uniform(0.02, 0.12) if family != "violent" else 0.5
        dx, dy = slow + quick * fast, slow_y + quick * fast_y
        if family == "walking":
            hz = rng.uniform(1.5, 2.0)
            dy = dy + 0.5 * np.abs(np.sin(np.pi * hz * times_s))
            dx = dx + 0.3 * np.sin(np.pi * hz * times_s)
            zoom = 1 + rng.uniform(-0.02, 0.06) * times_s / times_s[-1]
        if family == "zoom":
            begin = rng.uniform(0.25, 0.6) * times_s[-1]
            zoom = 1 + rng.uniform(0.1, 0.35) * np.clip(
                (times_s - begin) / rng.uniform(0.5, 1.5), 0, 1
            )
        dx, dy = (np.clip(v / 2.2, -1, 1) * reach * share for v in (dx, dy))
        dx, dy = dx - dx[0], dy - dy[0]
        dx, dy = np.clip(dx, -reach, reach), np.clip(dy, -reach, reach)
        turn = _wander(rng, times_s, 0.7) * 0.35 * share * (3 if family == "violent" else 1)
        turn = np.clip(turn - turn[0], -2.0, 2.0)
        zoom = np.maximum(zoom / zoom[0], 0.99)
    speed_x = np.gradient(dx, times_s) if n > 1 else dx
    speed_y = np.gradient(dy, times_s) if n > 1 else dy
    matrices = np.empty((n, 2, 3))
    for i in range(n):
        a, z = np.deg2rad(turn[i]), zoom[i]
        r = z * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        # each row is read a little later than the one above
        shear = np.array([[1, speed_x[i] * readout_s / h], [0, 1 + speed_y[i] * readout_s / h]])
        m = shear @ r
        middle = np.array([w / 2 + margin, h / 2 + margin])
        goal = np.array([w / 2 + dx[i], h / 2 + dy[i]])
        matrices[i, :, :2], matrices[i, :, 2] = m, goal - m @ middle
    return Motion(family=family, matrices=matrices, dx_px=dx, dy_px=dy, turn_deg=turn, zoom=zoom)


def half_size(matrix: Floats) -> Floats:
    """Give the same movement between half-size grids (pixel x lies at x / 2 - 0.25)."""
    moved = matrix.copy()
    # p = M c + t with c = 2 c' + 0.5, p = 2 p' + 0.5
    moved[:, 2] = (matrix[:, :2] @ np.array([0.5, 0.5]) + matrix[:, 2] - 0.5) / 2
    return moved


def _wander(rng: np.random.Generator, times_s: Floats, memory_s: float) -> Floats:
    """Smooth noise of unit variance."""
    dt = float(np.median(np.diff(times_s))) if len(times_s) > 1 else 1 / 30
    half = max(round(2.5 * memory_s / dt), 2)
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) * dt / memory_s * 1.4) ** 2)
    noise = np.convolve(rng.standard_normal(len(times_s) + 2 * half), kernel, mode="valid")
    return np.asarray(noise / np.sqrt(np.sum(kernel**2)), np.float64)
