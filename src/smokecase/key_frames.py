"""Picks the few pictures of a clip that are shown: before the smoke, its start, its peak, after."""

import math

import numpy as np

from smokecase.readings import KeyFrame
from smokecase.scene import Scene
from smokecase.walk import SeenView


def pick_key_frames(
    views: list[SeenView], scene: Scene, peak_s: float | None
) -> tuple[KeyFrame, ...]:
    """Pick a clear view, the first smoke, the peak and what follows.

    Parameters
    ----------
    views : list of SeenView
        Candidates in order of time.
    scene : Scene
        For the section and the exit. [working px]
    peak_s : float or None
        Time of the densest smoke; without one, the densest view stands for it. [s]

    Returns
    -------
    tuple of KeyFrame
        At most eight.
    """
    if not views:
        return ()
    smoky = [i for i, v in enumerate(views) if v.smoke is not None and v.smoke.visible]
    chosen: dict[int, str] = {0: "first view"}
    if smoky:
        chosen[max(0, smoky[0] - 1)] = "before the smoke"
        chosen[smoky[0]] = "first smoke"
        densest = max(smoky, key=lambda i: _p95(views[i]))
        if peak_s is not None:
            densest = min(smoky, key=lambda i: abs(views[i].time_s - peak_s))
        chosen[densest] = "densest"
    for share in (0.35, 0.6, 0.8, 1.0):
        chosen.setdefault(round(share * (len(views) - 1)), "")
    section = scene.section
    exit_px = scene.pipe.exit_px if scene.pipe else None
    frames = []
    for i in sorted(chosen)[:8]:
        view = views[i]
        smoke, picture = view.smoke, view.picture
        h, w = picture.shape[:2]
        plume = np.zeros((h, w), bool)
        if smoke is not None:
            rows = np.minimum(np.arange(h) // 2, smoke.mask.shape[0] - 1)
            columns = np.minimum(np.arange(w) // 2, smoke.mask.shape[1] - 1)
            plume = smoke.mask[rows][:, columns]
        frames.append(
            KeyFrame(
                time_s=view.time_s,
                what=chosen[i],
                picture=picture,
                plume=plume,
                section_px=section,
                exit_px=exit_px,
            )
        )
    return tuple(frames)


def _p95(view: SeenView) -> float:
    return view.smoke.p95_pct if view.smoke is not None else -math.inf
