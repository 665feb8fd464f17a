"""What else moves or drifts in an invented clip: people, shadows, leaves, rain, dust, hot air."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.demo.scene import Scene
from smokecase.demo.textures import clouds

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

NAMES = (
    "passer_by",
    "passer_behind",
    "shadow",
    "leaves",
    "rain",
    "snowfall",
    "shimmer",
    "dust",
    "mist",
    "exposure_jump",
    "people_standing",
)


class Nuisances:
    """All that moves besides the smoke, drawn from a seed.

    Parameters
    ----------
    rng : Generator
    names : tuple of str
        Some of `NAMES`.
    scene : Scene
    seconds : float
    """

    def __init__(
        self, rng: np.random.Generator, names: tuple[str, ...], scene: Scene, seconds: float
    ) -> None:
        self.rng, self.names, self.scene = rng, names, scene
        self.h, self.w = scene.reflectance.shape[:2]
        self.walker = Walker(rng, self.w, self.h, seconds)
        self.bystander = Bystander(rng, scene)
        self.shadow_start = float(rng.uniform(0.1, 0.6) * seconds)
        self.shadow_speed = float(rng.choice([-1, 1]) * rng.uniform(0.25, 0.7) * self.w)
        self.shadow_depth = float(rng.uniform(0.35, 0.75))
        self.gusts = clouds(rng, 64, 512, coarsest=24, fall=0.6)
        self.sway = float(rng.uniform(0.6, 2.6))
        self.hot = float(rng.uniform(0.3, 1.2))
        self.mist_level = float(rng.uniform(0.05, 0.3))
        self.mist = clouds(rng, self.h // 8, 3 * self.w // 8, coarsest=self.h // 16, fall=0.5)
        self.drops = rng.random((int(rng.uniform(40, 200)), 4))
        self.dust = Dust(rng, scene, seconds) if "dust" in names else None
        y, x = np.mgrid[: self.h, : self.w].astype(np.float32)
        self.x, self.y = x, y

    def bend(self, plate: Picture, time_s: float) -> Picture:
        """Leaves in the wind and hot air before the scene: the picture is shifted locally."""
        leaves, shimmer = (
            "leaves" in self.names and self.scene.leaves.any(),
            "shimmer" in self.names,
        )
        if not leaves and not shimmer:
            return plate
        dx, dy = np.zeros((self.h, self.w), np.float32), np.zeros((self.h, self.w), np.float32)
        if leaves:
            for target, place in ((dx, 0), (dy, 40)):
                a = int(time_s * 30 + place) % (512 - 96)
                wave = cv2.resize(self.gusts[:54, a : a + 96], (self.w, self.h))
                target += self.sway * wave * self.scene.leaves
        if shimmer:
            ex, ey = self.scene.exit_px
            d = self.scene.diameter_px
            near = np.exp(-(((self.x - ex) / (6 * d)) ** 2) - ((self.y - ey + d) / (3 * d)) ** 2)
            phase = self.rng.standard_normal((2, 24, 40)).astype(np.float32)
            for target, field in ((dx, phase[0]), (dy, phase[1])):
                target += 1.2 * self.hot * near * cv2.resize(field, (self.w, self.h))
        bent = cv2.remap(
            plate, self.x + dx, self.y + dy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
        )
        return np.asarray(bent, np.float32)

    def behind(self, radiance: Picture, white: Picture, time_s: float) -> None:
        """People between wall and plume, and shadows, drawn into `radiance`."""
        if "people_standing" in self.names:
            self.bystander.draw(radiance, white, time_s, self.scene.near)
        if "passer_behind" in self.names:
            self.walker.draw(radiance, white, time_s, hidden_by=self.scene.near)
        if "shadow" in self.names:
            centre = (time_s - self.shadow_start) * self.shadow_speed
            centre += self.w if self.shadow_speed < 0 else 0.0
            lean = 0.35 * (self.y - self.h / 2)
            edge = (np.abs(self.x - centre - lean) - 0.09 * self.w) / 5
            shade = 1 - self.shadow_depth / (1 + np.exp(np.clip(edge, -30, 30)))
            if self.scene.behind == "sky":
                shade[: self.scene.horizon] = 1
            radiance *= shade[..., None]

    def before(self, radiance: Picture, white: Picture, time_s: float) -> NDArray[np.bool_] | None:
        """Draw what is before the plume; returns the pixels that something solid hides."""
        hidden = None
        if self.dust is not None:
            self.dust.draw(radiance, white, time_s)
        if "mist" in self.names:
            a = int((0.4 + 0.05 * time_s) * self.w / 8) % self.w
            part = cv2.resize(self.mist[:, a // 8 : a // 8 + self.w // 8], (self.w, self.h))
            blocked = (self.mist_level * np.clip(0.6 + 0.3 * part, 0, 1.5))[..., None]
            radiance += blocked * (0.95 * white - radiance)
        if "passer_by" in self.names:
            hidden = self.walker.draw(radiance, white, time_s, hidden_by=None)
        if "rain" in self.names or "snowfall" in self.names:
            self._fall(radiance, white, time_s)
        return hidden

    def _fall(self, radiance: Picture, white: Picture, time_s: float) -> None:
        snow = "snowfall" in self.names
        layer = np.zeros((self.h, self.w), np.float32)
        for x, y, near, speed in self.drops:
            fall = (0.4 if snow else 3.0) * (0.5 + near) * self.h
            yy = (y * self.h + time_s * fall) % (1.2 * self.h) - 0.1 * self.h
            turn = int((y * self.h + time_s * fall) // (1.2 * self.h))
            xx = (
                (x + 0.381 * turn + (0.03 * np.sin(time_s * 3 + 9 * speed) if snow else 0)) % 1
            ) * self.w
            if snow:
                cv2.circle(
                    layer, (int(xx), int(yy)), int(1 + 2 * near), float(0.4 + 0.5 * near), -1
                )
            else:
                length = 0.02 * fall
                cv2.line(
                    layer,
                    (int(xx), int(yy)),
                    (int(xx + 0.1 * length), int(yy + length)),
                    float(0.12 + 0.15 * near),
                    1,
                    cv2.LINE_AA,
                )
        radiance += layer[..., None] * (0.9 * white - radiance)


class Walker:
    """Someone who walks through: legs and lower body, no face."""

    def __init__(self, rng: np.random.Generator, w: int, h: int, seconds: float) -> None:
        self.w, self.h = w, h
        self.start_s = float(rng.uniform(0.0, 0.55) * seconds)
        self.speed = float(rng.choice([-1, 1]) * rng.uniform(0.2, 0.55) * w)
        self.size = float(rng.uniform(0.7, 1.3) * h)
        self.trousers = rng.uniform(0.015, 0.25) * np.exp(rng.normal(0, 0.15, 3))
        self.coat = rng.uniform(0.02, 0.5) * np.exp(rng.normal(0, 0.3, 3))
        self.step_hz = float(rng.uniform(1.5, 2.1))

    def draw(
        self, radiance: Picture, white: Picture, time_s: float, hidden_by: Picture | None
    ) -> NDArray[np.bool_] | None:
        """Draw into `radiance`; returns the pixels covered, or None while out of the picture."""
        x = (time_s - self.start_s) * self.speed
        x = x - 0.3 * self.size if self.speed > 0 else self.w + 0.3 * self.size + x
        if time_s < self.start_s or not -0.6 * self.size < x < self.w + 0.6 * self.size:
            return None
        mask = np.zeros((self.h, self.w), np.float32)
        coat = np.zeros((self.h, self.w), np.float32)
        swing = np.sin(2 * np.pi * self.step_hz / 2 * time_s)
        hip = (x, 0.97 * self.h - 0.62 * self.size)
        thick = max(int(0.13 * self.size), 2)
        for side in (-1, 1):
            foot = (
                x + side * swing * 0.24 * self.size,
                0.97 * self.h - max(0, side * swing) * 0.03 * self.size,
            )
            knee = (
                (hip[0] + foot[0]) / 2 + np.sign(self.speed) * 0.05 * self.size,
                (hip[1] + foot[1]) / 2,
            )
            for a, b in ((hip, knee), (knee, foot)):
                cv2.line(mask, (int(a[0]), int(a[1])), (int(b[0]), int(b[1])), 1.0, thick)
        centre = (int(x), int(hip[1] - 0.25 * self.size))
        cv2.ellipse(
            coat, centre, (int(0.17 * self.size), int(0.36 * self.size)), 0, 0, 360, 1.0, -1
        )
        for layer, colour in ((mask, self.trousers), (coat, self.coat)):
            soft = cv2.GaussianBlur(layer, (0, 0), 1.2)
            if hidden_by is not None:
                soft = soft * (1 - hidden_by)
            radiance += soft[..., None] * (white * colour.astype(np.float32) - radiance)
        return np.maximum(mask, coat) > 0.5


class Bystander:
    """One or two people who stand behind and shift their weight."""

    def __init__(self, rng: np.random.Generator, scene: Scene) -> None:
        h, w = scene.reflectance.shape[:2]
        foot = min(scene.horizon + 0.06 * h, 0.95 * h)
        self.people = []
        for _ in range(int(rng.integers(1, 3))):
            self.people.append(
                (
                    float(rng.uniform(0.15, 0.85) * w),
                    float(foot),
                    float(rng.uniform(0.9, 1.4) * h),
                    rng.uniform(0.02, 0.3) * np.exp(rng.normal(0, 0.2, 3)),
                    float(rng.uniform(0.15, 0.5)),
                    float(rng.uniform(0, 6)),
                )
            )

    def draw(self, radiance: Picture, white: Picture, time_s: float, near: Picture) -> None:
        """Draw them where the car does not hide them."""
        h, w = near.shape
        for x0, foot, size, colour, hz, phase in self.people:
            x = x0 + 0.012 * w * np.sin(2 * np.pi * hz * time_s + phase)
            mask = np.zeros((h, w), np.float32)
            for side in (-1, 1):
                cv2.line(
                    mask,
                    (int(x + side * 0.05 * size), int(foot - 0.5 * size)),
                    (int(x0 + side * 0.07 * size), int(foot)),
                    1.0,
                    max(int(0.075 * size), 2),
                )
            cv2.ellipse(
                mask,
                (int(x), int(foot - 0.72 * size)),
                (int(0.12 * size), int(0.26 * size)),
                0,
                0,
                360,
                1.0,
                -1,
            )
            cv2.circle(mask, (int(x), int(foot - 1.03 * size)), int(0.07 * size), 1.0, -1)
            soft = (cv2.GaussianBlur(mask, (0, 0), 1.2) * (1 - near))[..., None]
            radiance += soft * (white * colour.astype(np.float32) - radiance)


@dataclass(frozen=True, slots=True)
class _Cloud:
    start_s: float
    x: float
    y: float
    drift: float
    strength: float


class Dust:
    """Brownish dust kicked up from the ground, no part of the exhaust."""

    def __init__(self, rng: np.random.Generator, scene: Scene, seconds: float) -> None:
        h, w = scene.reflectance.shape[:2]
        self.h, self.w = h, w
        self.colour = np.array([0.42, 0.34, 0.25], np.float32) * float(rng.uniform(0.7, 1.4))
        ground = max(scene.horizon, int(0.6 * h))
        self.clouds = [
            _Cloud(
                float(rng.uniform(0.1, 0.8) * seconds),
                float(rng.uniform(0, w)),
                float(rng.uniform(ground, h)),
                float(rng.normal(0, 0.15) * w),
                float(rng.uniform(0.1, 0.5)),
            )
            for _ in range(int(rng.integers(1, 4)))
        ]
        self.grain = clouds(rng, h // 4, w // 4, coarsest=h // 12, fall=0.6)
        self.y, self.x = np.mgrid[: h // 4, : w // 4].astype(np.float32) * 4

    def draw(self, radiance: Picture, white: Picture, time_s: float) -> None:
        """Lay the dust over `radiance`."""
        tau = np.zeros_like(self.grain)
        for c in self.clouds:
            age = time_s - c.start_s
            if 0 < age < 4:
                size = (0.05 + 0.06 * age) * self.w
                x, y = c.x + c.drift * age, c.y - 0.04 * self.h * age
                blob = np.exp(-(((self.x - x) / size) ** 2) - ((self.y - y) / (0.5 * size)) ** 2)
                tau += c.strength * blob * min(age / 0.2, 1) * np.exp(-age / 1.5)
        if tau.max() > 0.003:
            tau *= np.exp(0.4 * self.grain)
            blocked = 1 - np.exp(-cv2.resize(tau, (self.w, self.h)))[..., None]
            radiance += blocked * (self.colour * white - radiance)
