"""Everything known about an invented clip, frame by frame and as a whole.

The fields are those of the practice clips' truth files (version 1), with a few more: families
of scene, phone and holding, condition labels, the seed and the wish that make the clip again.
"""

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.demo.particles import COLOURS, WAVELENGTHS_UM, Part, spectral_slope

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]
TAU_SEEN = 0.02  # from here on a pixel counts as smoke
VISIBLE_PCT, VISIBLE_AREA = 5.0, 0.0005


def section_px(
    exit_px: Floats, diameter_px: float, direction_deg: float
) -> tuple[int, int, int, int]:
    """Place the measuring section: side 1.1 diameters, centred 0.95 beyond the exit."""
    a = np.deg2rad(direction_deg)
    x, y = np.asarray(exit_px) + 0.95 * diameter_px * np.array([np.cos(a), np.sin(a)])
    half = 0.55 * diameter_px
    return round(x - half), round(y - half), round(x + half), round(y + half)


@dataclass(slots=True)
class FrameLog:
    """Collects the truth of each frame while the clip is made."""

    size: tuple[int, int]
    rows: dict[str, list[float]] = field(default_factory=dict)
    masks: list[NDArray[np.uint8]] = field(default_factory=list)
    maps: list[NDArray[np.uint8]] = field(default_factory=list)
    map_frame: list[int] = field(default_factory=list)
    total: Picture | None = None
    plate_box: Picture | None = None
    contrast: list[float] = field(default_factory=list)
    veil_sum: Floats = field(default_factory=lambda: np.zeros(3))
    veil_weight: float = 0.0

    def add(self, values: dict[str, float]) -> None:
        """One value per name for this frame."""
        for name, value in values.items():
            self.rows.setdefault(name, []).append(float(value))

    def smoke(self, frame: int, passed: Picture | None, exit_px: Floats, diameter_px: float,
              direction_deg: float, *, keep_map: bool) -> tuple[int, int, int, int]:  # fmt: skip
        """Log a frame's smoke from its green transmittance at half size; returns the section."""
        w, h = self.size
        box = section_px(exit_px, diameter_px, direction_deg)
        qh, qw = h // 4, w // 4
        row = {"opacity_area_mean": 0.0, "opacity_p95": 0.0, "opacity_near_pipe": 0.0,
               "area_fraction": 0.0, "visible_length_px": 0.0}  # fmt: skip
        quarter: Picture = np.ones((qh, qw), np.float32)
        if passed is not None and float(passed.min()) < 0.9995:
            seen = passed < np.exp(-TAU_SEEN)
            if seen.any():
                opacity = 100 * (1 - passed[seen])
                y, x = np.nonzero(seen)
                far = np.hypot(2 * x + 0.5 - exit_px[0], 2 * y + 0.5 - exit_px[1])
                row |= {"opacity_area_mean": float(opacity.mean()),
                        "opacity_p95": float(np.percentile(opacity, 95)),
                        "area_fraction": float(seen.mean()),
                        "visible_length_px": float(np.percentile(far, 98))}  # fmt: skip
            row["opacity_near_pipe"] = float(100 * (1 - box_mean(passed, box)))
            quarter = np.asarray(cv2.resize(passed, (qw, qh), interpolation=cv2.INTER_AREA))
        self.add(row)
        self.masks.append(np.packbits(quarter < np.exp(-TAU_SEEN)))
        opacity_map = np.clip(200 * (1 - quarter), 0, 200)
        self.total = opacity_map if self.total is None else self.total + opacity_map
        if keep_map:
            self.maps.append(np.rint(opacity_map).astype(np.uint8))
            self.map_frame.append(frame)
        return box


def box_mean(passed: Picture, box: tuple[int, int, int, int]) -> float:
    """Mean over all full-size pixels of a box of a field given at half size."""
    x, y = np.meshgrid(np.arange(box[0], box[2]), np.arange(box[1], box[3]))
    patch = cv2.remap(passed, (x / 2 - 0.25).astype(np.float32), (y / 2 - 0.25).astype(np.float32),
                      cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    return float(patch.mean())


def smoke_story(log: FrameLog, times_s: Floats, *, clears: bool) -> dict[str, Any]:
    """Visible onset, peak and fall times from the frames' own figures."""
    rows = log.rows
    near = np.array(rows["opacity_near_pipe"])
    p95, area = np.array(rows["opacity_p95"]), np.array(rows["area_fraction"])
    visible = (p95 >= VISIBLE_PCT) & (area >= VISIBLE_AREA)
    story: dict[str, Any] = {"visible_onset_s": None, "peak_s": None, "time_to_half_s": None,
                             "time_to_tenth_s": None}  # fmt: skip
    story["visible_share"] = float(visible.mean())
    if visible.any():
        story["visible_onset_s"] = float(times_s[int(np.argmax(visible))])
    if near.max() < 0.5:
        return story
    smooth = smoothed(near, times_s, 0.3)
    k = int(np.argmax(smooth))
    story["peak_s"] = float(times_s[k])
    if clears:
        for name, share in (("time_to_half_s", 0.5), ("time_to_tenth_s", 0.1)):
            below = np.nonzero(smooth[k:] < share * smooth[k])[0]
            story[name] = float(times_s[k + below[0]] - times_s[k]) if len(below) else None
    return story


def smoothed(values: Floats, times_s: Floats, width_s: float) -> Floats:
    """Take the running mean over `width_s` of possibly unevenly spaced values."""
    a = np.searchsorted(times_s, times_s - width_s / 2)
    b = np.searchsorted(times_s, times_s + width_s / 2, side="right")
    total = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray((total[b] - total[a]) / (b - a), np.float64)


def reach_px(log: FrameLog, exit_px: Floats) -> float | None:
    """Find how far the time-mean opacity reaches 2 %; None where it leaves the frame."""
    if log.total is None or not log.masks:
        return None
    mean = log.total / 2 / len(log.masks)
    y, x = np.nonzero(mean >= 2.0)
    if not len(x):
        return 0.0
    edge = (x == 0) | (y == 0) | (x == mean.shape[1] - 1) | (y == mean.shape[0] - 1)
    if edge.any():
        return None
    return float(np.hypot(4 * x + 1.5 - exit_px[0], 4 * y + 1.5 - exit_px[1]).max())


def describe_part(part: Part, veil: Floats) -> dict[str, Any]:
    """Tell a part as the truth file does."""
    return {
        "kind": part.kind, "particle": part.particle, "colour": part.colour,
        "share_of_tau_green": part.share, "diameter_um": part.diameter_um,
        "gsd" if part.particle != "soot" else "spheres": part.spread,
        "tau_ratio_rgb": _round(part.tau_ratio), "albedo_rgb": _round(part.albedo),
        "asymmetry_rgb": _round(part.asymmetry), "alpha_ext": round(part.slope, 3),
        "veil_reflectance_rgb": _round(veil),
    }  # fmt: skip


def mixture_optics(parts: tuple[Part, ...]) -> dict[str, Any]:
    """Slope and albedo of the whole smoke, weighted by optical depth."""
    if not parts:
        return {"alpha_ext": None, "albedo_rgb": None, "wavelengths_um": _round(WAVELENGTHS_UM)}
    tau = np.sum([p.share * p.tau_ratio for p in parts], axis=0)
    scattered = np.sum([p.share * p.tau_ratio * p.albedo for p in parts], axis=0)
    return {"alpha_ext": round(spectral_slope(tau), 3), "albedo_rgb": _round(scattered / tau),
            "wavelengths_um": _round(WAVELENGTHS_UM)}  # fmt: skip


def colour_weights(parts: tuple[Part, ...], shares: Floats) -> dict[str, float]:
    """Weigh black, blue, white and none by each part's share of the emitted depth."""
    weights = dict.fromkeys(COLOURS, 0.0)
    if not parts:
        return weights | {"none": 1.0}
    for part, share in zip(parts, shares, strict=True):
        weights[part.colour] += float(share)
    return weights


def write_truth(path: Path, told: dict[str, Any], log: FrameLog) -> dict[str, Any]:
    """Write NAME.truth.json and NAME.truth.npz; `path` is the clip's. Returns what was written."""
    w, h = log.size
    np.savez_compressed(
        path.with_suffix(".truth.npz"),
        mask_shape=np.array([len(log.masks), h // 4, w // 4]),
        mask_bits=np.array(log.masks, dtype=np.uint8),
        opacity_half_percent=np.array(log.maps, dtype=np.uint8),
        map_frame=np.array(log.map_frame, dtype=np.int32),
    )
    plain: dict[str, Any] = _plain(told)
    text = json.dumps(plain, allow_nan=False, separators=(",", ":"))
    path.with_suffix(".truth.json").write_text(text + "\n")
    return plain


def _round(values: Floats) -> list[float]:
    return [round(float(v), 4) for v in values]


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, np.bool_ | np.integer):
        return value.item()
    if isinstance(value, float | np.floating):
        return round(float(value), 6) if np.isfinite(value) else None
    return value
