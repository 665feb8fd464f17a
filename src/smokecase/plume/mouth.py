"""The dark mouth of a pipe in the plate: a hole with a closed, sharp outline.

Poses are those of `pipe.py`. Where a mouth is seen at all, nothing else in the view tells place and
diameter so well; of a pipe seen from the side it says nothing.
"""

import math

import cv2
import numpy as np

from smokecase.plume.activity import Picture
from smokecase.plume.pipe import FAINT_CODES, POSES_AT_ONCE, Edges, Floats, placed, read_at

# outlines of the dark inside, from a thick wall to a thin one: share of the outer diameter, angle
HOLES, _PIECES = (0.84, 0.92), 12
_HOLE_ANGLES = np.radians((np.arange(2 * _PIECES) + 0.5) * 180.0 / _PIECES)
_HOLE = np.concatenate(
    [np.stack([np.full(2 * _PIECES, size), _HOLE_ANGLES]) for size in HOLES], axis=1
).astype(np.float32)[:, :, None]
# of the width, and in pixels at the least: where a sharp outline is one no longer
BESIDE, BESIDE_PX = 0.09, 1.5
# a hole is found by being darker than so much of what lies around it, within these shares of the
# picture's side; its long axis as shares of that side; short axis over long one; area against the
# ellipse's; pixels of its outline
DARKER, AROUND_HOLE, HOLE_WIDE = 0.6, (0.03, 0.06, 0.12), (0.008, 0.2)
NARROWEST, UNLIKE_ELLIPSE, FEWEST_OUTLINE = 0.12, 0.2, 12
TUBE_SEEN = 0.6  # diameters of the tube behind a mouth that must lie in the picture
SIDE_ON = 0.25  # short axis over long one below which a mouth shows less and less of its inside


def mouth_score(edges: Edges, poses: Floats) -> Floats:
    """Tell how much a dark hole with a closed outline fills each mouth; (n,), 0 to 1.

    A highlight along a round pipe passes for its edge, and a pose half as wide looks as good by its
    edges; the outline of the inside, dark all round and sharp, has one size only.
    """
    parts = [
        _mouth_score(edges, poses[k : k + POSES_AT_ONCE])
        for k in range(0, len(poses), POSES_AT_ONCE)
    ]
    return np.concatenate(parts) if parts else np.zeros(0)


def _mouth_score(edges: Edges, poses: Floats) -> Floats:
    each = poses.T.astype(np.float32)[:, None]
    direction, width, mouth = each[2:]
    size, angle = _HOLE
    short = np.maximum(mouth, 0.1)
    along, across = np.cos(angle), np.sin(angle)
    out_u, out_v = along / short, across + 0.0 * short
    length = np.hypot(out_u, out_v)
    out_u, out_v = out_u / length, out_v / length
    c, s = np.cos(direction), np.sin(direction)
    u, v = size * short / 2.0 * along * width, size / 2.0 * across * width
    step = np.maximum(BESIDE * width, BESIDE_PX)
    on, inside, outside = (
        _brighter_outwards(edges, each, (u + k * out_u, v + k * out_v),
                           (out_u * c - out_v * s, out_u * s + out_v * c))
        for k in (0.0, -step, step)
    )  # fmt: skip
    sharp = np.maximum(on - 0.5 * (np.maximum(inside, 0.0) + np.maximum(outside, 0.0)), 0.0)
    clear = np.sort(sharp / (np.abs(on) + FAINT_CODES), axis=1)
    # an outline that is missing on one side is none: the worst quarter counts as much as all
    all_round = 0.5 * (clear.mean(axis=1) + clear[:, : _PIECES // 4].mean(axis=1))
    score = np.clip(mouth[0] / SIDE_ON, 0.0, 1.0) * all_round.max(axis=0)
    # beyond the picture's edge its last pixels go on as lines: no tube is seen there
    x, y = placed(each, -TUBE_SEEN * width, 0.0 * width)
    h, w = edges.grey.shape
    return np.asarray(score * ((x > 0) & (x < w) & (y > 0) & (y < h))[0], np.float64)


def _brighter_outwards(
    edges: Edges, each: Picture, at: tuple[Picture, Picture], out: tuple[Picture, Picture]
) -> Picture:
    """How much brighter it grows outwards, piece by piece of each outline; (sizes, pieces, n)."""
    places = placed(each, *at)
    grows = read_at(edges.x, *places).mean(axis=-1) * out[0]
    grows += read_at(edges.y, *places).mean(axis=-1) * out[1]
    return np.asarray(grows.reshape(len(HOLES), _PIECES, 2, -1).mean(axis=2), np.float32)


def find_mouths(edges: Edges) -> Floats:
    """Poses of dark ellipses, each pointing either way along its short axis; (n, 5).

    The outer diameter, in pixels, takes the ellipse for the inside of a pipe with a middling wall.
    """
    size_px = max(edges.grey.shape)
    poses = []
    for share in AROUND_HOLE:
        about = cv2.blur(edges.grey, (2 * int(share * size_px) + 1,) * 2)
        dark = np.asarray(edges.grey < DARKER * about, np.uint8)
        outlines, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for outline in outlines:
            if len(outline) < FEWEST_OUTLINE:
                continue
            (x, y), axes, turn = cv2.fitEllipse(outline)
            short, long = min(axes), max(axes)
            full = math.pi * short * long / 4.0
            small, large = (k * size_px for k in HOLE_WIDE)
            if not (small < long < large and short > NARROWEST * long):
                continue
            if abs(cv2.contourArea(outline) / full - 1.0) > UNLIKE_ELLIPSE:
                continue
            direction = math.radians(turn if axes[0] < axes[1] else turn + 90.0)
            wide = long / float(np.mean(HOLES))
            poses += [(x, y, direction + way, wide, short / long) for way in (0.0, math.pi)]
    return np.array(poses, np.float64).reshape(-1, 5)
