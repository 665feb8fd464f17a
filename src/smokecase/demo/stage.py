"""The stage of an invented clip: scene, light, smoke and all that moves, before any camera."""

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.demo import light as lighting
from smokecase.demo import truth
from smokecase.demo.nuisances import Nuisances
from smokecase.demo.particles import Part
from smokecase.demo.plan import Plan
from smokecase.demo.plume import Jet, Plume
from smokecase.demo.scene import Scene

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]


class Stage:
    """The scene with its light, smoke and all that moves, before any camera."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        scene, light = plan.scene, plan.light
        self.shape = scene.reflectance.shape[:2]
        h, w = self.shape
        fog = tuple(p.kind in ("condensation", "coolant") for p in plan.parts)
        self.plume = None
        if plan.parts:
            self.plume = Plume(np.random.default_rng([plan.seed, 20]), plan.jet, (h, w), fog)
        self.nuisances = Nuisances(
            np.random.default_rng([plan.seed, 21]), plan.wish.nuisances or (), scene,
            float(plan.times_s[-1]),
        )  # fmt: skip
        self.by_sky, self.by_sun = lighting.plate_parts(light, scene.reflectance)
        small = cv2.resize(light.field, (-(-w // 2), -(-h // 2)), interpolation=cv2.INTER_AREA)
        self.field: Picture = np.asarray(small, np.float32)
        self.depth = _depth(plan.jet, self.field.shape)

    def picture(
        self, i: int, tau: Picture | None, log: truth.FrameLog
    ) -> tuple[Picture, Picture | None, NDArray[np.bool_] | None]:
        """Radiance of the canvas at frame `i`, green transmittance, and what is hidden."""
        plan, light = self.plan, self.plan.light
        t, drift, level = float(plan.times_s[i]), float(light.drift[i]), float(light.level[i])
        if tau is not None and float(tau.sum(axis=0).max()) < 2e-4:
            tau = None
        lit = self.by_sun * drift
        if tau is not None and light.cast_shadow > 0:
            lit = lit * _shadow(tau, light, plan.scene)[..., None]
        radiance = np.ascontiguousarray((self.by_sky + lit) * level, np.float32)
        # a white card everywhere, needed only where something else is drawn
        white = _white(light, drift, level) if self.nuisances.names else radiance
        radiance = self.nuisances.bend(radiance, t)
        self.nuisances.behind(radiance, white, t)
        passed = None
        if tau is not None:
            passed = self._smoke(radiance, tau, drift, level, log)
        hidden = self.nuisances.before(radiance, white, t)
        return radiance, passed, hidden

    def _smoke(
        self, radiance: Picture, tau: Picture, drift: float, level: float, log: truth.FrameLog
    ) -> Picture:
        """Lay the smoke over `radiance`; returns its green transmittance at half size."""
        light, (h, w) = self.plan.light, self.shape
        passed, added = _glow_where_needed(
            tau, self.plan.parts, light, drift, self.field, self.depth
        )
        _log_veil(log, passed, added, light.white)
        double = (2 * passed.shape[1], 2 * passed.shape[0])
        for c in range(3):
            radiance[..., c] *= cv2.resize(passed[..., c], double)[:h, :w]
            radiance[..., c] += cv2.resize(added[..., c] * level, double)[:h, :w]
        return np.ascontiguousarray(passed[..., 1])


def _glow_where_needed(
    tau: Picture,
    parts: tuple[Part, ...],
    light: lighting.Light,
    drift: float,
    field: Picture,
    depth: Picture,
) -> tuple[Picture, Picture]:
    """Light the plume inside its bounding box only."""
    total = tau.sum(axis=0)
    rows, columns = (np.nonzero(total.max(axis=k) > 1e-4)[0] for k in (1, 0))
    pad = 12
    a, b = max(rows[0] - pad, 0), min(rows[-1] + pad + 1, total.shape[0])
    c, d = max(columns[0] - pad, 0), min(columns[-1] + pad + 1, total.shape[1])
    passed = np.ones((*total.shape, 3), np.float32)
    added = np.zeros_like(passed)
    passed[a:b, c:d], added[a:b, c:d] = lighting.glow(
        tau[:, a:b, c:d],
        parts,
        light,
        sun_share=drift,
        field=field[a:b, c:d],
        width_px=depth[a:b, c:d],
    )
    return passed, added


def _log_veil(log: truth.FrameLog, passed: Picture, added: Picture, white: Floats) -> None:
    blocked = 1 - passed
    dense = blocked[..., 1] > 0.03
    if dense.any():
        log.veil_sum += added[dense].sum(axis=0) / white
        log.veil_weight = log.veil_weight + blocked[dense].sum(axis=0).astype(np.float64)


def _depth(jet: Jet, shape: tuple[int, ...]) -> Picture:
    """About how deep the plume is at each place of the half-size grid."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    far = np.hypot(x - jet.exit_px[0] / 2, y - jet.exit_px[1] / 2)
    return np.asarray(jet.diameter_px / 2 + 0.35 * far, np.float32)


def _shadow(tau: Picture, light: lighting.Light, scene: Scene) -> Picture:
    """Share of the sun that still reaches wall and ground behind the plume."""
    small = cv2.resize(tau.sum(axis=0), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    d = scene.diameter_px / 4
    matrix = np.array(
        [[1, 0, light.shadow_offset[0] * d], [0, 1, light.shadow_offset[1] * d]], np.float32
    )
    moved = cv2.warpAffine(small, matrix, small.shape[::-1])
    moved = cv2.GaussianBlur(moved, (0, 0), 2.5)
    h, w = scene.near.shape
    share = np.exp(-light.cast_shadow * cv2.resize(moved, (w, h)))
    return np.asarray(share + (1 - share) * scene.near, np.float32)


def _white(light: lighting.Light, drift: float, level: float) -> Picture:
    """Radiance of a white card everywhere on the canvas."""
    sun = (light.sun * light.on_scene * drift * level).astype(np.float32)
    sky = (light.ambient * level).astype(np.float32)
    return np.asarray(sky + light.field[..., None] * sun, np.float32)
