"""Renders an invented clip of a smoking tailpipe, with the truth of every frame.

Everything follows from the seed and the wish. Picture model, in linear light and per channel:
``seen = scene * T + J (1 - T)`` with T = exp(-tau) along the line of sight; then what stands
before the plume, the camera's movement, and the camera itself.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.demo import motion as moving
from smokecase.demo import truth
from smokecase.demo.camera import Camera
from smokecase.demo.describe import describe, title
from smokecase.demo.encode import TO_2020, ClipWriter
from smokecase.demo.plan import ANY, Plan, make_plan
from smokecase.demo.plume import Plume
from smokecase.demo.stage import Stage
from smokecase.demo.wish import Wish

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

# between the opacity maps in the truth file; sparser in long clips
MAP_EVERY_S = 0.1
MAPS_AT_MOST = 90


def render(
    seed: int,
    out_dir: Path,
    *,
    size: tuple[int, int] = (640, 360),
    seconds: float = 8.0,
    wish: Wish = ANY,
    name: str | None = None,
) -> dict[str, Any]:
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
    return render_plan(plan, out_dir / f"{name or f'c{seed:06d}'}.mp4")


def render_plan(plan: Plan, path: Path) -> dict[str, Any]:
    """Make the clip of a plan, with its truth files beside it; returns the truth."""
    part = path.with_suffix(".part.mp4")
    log = truth.FrameLog(size=plan.size)
    shares = _film(plan, part, log)
    plain = truth.write_truth(path, describe(plan, path.name, log, shares), log)
    part.replace(path)
    return plain


def _film(plan: Plan, path: Path, log: truth.FrameLog) -> Floats:
    """Make and write every frame; returns each part's share of the emitted optical depth."""
    stage = Stage(plan)
    camera = Camera(np.random.default_rng([plan.seed, 22]), plan.phone, plan.size[::-1])
    emitted = np.zeros(max(len(plan.parts), 1))
    heard = plan.heard
    writer = ClipWriter(
        path, plan.coding, plan.size, title=f"invented: {title(plan)}",
        sound=heard.sound if heard else None, sound_hz=heard.rate_hz if heard else 48_000,
    )  # fmt: skip
    log.plate_box = _first_plate(plan, stage.by_sky + stage.by_sun)
    last_map, before = -99.0, 0.0
    map_every = max(MAP_EVERY_S, float(plan.times_s[-1]) / MAPS_AT_MOST)
    if stage.plume is not None and plan.wish.trouble == "smoke_from_start":
        for _ in range(120):  # two seconds of smoke before the first frame
            stage.plume.step(1 / 60, 1.0, _mouth(plan, 0.0))
    for i, time_s in enumerate(plan.times_s):
        t = float(time_s)
        if stage.plume is not None and i:
            emitted += _advance(plan, stage.plume, before, t)
        before = t
        tau = stage.plume.optical_depth() if stage.plume is not None else None
        radiance, passed, hidden = stage.picture(i, tau, log)
        seen = _look(radiance, plan.motion, i, plan.size)
        gain = camera.meter(seen, t)
        codes = camera.develop(seen)
        writer.write(_to_2020(codes) if plan.phone.curve == "hlg" else codes, t)
        keep_map = t - last_map >= map_every - 1e-6
        last_map = t if keep_map else last_map
        moment = _Moment(frame=i, passed=passed, tau=tau, hidden=hidden, codes=codes,
                         gain=gain, keep_map=keep_map)  # fmt: skip
        _log_frame(plan, log, moment)
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


def _look(radiance: Picture, motion: moving.Motion, i: int, size: tuple[int, int]) -> Picture:
    if motion.still:
        return radiance
    seen = cv2.warpAffine(
        radiance, motion.matrices[i], size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(np.maximum(seen, 0), np.float32)


def _to_2020(codes: Picture) -> Picture:
    """HLG code values with BT.709 primaries to BT.2020 primaries, by way of linear light."""
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    light = np.where(codes <= 0.5, codes**2 / 3, (np.exp((codes - c) / a) + b) / 12)
    light = np.clip(cv2.transform(light.astype(np.float32), TO_2020), 0, 1)
    return np.asarray(
        np.where(
            light <= 1 / 12, np.sqrt(3 * light), a * np.log(np.maximum(12 * light - b, 1e-6)) + c
        ),
        np.float32,
    )


def _first_plate(plan: Plan, plate: Picture) -> Picture:
    """Radiance of the clear scene in the measuring section of the first frame."""
    matrix, scene, (w, h) = plan.motion.matrices[0], plan.scene, plan.size
    seen = _look(np.ascontiguousarray(plate), plan.motion, 0, plan.size)
    place = matrix[:, :2] @ np.array(scene.exit_px) + matrix[:, 2]
    x0, y0, x1, y1 = truth.section_px(place, scene.diameter_px, scene.direction_deg)
    return seen[max(y0, 0) : min(y1, h), max(x0, 0) : min(x1, w)]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moment:
    """What a frame's log is taken from."""

    frame: int
    passed: Picture | None  # green transmittance on the canvas at half size
    tau: Picture | None  # of each part
    hidden: NDArray[np.bool_] | None  # by something solid, on the canvas
    codes: Picture
    gain: Floats
    keep_map: bool


def _log_frame(plan: Plan, log: truth.FrameLog, now: _Moment) -> None:
    i, passed, hidden, codes, gain, tau = (
        now.frame, now.passed, now.hidden, now.codes, now.gain, now.tau,
    )  # fmt: skip
    motion, scene, t = plan.motion, plan.scene, float(plan.times_s[i])
    matrix = motion.matrices[i]
    half = moving.half_size(matrix)
    w, h = plan.size
    exit_px = matrix[:, :2] @ np.array(scene.exit_px) + matrix[:, 2]
    if passed is not None and not motion.still:
        moved = cv2.warpAffine(passed, half, (w // 2, h // 2), borderMode=cv2.BORDER_REPLICATE)
        passed = np.asarray(moved, np.float32)
    elif passed is not None:
        passed = passed[: h // 2, : w // 2]
    diameter = scene.diameter_px * motion.zoom[i]
    box = log.smoke(
        i,
        passed,
        exit_px,
        diameter,
        scene.direction_deg + motion.turn_deg[i],
        keep_map=now.keep_map,
    )
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
    log.add(
        {
            "time_s": t,
            "gain_r": gain[0],
            "gain_g": gain[1],
            "gain_b": gain[2],
            "illumination": illumination,
            "shake_dx": motion.dx_px[i],
            "shake_dy": motion.dy_px[i],
            "shake_rot_deg": motion.turn_deg[i],
            "zoom": motion.zoom[i],
            "exit_x": exit_px[0],
            "exit_y": exit_px[1],
            "engine_rpm": float(plan.engine.speed_rpm(np.array(t))),
            "exit_clipped": clipped,
            "section_hidden": covered,
        }
    )
    if len(plan.parts) > 1 and tau is not None:
        # in the canvas, where the section keeps its place
        fixed = truth.section_px(np.array(scene.exit_px), scene.diameter_px, scene.direction_deg)
        inside = [1e-9 + max(truth.box_mean(part, fixed), 0.0) for part in tau]
        for k, value in enumerate(inside):
            log.add({f"share_{k}": value / sum(inside)})
