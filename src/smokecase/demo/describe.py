"""Tells all that is known about a finished invented clip, and what an honest tool does with it."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.demo import truth
from smokecase.demo.encode import MARK
from smokecase.demo.plan import Plan

Floats = NDArray[np.float64]


def title(plan: Plan) -> str:
    """Name the invented scenario in a few words."""
    wish = plan.wish
    if wish.title:
        return wish.title
    return f"{wish.smoke} smoke, {wish.envelope}, {wish.scene}, {wish.light}, seed {plan.seed}"


def describe(plan: Plan, file: str, log: truth.FrameLog, shares: Floats) -> dict[str, Any]:
    """Lay out the truth file."""
    scene, light, wish, engine, emission = (
        plan.scene,
        plan.light,
        plan.wish,
        plan.engine,
        plan.emission,
    )
    first = np.array([log.rows["exit_x"][0], log.rows["exit_y"][0]])
    box = truth.section_px(first, scene.diameter_px, scene.direction_deg)
    weights = truth.colour_weights(plan.parts, shares)
    kind = "none" if not plan.parts else (plan.parts[0].kind if len(plan.parts) == 1 else "mix")
    veil = log.veil_sum / log.veil_weight if np.any(log.veil_weight) else None
    smoke = {
        "kind": kind,
        "mixture": wish.smoke,
        "components": [
            truth.describe_part(p, v / light.white)
            for p, v in zip(plan.parts, plan.nominal_veil, strict=True)
        ],
        **truth.mixture_optics(plan.parts),
        "veil_reflectance_rgb": veil,
        "tau0_green": emission.tau0_green,
        "envelope": emission.envelope,
        "colour_class": max(weights, key=lambda c: weights[c]),
        "colour_weights": weights,
        "emission_onset_s": emission.onset_s,
        **truth.smoke_story(log, plan.times_s, clears=emission.envelope == "clear"),
        "decay_tau_s": emission.decay_s,
        "clears": emission.envelope == "clear",
        "puff_hz": emission.puff_hz,
        "detaches_at_diameters": plan.jet.detaches,
        "evaporates_at_diameters": plan.jet.evaporates,
        "dissipation_distance_px": truth.reach_px(log, first),
    }
    fit = _measurability(plan, log, veil)
    refused, reason, excused = _refusal(plan, log, fit)
    per_frame: dict[str, Any] = {k: v for k, v in log.rows.items() if not k.startswith("share_")}
    per_frame["near_pipe_share"] = (
        [log.rows[f"share_{k}"] for k in range(len(plan.parts))] if len(plan.parts) > 1 else None
    )
    n = len(plan.times_s)
    return {
        "version": 1,
        "scenario": {"title": title(plan), "words": plan.wish.words},
        "clip": Path(file).stem,
        "file": file,
        "invented": MARK,
        "seed": plan.seed,
        "wish": {k: v for k, v in asdict(wish).items() if k not in ("scenes", "phones")},
        "width": plan.size[0],
        "height": plan.size[1],
        "frames": n,
        "duration_s": float(plan.times_s[-1] + 1 / plan.fps),
        "nominal_fps": plan.fps,
        "variable_frame_rate": plan.variable_rate,
        "has_audio": plan.heard is not None,
        "rotation_deg_clockwise": plan.coding.rotation_deg,
        **asdict(plan.coding),
        "engine": {
            "crank_s": engine.crank_s,
            "start_s": engine.start_s,
            "starts": True,
            "cranking_compressions_hz": engine.crank_rpm / 120 * engine.cylinders,
            "idle_rpm": engine.idle_rpm,
            "cylinders": engine.cylinders,
            "fires_s": plan.heard.fires_s if plan.heard else None,
            "firing_hz": plan.heard.firing_hz if plan.heard else None,
            "weak_cylinder": engine.weak_cylinder,
            "snap_accelerations_s": engine.snaps_s,
        },
        "pipe": {
            "exit_px": first,
            "diameter_px": scene.diameter_px,
            "direction_deg": scene.direction_deg,
            "foreshortening": scene.foreshortening,
        },
        "near_pipe_box_px": box,
        "smoke": smoke,
        "families": {
            "scene": wish.scene,
            "phone": wish.phone,
            "light": wish.light,
            "hold": wish.hold,
            "trouble": wish.trouble,
        },
        "conditions": _conditions(plan, log),
        "scene": {
            "background": scene.behind,
            "ground": scene.below,
            "pose": scene.pose,
            "lighting": light.family,
            "nuisances": wish.nuisances,
            "light_rgb": light.white,
            "ambient_rgb": light.ambient,
            "sun_rgb": light.sun,
            "toward_sun": light.toward_sun,
            "cast_shadow": light.cast_shadow,
            "board": _board(plan),
        },
        "camera": {
            "shake_rms_px": plan.motion.shake_rms_px,
            "hold": wish.hold,
            "phone": asdict(plan.phone),
            "auto_exposure": {
                "ae": plan.phone.ae,
                "ae_tau": plan.phone.ae_tau,
                "awb": plan.phone.awb,
                "awb_tau": plan.phone.awb_tau,
                "wb_error": plan.phone.wb_error,
            },
            "tone": {
                "s_curve": plan.phone.s_curve,
                "shoulder": plan.phone.shoulder,
                "saturation": plan.phone.saturation,
                "curve": plan.phone.curve,
                "local": plan.phone.local,
                "lift": plan.phone.lift,
            },
            "shot_noise_variance_per_linear": plan.phone.shot,
            "read_noise_linear": plan.phone.read,
            "pipe_vibration_px": 0.0,
        },
        "measurability": fit,
        "refusal_expected": refused,
        "refusal_reason": reason,
        "refusal_excused": excused,
        "per_frame": per_frame,
    }


def _board(plan: Plan) -> dict[str, Any] | None:
    scene = plan.scene
    if scene.board_px is None:
        return None
    m = plan.motion.matrices[0]
    corners = [m[:, :2] @ np.array(p) + m[:, 2] for p in (scene.board_px[:2], scene.board_px[2:])]
    return {
        "box_px": np.concatenate(corners),
        "cell_px": scene.board_cell_px,
        "reflectances": scene.board_levels,
    }


def _measurability(plan: Plan, log: truth.FrameLog, veil: Floats | None) -> dict[str, Any]:
    """Contrast of the section's plate with the veil, its texture, and clipped pixels."""
    contrast, texture = None, None
    if log.plate_box is not None and log.plate_box.size:
        mean = log.plate_box.reshape(-1, 3).mean(axis=0).astype(np.float64)
        texture = float(log.plate_box[..., 1].std() / max(mean[1], 1e-9))
        if veil is not None:
            j = veil * plan.light.white
            contrast = float((np.abs(mean - j) / np.maximum(mean, j)).max())
    return {
        "mean_relative_contrast_plate_veil": contrast,
        "plate_relative_std": texture,
        "clipped_fraction": float(np.mean(log.rows["exit_clipped"])),
    }


def _refusal(plan: Plan, log: truth.FrameLog, fit: dict[str, Any]) -> tuple[str, str | None, bool]:
    """Whether an honest tool declines, why, and whether declining is at least no fault."""
    trouble = plan.wish.trouble
    if trouble not in (None, "nothing"):
        return "yes", trouble, True
    if fit["clipped_fraction"] > 0.6:
        return "yes", "blown_out", True
    contrast, texture = fit["mean_relative_contrast_plate_veil"], fit["plate_relative_std"]
    excused = fit["clipped_fraction"] > 0.25 or plan.motion.shake_rms_px > 0.03 * plan.size[0]
    excused |= max(log.rows["section_hidden"]) > 0.5
    if contrast is not None and texture is not None:
        excused |= contrast < 0.12 and texture < 0.06
    return "no", None, bool(excused)


def _conditions(plan: Plan, log: truth.FrameLog) -> list[str]:
    """Short labels by which a benchmark can split its figures."""
    wish = plan.wish
    labels = [
        f"light_{wish.light}",
        f"hold_{wish.hold}",
        f"phone_{wish.phone}",
        f"scene_{wish.scene}",
        f"smoke_{wish.smoke}",
        f"codec_{plan.coding.codec}",
    ]
    labels += [f"with_{n}" for n in wish.nuisances or ()]
    peak = max(log.rows["opacity_near_pipe"])
    labels.append("peak_thin" if peak < 20 else "peak_medium" if peak < 60 else "peak_dense")
    if plan.variable_rate:
        labels.append("variable_rate")
    if plan.coding.rotation_deg:
        labels.append("rotated")
    rate = plan.coding.bit_rate
    if rate is not None and rate < 4e6 * (plan.size[0] * plan.size[1] / (1920 * 1080)) ** 0.75:
        labels.append("few_bits")
    return labels
