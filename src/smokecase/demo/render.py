"""Renders an invented clip of a smoking tailpipe, with the truth of every frame.

Everything follows from the seed and the wish. Picture model, in linear light and per channel:
``seen = scene * T + J (1 - T)`` with T = exp(-tau) along the line of sight; then what stands
before the plume, the camera's movement, and the camera itself.
"""

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.demo import light as lighting
from smokecase.demo import motion as moving
from smokecase.demo import truth
from smokecase.demo.camera import Camera
from smokecase.demo.describe import describe, title
from smokecase.demo.encode import TO_2020, ClipWriter
from smokecase.demo.nuisances import Nuisances
from smokecase.demo.particles import Part
from smokecase.demo.plan import ANY, Plan, make_plan
from smokecase.demo.plume import Jet, Plume
from smokecase.demo.scene import Scene
from smokecase.demo.wish import Wish

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

MAP_EVERY_S = 0.1  # of the opacity maps in the truth file


def render(
    seed: int, out_dir: Path, *, size: tuple[int, int] = (640, 360), seconds: float = 8.0,
    wish: Wish = ANY, name: str | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Make a clip and its truth files; returns the truth.

    Parameters
    ----------
    seed : int
        Same seed, same wish: same clip.
    out_dir : Path
        Exists; gets NAME.mp4, NAME.truth.json and NAME.truth.npz.
    size : (int, int)
        Width and height as displayed, multiples of four. [px]
    seconds : float
        Length of the clip. [s]
    wish : Wish
        Families to use; what is None is drawn from the seed.
    name : str, optional
        Of the files; `c` and the seed otherwise.

    Raises
    ------
    ValueError
        If the size is no multiple of four or the clip is shorter than half a second.
    """
    if size[0] % 4 or size[1] % 4 or seconds < 0.5:
        msg = f"size must be multiples of 4 and seconds at least 0.5 (got {size}, {seconds})"
        raise ValueError(msg)
    plan = make_plan(seed, size=size, seconds=seconds, wish=wish)
    path = out_dir / f"{name or f'c{seed:06d}'}.mp4"
    part = path.with_suffix(".part.mp4")
    log = truth.FrameLog(size=size)
    shares = _film(plan, part, log)
    plain = describe(plan, path.name, log, shares)
    truth.write_truth(path, plain, log)
    part.replace(path)
    return plain


def _film(plan: Plan, path: Path, log: truth.FrameLog) -> Floats:
    """Make and write every frame; returns each part's share of the emitted optical depth."""
    scene, light, motion = plan.scene, plan.light, plan.motion
    ch, cw = scene.reflectance.shape[:2]
    fog = tuple(p.kind in ("condensation", "coolant") for p in plan.parts)
    plume = (
        Plume(np.random.default_rng([plan.seed, 20]), plan.jet, (ch, cw), fog)
        if plan.parts
        else None
    )
    nuisances = Nuisances(np.random.default_rng([plan.seed, 21]), plan.wish.nuisances or (), scene,
                          float(plan.times_s[-1]))  # fmt: skip
    camera = Camera(np.random.default_rng([plan.seed, 22]), plan.phone, plan.size[::-1])
    by_sky, by_sun = lighting.plate_parts(light, scene.reflectance)
    field_half = cv2.resize(light.field, (-(-cw // 2), -(-ch // 2)), interpolation=cv2.INTER_AREA)
    depth = _depth(plan.jet, field_half.shape)
    emitted = np.zeros(max(len(plan.parts), 1))
    writer = ClipWriter(path, plan.coding, plan.size, title=f"invented: {title(plan)}")
    last_map, before = -1.0, 0.0
    if plume is not None and plan.wish.trouble == "smoke_from_start":
        for _ in range(120):  # two seconds of smoke before the first frame
            plume.step(1 / 60, 1.0, _mouth(plan, 0.0))
    for i, time_s in enumerate(plan.times_s):
        t = float(time_s)
        if plume is not None and i:
            emitted += _advance(plan, plume, before, t)
        before = t
        drift, level = float(light.drift[i]), float(light.level[i])
        tau = plume.optical_depth() if plume is not None else None
        smoky = tau is not None and float(tau.sum(axis=0).max()) > 2e-4
        lit = by_sun * drift if drift < 1 else by_sun
        if smoky and tau is not None and light.cast_shadow > 0:
            lit = lit * _shadow(tau, light, scene)[..., None]
        radiance = (by_sky + lit) * level
        white = _white(light, drift, level)
        radiance = nuisances.bend(np.ascontiguousarray(radiance, np.float32), t)
        nuisances.behind(radiance, white, t)
        passed_half = None
        if smoky and tau is not None:
            passed, added = _glow_where_needed(tau, plan.parts, light, drift, field_half, depth)
            _log_veil(log, passed, added, light.white)
            added *= level
            for c in range(3):
                big = cv2.resize(passed[..., c], (2 * passed.shape[1], 2 * passed.shape[0]))[
                    :ch, :cw
                ]
                glow = cv2.resize(added[..., c], (2 * passed.shape[1], 2 * passed.shape[0]))[
                    :ch, :cw
                ]
                radiance[..., c] = radiance[..., c] * big + glow
            passed_half = passed[..., 1]
        plate = by_sky + by_sun if i == 0 else None
        hidden = nuisances.before(radiance, white, t)
        seen = _look(radiance, motion, i, plan.size)
        gain = camera.meter(seen, t)
        codes = camera.develop(seen)
        if plan.phone.curve == "hlg":
            codes = _to_2020(codes)
        writer.write(codes, t)
        keep_map = t - last_map >= MAP_EVERY_S - 1e-6
        if keep_map:
            last_map = t
        _log_frame(plan, log, i, passed_half, hidden, codes, gain, plate, keep_map=keep_map,
                   near=plume, tau=tau)  # fmt: skip
    writer.close()
    total = emitted.sum()
    return emitted / total if total > 0 else emitted


def _advance(plan: Plan, plume: Plume, since: float, until: float) -> Floats:
    steps = max(int(np.ceil((until - since) / 0.018)), 1)
    dt = (until - since) / steps
    emitted = np.zeros(len(plan.parts))
    for k in range(steps):
        t = since + (k + 0.5) * dt
        speed = float(plan.engine.speed_rpm(np.array(t))) / plan.engine.idle_rpm
        tau = _mouth(plan, t)
        emitted += tau * dt
        plume.step(dt, min(speed, 2.2), tau)
    return emitted


def _mouth(plan: Plan, time_s: float) -> Floats:
    level, second = plan.emission.at(np.array(time_s))
    shares = np.array([p.share for p in plan.parts])
    if len(shares) > 1:
        shares = np.array([shares[0], shares[1] * float(second)])
    return np.asarray(plan.emission.tau0_green * float(level) * shares, np.float64)


def _depth(jet: Jet, shape: tuple[int, ...]) -> Picture:
    """About how deep the plume is at each place of the half-size grid."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    far = np.hypot(x - jet.exit_px[0] / 2, y - jet.exit_px[1] / 2)
    return np.asarray(jet.diameter_px / 2 + 0.35 * far, np.float32)


def _glow_where_needed(
    tau: Picture, parts: tuple[Part, ...], light: lighting.Light, drift: float, field: Picture,
    depth: Picture,
) -> tuple[Picture, Picture]:  # fmt: skip
    """Light the plume inside its bounding box only."""
    total = tau.sum(axis=0)
    rows, columns = (np.nonzero(total.max(axis=k) > 1e-4)[0] for k in (1, 0))
    pad = 12
    a, b = max(rows[0] - pad, 0), min(rows[-1] + pad + 1, total.shape[0])
    c, d = max(columns[0] - pad, 0), min(columns[-1] + pad + 1, total.shape[1])
    passed = np.ones((*total.shape, 3), np.float32)
    added = np.zeros_like(passed)
    passed[a:b, c:d], added[a:b, c:d] = lighting.glow(
        tau[:, a:b, c:d], parts, light, sun_share=drift, field=field[a:b, c:d],
        width_px=depth[a:b, c:d])  # fmt: skip
    return passed, added


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


def _look(radiance: Picture, motion: moving.Motion, i: int, size: tuple[int, int]) -> Picture:
    if motion.still:
        return radiance
    seen = cv2.warpAffine(radiance, motion.matrices[i], size, flags=cv2.INTER_CUBIC,
                          borderMode=cv2.BORDER_REFLECT)  # fmt: skip
    return np.asarray(np.maximum(seen, 0), np.float32)


def _to_2020(codes: Picture) -> Picture:
    """HLG code values with BT.709 primaries to BT.2020 primaries, by way of linear light."""
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    light = np.where(codes <= 0.5, codes**2 / 3, (np.exp((codes - c) / a) + b) / 12)
    light = np.clip(cv2.transform(light.astype(np.float32), TO_2020), 0, 1)
    return np.asarray(np.where(light <= 1 / 12, np.sqrt(3 * light),
                               a * np.log(np.maximum(12 * light - b, 1e-6)) + c), np.float32)  # fmt: skip


def _log_veil(log: truth.FrameLog, passed: Picture, added: Picture, white: Floats) -> None:
    blocked = 1 - passed
    dense = blocked[..., 1] > 0.03
    if dense.any():
        log.veil_sum += added[dense].sum(axis=0) / white
        log.veil_weight = log.veil_weight + blocked[dense].sum(axis=0).astype(np.float64)


def _log_frame(
    plan: Plan, log: truth.FrameLog, i: int, passed: Picture | None, hidden: NDArray[np.bool_] | None,
    codes: Picture, gain: Floats, plate: Picture | None, *, keep_map: bool, near: Plume | None,
    tau: Picture | None,
) -> None:  # fmt: skip
    motion, scene, t = plan.motion, plan.scene, float(plan.times_s[i])
    matrix = motion.matrices[i]
    half = moving.half_size(matrix)
    w, h = plan.size
    exit_px = matrix[:, :2] @ np.array(scene.exit_px) + matrix[:, 2]
    if passed is not None and not motion.still:
        passed = cv2.warpAffine(passed, half, (w // 2, h // 2), borderMode=cv2.BORDER_REPLICATE)
    elif passed is not None:
        passed = passed[: h // 2, : w // 2]
    diameter = scene.diameter_px * motion.zoom[i]
    box = log.smoke(i, passed, exit_px, diameter, scene.direction_deg + motion.turn_deg[i],
                    keep_map=keep_map)  # fmt: skip
    x0, x1 = (int(np.clip(v, 0, w)) for v in (box[0], box[2]))
    y0, y1 = (int(np.clip(v, 0, h)) for v in (box[1], box[3]))
    patch = codes[y0:y1, x0:x1]
    clipped = float((patch.min(axis=2) >= 253 / 255).mean()) if patch.size else 0.0
    covered = 0.0
    if hidden is not None:
        solid = cv2.warpAffine(hidden.astype(np.float32), matrix, plan.size)
        covered = float(solid[y0:y1, x0:x1].mean()) if patch.size else 0.0
    light = plan.light
    illumination = float(
        light.level[i] * (light.ambient + light.sun * light.on_scene * light.drift[i])[1]
    )
    log.add({
        "time_s": t, "gain_r": gain[0], "gain_g": gain[1], "gain_b": gain[2],
        "illumination": illumination, "shake_dx": motion.dx_px[i], "shake_dy": motion.dy_px[i],
        "shake_rot_deg": motion.turn_deg[i], "zoom": motion.zoom[i], "exit_x": exit_px[0],
        "exit_y": exit_px[1], "engine_rpm": float(plan.engine.speed_rpm(np.array(t))),
        "exit_clipped": clipped, "section_hidden": covered,
    })  # fmt: skip
    if plate is not None:
        seen = _look(np.ascontiguousarray(plate), motion, 0, plan.size)
        log.plate_box = seen[y0:y1, x0:x1]
    if len(plan.parts) > 1 and tau is not None:
        # in the canvas, where the section keeps its place
        fixed = truth.section_px(np.array(scene.exit_px), scene.diameter_px, scene.direction_deg)
        inside = [1e-9 + max(truth.box_mean(part, fixed), 0.0) for part in tau]
        for k, value in enumerate(inside):
            log.add({f"share_{k}": value / sum(inside)})
