"""Invented daylight and lamps, and how smoke glows in them.

Per channel the light that a plume sends to the camera is

    J (1 - T) = direct + (1 - T) (again + around)

`direct` is sunlight scattered once (Henyey-Greenstein phase function, self-shading along the
sun's way in), so that a back-lit plume has bright rims and a dark core; `again` is sunlight
scattered more than once; `around` is light from sky and ground. The last two use the chance of
a photon to escape, which gives exactly the surrounding light for smoke that absorbs nothing.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.demo.particles import Part
from smokecase.demo.textures import clouds

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

FAMILIES = ("overcast", "sun_front", "sun_side", "sun_back", "drifting_cloud", "dusk", "lamp")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Light:
    """What lights the scene; white is a white card that faces the camera."""

    family: str
    ambient: Floats  # (3,) radiance of the card by sky and ground
    sun: Floats  # (3,) radiance of a card that faces the sun or lamp
    on_scene: float  # share of `sun` that the wall and ground receive
    toward_sun: Floats  # (3,) unit vector, x right, y down, z to the camera
    around_gain: float  # light around the plume over that on the card
    top_share: float  # how much more of it comes from above
    field: Picture  # (h, w) of the canvas: where sun or lamp reaches
    drift: Floats  # (n frames,) share of the sun that passes the clouds
    level: Floats  # (n frames,) brightness of all light
    cast_shadow: float  # share of the plume's optical depth in its shadow on the scene
    shadow_offset: tuple[float, float]  # of that shadow, in pipe diameters

    @property
    def white(self) -> Floats:
        """Radiance of the white card with the sun unveiled."""
        return self.ambient + self.sun * self.on_scene


def draw_light(
    rng: np.random.Generator,
    family: str,
    shape: tuple[int, int],
    times_s: Floats,
    exit_px: tuple[float, float],
) -> Light:
    """Draw a light of a family; white is brought to 1 in green."""
    h, w = shape
    field = np.ones((h, w), np.float32)
    drift, level = np.ones(len(times_s)), np.ones(len(times_s))
    warm = float(rng.uniform(0, 1))
    skylight = np.array([0.86 + 0.12 * rng.random(), 1.0, 1.08 + 0.2 * rng.random()])
    if family == "overcast":
        ambient, sun = np.array([0.97, 1.0, 1.05]) + rng.normal(0, 0.015, 3), np.zeros(3)
    elif family == "dusk":
        ambient = np.array([0.8 + 0.4 * warm, 1.0, 1.35 - 0.6 * warm])
        sun = np.array([1.5, 1.0, 0.5]) * rng.uniform(0, 0.4)
    elif family == "lamp":
        ambient = np.array([0.9, 1.0, 1.2]) * rng.uniform(0.02, 0.12)
        sun = np.array([1.3, 1.0, 0.55]) if rng.random() < 0.5 else np.array([0.95, 1.0, 1.05])
        field = _lamp_field(rng, h, w, exit_px)
        level = 1 + rng.uniform(0, 0.03) * np.sin(2 * np.pi * rng.uniform(2, 12) * times_s)
    else:
        ambient = skylight
        low = np.array([1.25, 1.0, 0.7]) if warm > 0.7 else np.array([1.06, 1.0, 0.9])
        sun = low * rng.uniform(2.2, 5.0)
    toward = _direction(rng, family)
    on_scene = 0.0
    if sun[1] > 0:
        facing = max(float(toward[2]), 0.0)
        on_scene = 0.08 + 0.7 * facing + 0.15 * max(-float(toward[1]), 0.0)
        if family == "lamp":
            on_scene = 0.35 + 0.5 * facing
        elif rng.random() < 0.45:
            field *= _shadow_edge(rng, h, w)
    if family == "drifting_cloud":
        drift = _cloud_drift(rng, times_s)
    elif family not in ("lamp",):
        level = 1 + 0.01 * rng.standard_normal() * np.sin(times_s * rng.uniform(0.2, 1.0))
    scale = 1 / float((ambient + sun * on_scene)[1])
    return Light(
        family=family,
        ambient=ambient * scale,
        sun=sun * scale,
        on_scene=on_scene,
        toward_sun=toward,
        around_gain=float(rng.uniform(0.75, 1.25)),
        top_share=float(rng.uniform(0.1, 0.5)),
        field=field,
        drift=drift,
        level=level,
        cast_shadow=float(rng.uniform(0.3, 0.9))
        if sun[1] * scale > 0.2 and family != "lamp"
        else 0.0,
        shadow_offset=(float(-toward[0] * rng.uniform(2, 6)), float(rng.uniform(1.5, 5))),
    )


def _direction(rng: np.random.Generator, family: str) -> Floats:
    """Draw the unit vector from the plume toward the sun or lamp."""
    up = np.sin(np.deg2rad(rng.uniform(15, 60)))
    flat = np.sqrt(1 - up**2)
    side = {
        "sun_front": rng.uniform(-50, 50),
        "sun_side": rng.choice([-1, 1]) * rng.uniform(60, 115),
        "sun_back": rng.choice([-1, 1]) * rng.uniform(135, 178),
    }.get(family, rng.uniform(-110, 110))
    a = np.deg2rad(side)  # 0: behind the camera
    return np.array([np.sin(a) * flat, -up, np.cos(a) * flat])


def _lamp_field(rng: np.random.Generator, h: int, w: int, exit_px: tuple[float, float]) -> Picture:
    y, x = np.mgrid[:h, :w].astype(np.float32)
    cx, cy = exit_px[0] + rng.normal(0, 0.2) * w, exit_px[1] + rng.normal(-0.2, 0.2) * h
    reach = rng.uniform(0.3, 0.8) * w
    return np.asarray(1 / (1 + ((x - cx) ** 2 + (y - cy) ** 2) / reach**2) ** 1.5, np.float32)


def _shadow_edge(rng: np.random.Generator, h: int, w: int) -> Picture:
    """Shadow of something out of the picture: a roof's straight edge or dappled leaves."""
    if rng.random() < 0.5:
        a = rng.uniform(0, 2 * np.pi)
        y, x = np.mgrid[:h, :w].astype(np.float32)
        d = (x - w * rng.uniform(0.2, 0.8)) * np.cos(a) + (y - h * rng.uniform(0.2, 0.8)) * np.sin(
            a
        )
        return np.asarray(1 / (1 + np.exp(-d / rng.uniform(1, 6))), np.float32)
    dapple = clouds(rng, h, w, coarsest=h // 5, fall=0.5)
    return np.asarray(1 / (1 + np.exp(-(dapple + rng.uniform(-0.5, 1)) * 4)), np.float32)


def _cloud_drift(rng: np.random.Generator, times_s: Floats) -> Floats:
    knots = np.arange(-2.0, times_s[-1] + 4.0, rng.uniform(0.8, 2.5))
    open_ = np.clip(rng.uniform(-0.3, 1.4, len(knots)), 0.1, 1.0)
    s = np.interp(times_s, knots, open_)
    half = max(int(0.4 * len(times_s) / times_s[-1]), 1)
    padded = np.pad(s, half, mode="edge")
    return np.convolve(padded, np.ones(2 * half + 1) / (2 * half + 1), mode="valid")


def plate_parts(light: Light, reflectance: Picture) -> tuple[Picture, Picture]:
    """Radiance of the still scene by ambient light and by the unveiled sun."""
    ambient = reflectance * light.ambient.astype(np.float32)
    sun = reflectance * (light.sun * light.on_scene).astype(np.float32) * light.field[..., None]
    return np.asarray(ambient, np.float32), np.asarray(sun, np.float32)


def glow(
    tau_parts: Picture,
    parts: tuple[Part, ...],
    light: Light,
    *,
    sun_share: float,
    field: Picture,
    width_px: Picture,
) -> tuple[Picture, Picture]:
    """Transmittance and the light ``J (1 - T)`` that the plume adds.

    Parameters
    ----------
    tau_parts : ndarray, shape (parts, h, w)
        Green optical depth of each part.
    light : Light
    sun_share : float
        Share of the sun that passes the clouds now.
    field : ndarray, shape (h, w)
        Where sun or lamp reaches.
    width_px : ndarray, shape (h, w)
        About how deep the plume is there, in pixels of this grid.

    Returns
    -------
    transmittance, added : ndarray, shape (h, w, 3)
    """
    cosine = -float(light.toward_sun[2])  # of the angle by which sunlight turns to the camera
    tau = np.zeros((*tau_parts.shape[1:], 3), np.float32)
    scattered, aimed = np.zeros_like(tau), np.zeros_like(tau)
    for t, p in zip(tau_parts, parts, strict=True):
        ratio = p.tau_ratio.astype(np.float32)
        tau += t[..., None] * ratio
        scattered += t[..., None] * (ratio * p.albedo.astype(np.float32))
        aimed += t[..., None] * (ratio * p.albedo * _phase(p.asymmetry, cosine)).astype(np.float32)
    floor = np.maximum(tau, 1e-6)
    albedo, aim = scattered / floor, aimed / floor
    passed = np.exp(-tau)
    blocked = 1 - passed
    green = tau[..., 1]
    around_tau = cv2.GaussianBlur(green, (0, 0), max(float(width_px.mean()) / 5, 1.0))[..., None]
    escape = -np.expm1(-0.7 * around_tau - 1e-4) / (0.7 * around_tau + 1e-4)
    again = albedo * (1 - escape)
    rebound = again / (1 - np.minimum(again, 0.999))
    above = _toward(green, (0.0, -1.0), width_px)[..., None]
    from_above = 1 - light.top_share + 2 * light.top_share / (1 + 0.8 * above) * 0.5
    around = albedo * escape / (1 - np.minimum(again, 0.999)) * from_above
    added = blocked * around * (light.ambient * light.around_gain).astype(np.float32)
    if light.sun[1] * sun_share > 1e-3:
        lx, ly, lz = (float(v) for v in light.toward_sun)
        in_plane = float(np.hypot(lx, ly))
        shade = np.exp(-in_plane * _toward(green, (lx, ly), width_px))[..., None]
        a = min(abs(lz), 0.98)
        if lz >= 0:
            depth = -np.expm1(-(1 + a) * tau) / (1 + a)
        else:
            depth = (np.exp(-a * tau) - passed) / (1 - a)
        power = (np.pi * light.sun * sun_share).astype(np.float32)
        direct = aim * depth * shade
        more = blocked * albedo * rebound * np.sqrt(shade) / (4 * np.pi)
        added += (direct + more) * power * field[..., None]
    return passed, np.asarray(added, np.float32)


def _phase(asymmetry: Floats, cosine: float) -> Floats:
    """Henyey-Greenstein, per steradian."""
    g = asymmetry
    return (1 - g**2) / (1 + g**2 - 2 * g * cosine) ** 1.5 / (4 * np.pi)


def _toward(tau: Picture, direction: tuple[float, float], width_px: Picture) -> Picture:
    """Optical depth from each pixel toward a light in the picture's plane."""
    norm = max(float(np.hypot(*direction)), 1e-6)
    ux, uy = direction[0] / norm, direction[1] / norm
    small = cv2.resize(tau, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    total = np.zeros(small.shape, np.float64)
    near = 0.0
    for far in (3.0, 7.0, 13.0, 22.0, 36.0):
        middle = (near + far) / 2
        matrix = np.array([[1, 0, -ux * middle / 2], [0, 1, -uy * middle / 2]], np.float32)
        total += (far - near) * cv2.warpAffine(small, matrix, small.shape[::-1])
        near = far
    big = cv2.resize(total, tau.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(big / width_px, np.float32)
