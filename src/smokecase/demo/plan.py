"""Draws all that an invented clip will be, before its first frame is made."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.demo import light as lighting
from smokecase.demo import motion as moving
from smokecase.demo.camera import Phone, draw_phone
from smokecase.demo.encode import Coding
from smokecase.demo.engine import Emission, Engine, draw_emission, draw_engine, no_emission
from smokecase.demo.heard import Heard, make_heard
from smokecase.demo.match import paint_like_smoke
from smokecase.demo.particles import MIXTURES, Part, draw_part
from smokecase.demo.plume import Jet, draw_jet
from smokecase.demo.scene import Scene, build_scene
from smokecase.demo.wish import Wish, drawn, fill

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

ANY = Wish()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """All that is drawn before the first frame is made."""

    seed: int
    wish: Wish
    size: tuple[int, int]  # as displayed
    times_s: Floats
    variable_rate: bool
    fps: float
    scene: Scene
    light: lighting.Light
    engine: Engine
    emission: Emission
    parts: tuple[Part, ...]
    jet: Jet
    phone: Phone
    motion: moving.Motion
    coding: Coding
    nominal_veil: tuple[Floats, ...]  # of each part, radiance
    heard: Heard | None  # the engine's sound, where it is heard


def make_plan(seed: int, *, size: tuple[int, int], seconds: float, wish: Wish = ANY) -> Plan:
    """Draw everything; each room has its own stream of chance, so a wish changes nothing else."""
    rng = [np.random.default_rng([seed, k]) for k in range(12)]
    wish = fill(wish, rng[0])
    fps, variable, times = _times(rng[1], seconds, drawn(wish.phone))
    phone = draw_phone(rng[2], drawn(wish.phone))
    phone = replace(_troubled(rng[3], phone, wish, seconds), **dict(wish.camera))
    margin = moving.margin_px(drawn(wish.hold), size)
    scene = build_scene(rng[4], drawn(wish.scene), size, margin)
    if not scene.leaves.any():
        wish = replace(wish, nuisances=tuple(n for n in wish.nuisances or () if n != "leaves"))
    light = lighting.draw_light(
        rng[5], drawn(wish.light), scene.reflectance.shape[:2], times, scene.exit_px
    )
    if wish.trouble == "veil_like_plate":  # no wall is whiter than white
        light = replace(light, around_gain=min(light.around_gain, 0.8))
    if scene.behind == "sky":  # no roof throws its shadow on the sky
        light = replace(light, field=np.ones_like(light.field))
    motion = moving.draw_motion(rng[6], drawn(wish.hold), times, size, phone.readout_s)
    kinds = MIXTURES.get(drawn(wish.smoke), ())
    split = (
        np.array([1.0]) if len(kinds) < 2 else np.array([u := rng[7].uniform(0.25, 0.75), 1 - u])
    )
    parts = tuple(
        draw_part(rng[7], kind, float(share)) for kind, share in zip(kinds, split, strict=False)
    )
    running = wish.trouble == "smoke_from_start" or (
        wish.envelope in ("snap", "grow") and rng[8].random() < 0.4)  # fmt: skip
    envelope = drawn(wish.envelope)
    engine = draw_engine(rng[8], seconds, envelope, running=running)
    engine = replace(engine, **dict(wish.engine))
    heard = None
    if wish.sound:
        engine, heard = make_heard(engine, seconds, seed)
    emission = no_emission(seconds)
    if parts:
        emission = draw_emission(rng[8], engine, seconds, envelope, wish.tau0_green or 0.5)
    jet = draw_jet(
        rng[9], scene.exit_px, scene.diameter_px, scene.direction_deg, scene.foreshortening
    )
    jet = replace(jet, **dict(wish.jet))
    if "condensation" in kinds:
        ends = float(rng[9].uniform(5, 22))
        jet = replace(jet, detaches=float(rng[9].uniform(0.3, min(4.0, ends / 3))), evaporates=ends)
    elif "coolant" in kinds:
        jet = replace(jet, evaporates=float(rng[9].uniform(20, 60)))
    veils = tuple(_nominal_veil(p, light, emission.tau0_green) for p in parts)
    if wish.trouble == "veil_like_plate" and parts:
        scene = paint_like_smoke(scene, light, jet, parts, emission.tau0_green, seed)
    coding = _draw_coding(rng[10], phone, wish, size)
    return Plan(seed=seed, wish=wish, size=size, times_s=times, variable_rate=variable, fps=fps,
                scene=scene, light=light, engine=engine, emission=emission, parts=parts, jet=jet,
                phone=phone, motion=motion, coding=coding, nominal_veil=veils,
                heard=heard)  # fmt: skip


def _times(rng: np.random.Generator, seconds: float, phone: str) -> tuple[float, bool, Floats]:
    fps = float(rng.choice([30.0, 30.0, 29.97, 25.0, 24.0]))
    n = max(int(seconds * fps), 2)
    variable = bool(rng.random() < (0.8 if phone == "jumpy" else 0.15))
    if not variable:
        return fps, False, np.arange(n) / fps
    gaps = rng.normal(1, 0.06, n) + (rng.random(n) < 0.02)  # jitter, and a lost frame now and then
    times = np.concatenate([[0.0], np.cumsum(np.maximum(gaps, 0.4) / fps)])
    return fps, True, times[times < seconds]


def _troubled(rng: np.random.Generator, phone: Phone, wish: Wish, seconds: float) -> Phone:
    if wish.trouble == "blown_out":
        phone = replace(phone, stops=float(rng.uniform(3.0, 4.2)), ae=0.2, curve="srgb",
                        shoulder=0.0, local=0.0)  # fmt: skip
    elif wish.trouble == "too_dark":
        phone = replace(phone, stops=float(rng.uniform(-6.0, -5.0)), ae=0.2, lift=0.0,
                        read=float(rng.uniform(2e-3, 5e-3)))  # fmt: skip
    if "exposure_jump" in (wish.nuisances or ()):
        jump = (
            float(rng.uniform(0.2, 0.8) * seconds),
            float(rng.choice([-1, 1]) * rng.uniform(0.2, 0.8)),
        )
        phone = replace(phone, exposure_jump=jump)
    return phone


def _nominal_veil(part: Part, light: lighting.Light, tau0: float) -> Floats:
    """Veil radiance of a plume of one part at three quarters of its peak."""
    tau = np.full((1, 16, 16), 0.75 * max(tau0, 0.05), np.float32)
    ones = np.ones((16, 16), np.float32)
    passed, added = lighting.glow(
        tau, (part,), light, sun_share=1.0, field=ones, width_px=20 * ones
    )
    return np.asarray((added / (1 - passed))[8, 8], np.float64)


def _draw_coding(
    rng: np.random.Generator, phone: Phone, wish: Wish, size: tuple[int, int]
) -> Coding:
    hlg = phone.curve == "hlg"
    # 1 to 20 Mbit/s at 1080 lines, fewer bits for fewer pixels
    pixels = size[0] * size[1] / (1920 * 1080)
    rate = float(np.exp(rng.uniform(np.log(1e6), np.log(20e6)))) * pixels**0.75
    if phone.family == "budget":
        rate = min(rate, 4e6 * pixels**0.75)
    quality = rng.random() < 0.3
    codec = "libx265" if hlg or rng.random() < 0.3 else "libx264"
    matrix = (
        "bt2020" if hlg else ("bt709" if phone.curve == "bt709" or rng.random() < 0.75 else "bt601")
    )
    # the same number gives fewer bits in HEVC's quick preset
    crf = int(rng.integers(12, 21) if codec == "libx265" else rng.integers(15, 26))
    usual = "bt709" if min(size) >= 720 else "bt601"  # what players assume without tags
    values: dict[str, Any] = {
        "codec": codec, "crf": crf if quality else None,
        "bit_rate": None if quality else int(rate), "matrix": matrix,
        "full_range": bool(not hlg and rng.random() < 0.15),
        "tagged": bool(matrix != usual or rng.random() < 0.6),
        "depth": 10 if hlg else 8,
        "rotation_deg": int(rng.choice([0, 0, 0, 0, 90, 180, 270])) if size[0] >= size[1] else 90,
        "transfer": "hlg" if hlg else "bt709",
    }  # fmt: skip
    if values["rotation_deg"] in (90, 270) and size[0] > size[1]:
        values["rotation_deg"] = 0 if rng.random() < 0.8 else 180
    return Coding(**(values | dict(wish.coding)))
