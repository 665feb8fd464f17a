"""One yard, one engine, one smoke; filmed badly in one way, and filmed again as advised.

The smoke of a yard follows from its seed alone. A `Filming` says how it is filmed: where the phone
stands, what hangs behind, what the light is. Faults and advice change the filming, never the smoke.
"""

import hashlib
from dataclasses import asdict, dataclass, field, replace

import numpy as np
from tests.benchmarks.advice_places import hang_bands, hide_pipe, put_behind

from smokecase.demo import motion as moving
from smokecase.demo.engine import STEP_S
from smokecase.demo.match import paint_like_smoke
from smokecase.demo.plan import make_plan
from smokecase.demo.scene import build_scene
from smokecase.demo.sets import HELD_OUT_PHONES, HELD_OUT_SCENES
from smokecase.demo.wish import Wish

SIZE = (512, 288)
CRANKS_S, STARTS_S = 3.0, 3.6  # after the phone is set to record, where it is set in time
STORY_S, CLIP_S = 12.0, 6.6
MARGIN_HOLD = "walking"  # every clip of a yard is cut from a canvas with this hold's rim
MARGIN_PX = moving.margin_px(MARGIN_HOLD, SIZE)
STOPS = -0.3  # exposure of a good clip
BY_LAMP = {"stops": -5.5, "read": 3.5e-3, "ae": 0.2, "lift": 0.0}  # night, the phone at its end


@dataclass(frozen=True, slots=True, kw_only=True)
class Filming:
    """How a yard is filmed; as it stands here, well."""

    seed: int
    begins_s: float = 0.0  # on the yard's clock
    lasts_s: float = CLIP_S
    hold: str = "tripod"
    light: str = "overcast"
    nearness: float = 1.0  # pipe's width in the picture over what the yard draws
    behind: str | None = None  # like_smoke, bands or a surface; None: as the yard is
    pipe_seen: bool = True
    stops: float = STOPS
    by_lamp: bool = False  # hardly any light
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)  # coloured lamp or filter
    copy: bool = False  # by a messenger instead of the phone's own file
    nuisances: tuple[str, ...] = ()
    told: tuple[str, ...] = field(default=())  # exit, diameter: pointed out, not filmed anew

    def filmed(self):
        """Only what the camera sees: the same for two that differ in what is told."""
        return replace(self, told=())

    def name(self):
        """Name of its files: the yard, and a fingerprint of how it is filmed."""
        made = hashlib.sha256(repr(sorted(asdict(self.filmed()).items())).encode())
        return f"y{self.seed}_{made.hexdigest()[:8]}"


def plan_of(filming):
    """Lay out the clip: the yard's smoke, seen as it is filmed."""
    smoke, tau0, scene, phone = yard(filming.seed)
    camera = {"stops": filming.stops} | (BY_LAMP if filming.by_lamp else {})
    coding = {"codec": "libx264", "crf": 17, "bit_rate": None, "tagged": True, "rotation_deg": 0}
    if filming.copy:
        coding |= {"crf": None, "bit_rate": 120_000, "tagged": False, "matrix": "bt709"}
    wish = Wish(
        smoke=smoke, tau0_green=tau0, envelope="persist", scene=scene, phone=phone,
        light=filming.light, hold=MARGIN_HOLD, nuisances=filming.nuisances, trouble="nothing",
        engine={"crank_s": CRANKS_S, "start_s": STARTS_S}, camera=camera, coding=coding,
    )  # fmt: skip
    plan = make_plan(filming.seed, size=SIZE, seconds=STORY_S, wish=wish)
    if filming.tint != (1.0, 1.0, 1.0):
        error = tuple(a * b for a, b in zip(plan.phone.wb_error, filming.tint, strict=True))
        plan = replace(plan, phone=replace(plan.phone, wb_error=error))
    plan = _in_place(plan, filming)
    return _held(_in_time(plan, filming), filming)


def yard(seed):
    """Smoke, its optical depth, scene and phone of a seed; scene and phone of unseen families."""
    rng = np.random.default_rng([seed, 77])
    return (
        str(rng.choice(["black", "blue", "fuel", "coolant"])), float(rng.uniform(0.35, 1.4)),
        str(rng.choice(HELD_OUT_SCENES)), str(rng.choice(HELD_OUT_PHONES)),
    )  # fmt: skip


def _in_place(plan, filming):
    """Step nearer or back, and change what lies behind."""
    rng = np.random.default_rng([filming.seed, 4])  # the scene's own stream of chance
    scene = build_scene(rng, plan.wish.scene, SIZE, MARGIN_PX, nearness=filming.nearness)
    jet = replace(plan.jet, diameter_px=scene.diameter_px)
    if filming.behind == "like_smoke":
        light = replace(plan.light, around_gain=min(plan.light.around_gain, 0.8))
        scene = paint_like_smoke(scene, light, jet, plan.parts, plan.emission.tau0_green, plan.seed)
        plan = replace(plan, light=light)
    elif filming.behind == "bands":
        scene = hang_bands(scene)
    elif filming.behind:
        scene = put_behind(scene, filming.behind, filming.seed)
    if not filming.pipe_seen:
        scene = hide_pipe(scene)
    return replace(plan, scene=scene, jet=jet)


def _in_time(plan, filming):
    """Keep the part of the yard's story that is recorded."""
    since, until = filming.begins_s, filming.begins_s + filming.lasts_s
    kept = (plan.times_s >= since) & (plan.times_s < until)
    late = since > plan.emission.onset_s
    cut = round(since / STEP_S)
    emission = replace(
        plan.emission, onset_s=plan.emission.onset_s - since, level=plan.emission.level[cut:],
        seconds_part=plan.emission.seconds_part[cut:],
    )  # fmt: skip
    engine = replace(
        plan.engine, crank_s=plan.engine.crank_s - since, start_s=plan.engine.start_s - since
    )
    light = replace(plan.light, drift=plan.light.drift[kept], level=plan.light.level[kept])
    wish = replace(plan.wish, trouble="smoke_from_start") if late else plan.wish
    return replace(
        plan, times_s=plan.times_s[kept] - since, emission=emission, engine=engine, light=light,
        wish=wish,
    )  # fmt: skip


def _held(plan, filming):
    """Hold the phone: the yard's canvas keeps its rim, however wide this hold wanders."""
    rng = np.random.default_rng([filming.seed, 6])  # the hold's own stream of chance
    motion = moving.draw_motion(rng, filming.hold, plan.times_s, SIZE, plan.phone.readout_s)
    more = MARGIN_PX - moving.margin_px(filming.hold, SIZE)
    matrices = motion.matrices.copy()
    matrices[:, :, 2] -= matrices[:, :, :2] @ np.array([more, more])
    # "tripod" would take the canvas for the picture
    family = "stand" if filming.hold == "tripod" else filming.hold
    return replace(
        plan, motion=replace(motion, matrices=matrices, family=family),
        wish=replace(plan.wish, hold=filming.hold),
    )  # fmt: skip
