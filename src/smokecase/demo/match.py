"""Paints what lies behind a plume in the smoke's own colour: the case no camera can read."""

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.demo.light import Light, glow
from smokecase.demo.particles import Part
from smokecase.demo.plume import Jet, Plume
from smokecase.demo.scene import Scene
from smokecase.demo.textures import clouds

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

TEXTURE = 0.004  # rms of the painted wall, relative


def paint_like_smoke(
    scene: Scene, light: Light, jet: Jet, parts: tuple[Part, ...], tau0: float, seed: int
) -> Scene:
    """Give the scene walls and ground of the veil that this smoke shows near the pipe."""
    veil = near_veil(scene, light, jet, parts, tau0, seed)
    even = np.minimum(veil / light.white, 0.95).astype(np.float32)
    rng = np.random.default_rng([seed, 30])
    grain = clouds(rng, *scene.near.shape, coarsest=scene.near.shape[0] // 3)
    wall = even * (1 + TEXTURE * grain[..., None])
    mixed = wall + scene.near[..., None] * (scene.reflectance - wall)
    return replace(
        scene, behind="even", below="even", board_px=None,
        leaves=np.zeros_like(scene.leaves), reflectance=np.asarray(mixed, np.float32),
    )  # fmt: skip


def near_veil(
    scene: Scene, light: Light, jet: Jet, parts: tuple[Part, ...], tau0: float, seed: int
) -> Floats:
    """Mean veil radiance within four diameters of the pipe, from a plume blown for a second."""
    fog = tuple(p.kind in ("condensation", "coolant") for p in parts)
    h, w = scene.near.shape
    plume = Plume(np.random.default_rng([seed, 31]), jet, (h, w), fog)
    shares = np.array([p.share for p in parts])
    for _ in range(60):
        plume.step(1 / 60, 1.0, 0.8 * tau0 * shares)
    tau = plume.optical_depth()
    y, x = np.mgrid[: tau.shape[1], : tau.shape[2]].astype(np.float32)
    far = np.hypot(x - jet.exit_px[0] / 2, y - jet.exit_px[1] / 2)
    depth = np.asarray(jet.diameter_px / 2 + 0.35 * far, np.float32)
    half = cv2.resize(light.field, tau.shape[:0:-1], interpolation=cv2.INTER_AREA)
    field = np.asarray(half, np.float32)
    passed, added = glow(tau, parts, light, sun_share=1.0, field=field, width_px=depth)
    here = (far < 2 * jet.diameter_px) & (passed[..., 1] < 0.97)
    if not here.any():  # fog that begins further off
        here = passed[..., 1] <= np.quantile(passed[..., 1], 0.01)
    return np.asarray(added[here].sum(axis=0) / (1 - passed[here]).sum(axis=0), np.float64)
