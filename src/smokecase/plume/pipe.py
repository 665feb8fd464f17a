"""The end of a tube in the plate: two parallel edges that stop at a mouth with smoke before it.

A pose is a row ``x, y, direction, diameter, mouth``: centre of the mouth and outer diameter in
pixels, direction of outflow in radians (0 right, pi/2 down), and the mouth's short axis over its
long one (0 seen from the side, 1 looked straight into). Arrays of poses have shape (n, 5).

`pipe_score` says how much the plate looks like a pipe with that pose, `smoke_score` how much the
change maps look like smoke that leaves it; both run from about 0 to 1 or 2 and are added.
Their parts and weights are common sense, not fitted: an edge counts by how steady its sign is
along its length, which texture of leaves or gravel is not.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.plume.activity import Activity, Picture, codes, loudest

Floats = NDArray[np.float64]

FAINT_CODES = 3.0  # an edge of this many codes per pixel counts half
ALONG = np.linspace(-1.3, -0.06, 20)  # where the tube's edges are looked at, in diameters
BEYOND = np.linspace(0.5, 1.6, 16)  # where they must have ended
RIM = np.radians(np.linspace(-80.0, 80.0, 18))
BACK = np.radians(np.linspace(110.0, 250.0, 15))
DETACHED = 0.75  # weight of smoke that begins away from the mouth
UNIT_PX = 14  # diameter to which the coarse search scales the picture


def _spots(u: tuple[float, float, int], v: tuple[float, float, int]) -> tuple[Floats, Floats]:
    along, across = np.meshgrid(np.linspace(*u), np.linspace(*v))
    return along.ravel(), across.ravel()


AROUND = (  # where `smoke_score` looks, in diameters: ahead, further ahead, behind, left, right
    _spots((0.15, 2.2, 9), (-0.42, 0.42, 5)),
    _spots((1.2, 3.2, 9), (-0.6, 0.6, 5)),
    _spots((-2.2, -0.6, 6), (-1.1, 1.1, 7)),
    _spots((-0.5, 0.3, 4), (-1.8, -0.95, 4)),
    _spots((-0.5, 0.3, 4), (0.95, 1.8, 4)),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """A plate made ready for `pipe_score`."""

    picture: Picture  # (h, w, 3) codes, slightly blurred
    x: Picture  # (h, w, 3) gradient to the right [codes/px]
    y: Picture  # (h, w, 3) gradient downwards

    @classmethod
    def of(cls, plate_light: Picture) -> "Edges":
        """Blur against noise and take the gradient."""
        soft = cv2.GaussianBlur(codes(plate_light), (0, 0), 0.8)
        channels = [soft[..., c] for c in range(3)]
        x = np.stack([cv2.Sobel(c, cv2.CV_32F, 1, 0) / 8.0 for c in channels], axis=-1)
        y = np.stack([cv2.Sobel(c, cv2.CV_32F, 0, 1) / 8.0 for c in channels], axis=-1)
        return cls(
            picture=np.asarray(soft, np.float32),
            x=np.asarray(x, np.float32),
            y=np.asarray(y, np.float32),
        )


def smoke_score(activity: Activity, poses: Floats) -> Floats:
    """Tell how much more changed ahead of each mouth than behind and beside it; (n,), at most 1."""
    places = [_placed(poses, u * poses[:, 3:4], v * poses[:, 3:4]) for u, v in AROUND]
    best = np.zeros((1, len(poses)))
    for family in activity.families():
        ahead, far, behind, left, right = (
            activity.read(family, x, y).mean(axis=2) for x, y in places
        )
        # condensed water begins to show some way off; that speaks less clearly for this mouth
        ahead = np.maximum(ahead, DETACHED * far)
        # smoke may drift back past one side of the pipe, so a side weighs a little less
        around = np.maximum(behind, 0.8 * np.maximum(left, right))
        contrast = ahead - around - 0.1 * (behind + left + right)
        best = np.vstack([best, loudest(contrast)])
    return np.asarray(best.max(axis=0))


def pipe_score(edges: Edges, poses: Floats) -> Floats:
    """Tell how much the plate looks like a pipe's end at each pose; (n,), about 0 to 2."""
    width, mouth = poses[:, 3:4], poses[:, 4:5]
    top, bottom = (_line(edges, poses, ALONG * width, side * width) for side in (-0.5, 0.5))
    goes_on = np.max([_line(edges, poses, BEYOND * width, s * width) for s in (-0.5, 0.5)], axis=0)
    # a tube has no further edge just outside its own: else an inner line (shading, the dark
    # inside of the mouth) passes for the outer one
    outside = np.mean(
        [
            np.max(
                [_line(edges, poses, ALONG * width, s * k * width) for k in (0.57, 0.62)], axis=0
            )
            for s in (-1, 1)
        ],
        axis=0,
    )
    rim = _arc(edges, poses, RIM, 1.0, 0.0) - 0.6 * _arc(edges, poses, RIM, 1.0, 0.07)
    back = _arc(edges, poses, BACK, 0.9, 0.0)
    open_mouth = np.clip(mouth[:, 0] / 0.25, 0.0, 1.0)
    return np.asarray(
        0.8 * np.minimum(top, bottom)
        + 0.2 * np.sqrt(top * bottom)
        - 0.5 * goes_on
        - 0.35 * outside
        + 0.4 * rim
        + open_mouth * (0.25 * back + 0.5 * _darkness(edges, poses))
    )


def find_tubes(edges: Edges, near: Floats) -> Floats:
    """Search tube ends round one coarse pose: shape (n, 6), a score and the pose of each."""
    x, y, direction, width = near[:4]
    scale = UNIT_PX / width
    reach = round(5.2 * UNIT_PX)
    soft = edges.picture
    if scale < 0.8:
        soft = np.asarray(cv2.GaussianBlur(soft, (0, 0), 0.35 / scale), np.float32)
    found = []
    for turn in np.radians(np.arange(-48.0, 49.0, 8.0)):
        c, s = np.cos(direction + turn), np.sin(direction + turn)
        matrix = np.array([[c, -s], [s, c]]) / scale
        patch_to_plate = np.column_stack([matrix, [x, y] - matrix @ [reach, reach]])
        for score, column, row, diameter in _ends_in_patch(soft, patch_to_plate, reach):
            px, py = patch_to_plate @ [column, row, 1.0]
            found.append((score, px, py, direction + turn, diameter / scale, 0.5))
    return np.array(found) if found else np.zeros((0, 6))


def _ends_in_patch(
    soft: Picture, patch_to_plate: Floats, reach: int
) -> list[tuple[float, int, int, int]]:
    """Score, column, row and diameter of tube ends that point along the patch's rows."""
    side = 2 * reach + 1
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    warped = cv2.warpAffine(
        soft, patch_to_plate, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    patch = np.asarray(warped, dtype=np.float32)
    seen = cv2.warpAffine(
        np.ones(soft.shape[:2], np.float32), patch_to_plate, (side, side), flags=flags
    )
    inside = int(2.4 * UNIT_PX)  # mouths are sought this near the middle, edges a radius further
    inner = slice(reach - inside, reach + inside + 1)
    rows_of_edges = slice(inner.start - UNIT_PX - 1, inner.stop + UNIT_PX + 1)
    across = np.zeros_like(patch)
    across[1:-1] = (patch[2:] - patch[:-2]) / 2.0
    channels = np.moveaxis(across[rows_of_edges], -1, 0)  # first: sums run along the rows then
    sums = np.cumsum(np.pad(channels, ((0, 0), (0, 0), (1, 0))), axis=2, dtype=np.float64)
    squares = np.pad((channels * channels).sum(axis=0), ((0, 0), (1, 0)))
    power = np.cumsum(squares, axis=1, dtype=np.float64)
    here = np.arange(inner.start, inner.stop)
    bright = patch.mean(axis=2)
    found = []
    for wide in np.unique(np.round(np.geomspace(0.5 * UNIT_PX, 2.0 * UNIT_PX, 11)).astype(int)):
        long, gap, half = int(max(6, 1.3 * wide)), max(1, int(0.1 * wide)), wide // 2
        behind = _steady_edge(sums, power, here - long - gap, here - gap)
        upper, lower = (_inner_rows(behind, k) for k in (half, half - wide))
        start = here + int(0.45 * wide)
        beyond = _steady_edge(sums, power, start, start + long)
        ends = np.maximum(*(_inner_rows(beyond, k) for k in (half, half - wide)))
        mouth = cv2.blur(bright, (max(1, int(0.3 * wide)), max(1, int(0.5 * wide))))
        body, front = np.roll(mouth, int(0.9 * wide), 1), np.roll(mouth, -int(0.7 * wide), 1)
        mouth, least = mouth[inner, inner], np.minimum(body, front)[inner, inner]
        score = 0.75 * np.minimum(upper, lower) + 0.25 * np.sqrt(upper * lower) - 0.6 * ends
        score = score + 0.35 * np.clip((least - mouth) / (least + 8.0), -0.3, 1.0)
        score[seen[inner, inner] < 0.99] = -1.0
        window = score.astype(np.float32)
        peak = (window >= cv2.dilate(window, np.ones((5, 5)))) & (window > 0.25)
        rows, columns = np.nonzero(peak)
        found += [
            (float(window[r, c]), int(c + inner.start), int(r + inner.start), int(wide))
            for r, c in zip(rows, columns, strict=True)
        ]
    return found


def _steady_edge(
    sums: Floats, power: Floats, start: NDArray[np.intp], end: NDArray[np.intp]
) -> Picture:
    """How steady and strong the edge along each row is between two columns, for each pair."""
    last = power.shape[1] - 1
    first, stop = np.clip(start, 0, last), np.clip(end, 0, last)
    count = np.maximum(stop - first, 1)
    means = (sums[..., stop] - sums[..., first]) / count
    mean = np.sqrt((means * means).sum(axis=0))
    all_of_it = np.sqrt(np.maximum((power[:, stop] - power[:, first]) / count, 0.0))
    steady = mean / (all_of_it + 1e-3) * mean / (mean + FAINT_CODES)
    return np.asarray(cv2.dilate(steady.astype(np.float32), np.ones((3, 1))), np.float32)


def _inner_rows(rows: Picture, down: int) -> Picture:
    """Rows without the margin that edges may lie in, of a picture moved down."""
    return rows[UNIT_PX + 1 - down : len(rows) - UNIT_PX - 1 - down]


def _length(vectors: Floats | Picture) -> Floats:
    """Length over the three channels; quicker than a sum over a short axis."""
    return np.asarray(np.sqrt(np.einsum("...k,...k->...", vectors, vectors)))


def _placed(poses: Floats, u: Floats, v: Floats) -> tuple[Floats, Floats]:
    """Picture x, y of points u along and v across the outflow; u, v of shape (n, m) in pixels."""
    x, y, direction = poses[:, 0:1], poses[:, 1:2], poses[:, 2:3]
    c, s = np.cos(direction), np.sin(direction)
    return x + u * c - v * s, y + u * s + v * c


def _read(picture: Picture, x: Floats, y: Floats) -> Floats:
    read = cv2.remap(
        picture,
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(read, dtype=np.float64)


def _steady(gradient: Floats) -> Floats:
    """Steadiness times strength of an edge sampled in `gradient`, shape (n, m, 3)."""
    mean = _length(gradient.mean(axis=1))
    all_of_it = np.sqrt(np.einsum("nmk,nmk->n", gradient, gradient) / gradient.shape[1])
    return np.asarray(mean / (all_of_it + 1e-3) * mean / (mean + FAINT_CODES))


def _line(edges: Edges, poses: Floats, u: Floats, v: Floats) -> Floats:
    """Edge along the outflow."""
    x, y = _placed(poses, u, np.broadcast_to(v, u.shape))
    c, s = np.cos(poses[:, 2])[:, None, None], np.sin(poses[:, 2])[:, None, None]
    return _steady(_read(edges.y, x, y) * c - _read(edges.x, x, y) * s)


def _arc(edges: Edges, poses: Floats, angles: Floats, size: float, further: float) -> Floats:
    """Edge along the mouth's ellipse, in pieces of three points, `further` diameters outwards."""
    width, mouth = poses[:, 3:4], poses[:, 4:5]
    c, s = np.cos(angles)[None], np.sin(angles)[None]
    nu, nv = c / np.maximum(mouth, 0.15), s + 0.0 * mouth
    length = np.hypot(nu, nv)
    nu, nv = nu / length, nv / length
    u = (size * mouth / 2.0 * c + further * nu) * width
    v = (size / 2.0 * s + further * nv) * width
    x, y = _placed(poses, u, v)
    cos, sin = np.cos(poses[:, 2:3]), np.sin(poses[:, 2:3])
    gradient = (
        _read(edges.x, x, y) * (nu * cos - nv * sin)[..., None]
        + _read(edges.y, x, y) * (nu * sin + nv * cos)[..., None]
    )
    pieces = [_steady(gradient[:, k : k + 3]) for k in range(0, len(angles), 3)]
    return np.asarray(np.mean(pieces, axis=0))


def _darkness(edges: Edges, poses: Floats) -> Floats:
    """How much darker the mouth is than the tube behind it."""
    width, mouth = poses[:, 3:4], poses[:, 4:5]
    radius = np.array([0.0] + [0.35] * 4 + [0.6] * 4)
    angle = np.radians([0, 0, 90, 180, 270, 45, 135, 225, 315])
    u = mouth * width / 2.0 * (radius * np.cos(angle))[None]
    v = width / 2.0 * (radius * np.sin(angle))[None]
    inside = _read(edges.picture, *_placed(poses, u, v)).mean(axis=(1, 2))
    along, across = _spots((-1.1, -0.45, 5), (-0.25, 0.25, 3))
    body = _read(edges.picture, *_placed(poses, along * width, across * width)).mean(axis=(1, 2))
    return np.asarray(np.clip((body - inside) / (body + 8.0), -0.3, 0.7))
