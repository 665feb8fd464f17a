"""Truth of a rendered clip: what was really there, frame by frame and cell by cell."""

import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

CELL_PX = 4  # a truth map holds one value per 4 x 4 pixels


@dataclass(frozen=True, eq=False)
class Truth:
    """NAME.truth.json and NAME.truth.npz of one clip."""

    name: str
    video: Path
    plain: dict
    maps: np.ndarray  # (m, h, w) opacity [%]
    map_frame: np.ndarray  # (m,) frame of each map

    @property
    def times_s(self):
        return np.array(self.plain["per_frame"]["time_s"])

    @property
    def section_pct(self):
        """Opacity of the true measuring section in every frame."""
        return np.array(self.plain["per_frame"]["opacity_near_pipe"])

    @property
    def plume_p95_pct(self):
        return np.array(self.plain["per_frame"]["opacity_p95"])

    @property
    def pipe(self):
        return self.plain["pipe"]

    @property
    def smoke(self):
        return self.plain["smoke"]

    @property
    def smoky(self):
        return self.smoke["colour_class"] != "none"

    def moved_px(self):
        """How far the scene has moved in the picture since the first frame, (n, 2)."""
        p = self.plain["per_frame"]
        if "exit_x" in p:  # sets say it straight
            at = np.column_stack([p["exit_x"], p["exit_y"]])
            return at - at[0]
        # the practice clips give the camera's movement: the scene goes the other way
        return -np.column_stack([p["shake_dx"], p["shake_dy"]])

    def opacity_in(self, box_px):
        """Mean opacity inside a box that moves with the scene, for the frames with a map.

        The box is x0, y0, x1, y1 of the first frame; a cell counts with its share of the box.
        """
        moved = self.moved_px()
        means = []
        for opacity, frame in zip(self.maps, self.map_frame, strict=True):
            dx, dy = moved[frame]
            rows = _shares(box_px[1] + dy, box_px[3] + dy, opacity.shape[0])
            columns = _shares(box_px[0] + dx, box_px[2] + dx, opacity.shape[1])
            total = rows.sum() * columns.sum()
            means.append(rows @ opacity @ columns / total if total > 0 else math.nan)
        return np.array(means)

    def conditions(self):
        """Under what this clip was filmed: words to sort the results by."""
        families = self.plain.get("families")
        if families:
            found = {f"{k}: {families[k]}" for k in ("scene", "phone", "light", "hold")}
        else:
            scene = self.plain["scene"]
            hand = self.plain["camera"]["shake_rms_px"] > 0.1
            found = {
                f"scene: {scene['background']}", f"light: {scene['lighting']}",
                f"hold: {'hand' if hand else 'still'}",
            }  # fmt: skip
        found.add(f"smoke: {self.smoke.get('mixture') or self.smoke['kind']}")
        peak = self.section_pct.max()
        found.add(
            "peak: " + ("under 15 %" if peak < 15 else "15 to 50 %" if peak < 50 else "over 50 %")
        )
        return sorted(found)


def _shares(low, high, n):
    """How much of each cell lies between two pixel edges."""
    start = CELL_PX * np.arange(n)
    return np.clip(np.minimum(high, start + CELL_PX) - np.maximum(low, start), 0, CELL_PX)


def read_truth(path):
    """Read NAME.truth.json with its maps."""
    plain = json.loads(path.read_text())
    maps = np.load(path.with_suffix(".npz"))
    return Truth(
        name=plain["clip"], video=path.with_name(plain["file"]), plain=plain,
        maps=maps["opacity_half_percent"] / 2.0, map_frame=maps["map_frame"],
    )  # fmt: skip


def find_truths(folder):
    """Truth files of a folder, in order of their names."""
    return sorted(folder.glob("*.truth.json"))
