"""The end of a tube in the plate: two parallel edges that stop at a mouth with smoke before it.

A pose is a row ``x, y, direction, diameter, mouth``: centre of the mouth and outer diameter in
pixels, direction of outflow in radians (0 right, pi/2 down), and the mouth's short axis over its
long one (0 seen from the side, 1 looked straight into). Arrays of poses have shape (n, 5).

`pipe_score` says how much the plate looks like a pipe with that pose, `smoke_score` how much the
change maps look like smoke that leaves it; both run from about 0 to 1 or 2 and are added, with what
the mouth alone says (`mouth.py`).
Their parts and weights are common sense, not fitted: an edge counts by how steady its sign is
along its length, which texture of leaves or gravel is not.
"""

import itertools
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.plume.activity import Activity, Picture, codes, loudest

Floats = NDArray[np.float64]

FAINT_CODES = 3.0  # an edge of this many codes per pixel counts half
ALONG = np.linspace(-1.3, -0.06, 20)  # where the tube's edges are looked at, in diameters
BEYOND = np.linspace(0.5, 1.6, 16)  # where they must have ended
# a tube has no further edge just outside its own: else an inner line (shading, the dark inside of
# the mouth) passes for the outer one
OUTSIDE = (0.57, 0.62)
RIM = np.radians(np.linspace(-80.0, 80.0, 18))
BACK = np.radians(np.linspace(110.0, 250.0, 15))
DETACHED = 0.75  # weight of smoke that begins away from the mouth
UNIT_PX = 14  # diameter to which the coarse search scales the picture
WIDTHS = [round(k * UNIT_PX) for k in np.geomspace(0.5, 2.0, 8)]  # that are tried
POSES_AT_ONCE = 256  # more would not stay in a processor's memory


def _spots(u: tuple[float, float, int], v: tuple[float, float, int]) -> Floats:
    along, across = np.meshgrid(np.linspace(*u), np.linspace(*v))
    return np.stack([along.ravel(), across.ravel()])


# where smoke is looked for, in diameters: ahead, further ahead, behind, left, right
AROUND = (
    _spots((0.15, 2.2, 9), (-0.42, 0.42, 5)),
    _spots((1.2, 3.2, 9), (-0.6, 0.6, 5)),
    _spots((-2.2, -0.6, 6), (-1.1, 1.1, 7)),
    _spots((-0.5, 0.3, 4), (-1.8, -0.95, 4)),
    _spots((-0.5, 0.3, 4), (0.95, 1.8, 4)),
)
_AROUND = np.concatenate(AROUND, axis=1).astype(np.float32)[:, :, None]  # (2, p, 1)
_AROUND_LENGTHS = tuple(spots.shape[1] for spots in AROUND)
# lines along the outflow, in diameters: where and how far across
_LINES = np.concatenate(
    [np.stack([ALONG, np.full(len(ALONG), side)]) for side in (-0.5, 0.5)]
    + [np.stack([BEYOND, np.full(len(BEYOND), side)]) for side in (-0.5, 0.5)]
    + [np.stack([ALONG, np.full(len(ALONG), s * k)]) for s in (-1, 1) for k in OUTSIDE],
    axis=1,
).astype(np.float32)[:, :, None]
# arcs of the mouth's ellipse: angle, size, diameters further out
_ARCS = np.concatenate(
    [
        np.stack([angles, np.full(len(angles), size), np.full(len(angles), further)])
        for angles, size, further in ((RIM, 1.0, 0.0), (RIM, 1.0, 0.07), (BACK, 0.9, 0.0))
    ],
    axis=1,
).astype(np.float32)[:, :, None]
_PIECE = 3  # points of an arc that are judged together
_EDGE_LENGTHS = (
    (len(ALONG),) * 2 + (len(BEYOND),) * 2 + (len(ALONG),) * 4
    + (_PIECE,) * (_ARCS.shape[1] // _PIECE)
)  # fmt: skip
_DARK = np.stack(  # inside the mouth: share of its radius, angle
    [[0.0] + [0.35] * 4 + [0.6] * 4, np.radians([0, 0, 90, 180, 270, 45, 135, 225, 315])]
).astype(np.float32)[:, :, None]
_BODY = _spots((-1.1, -0.45, 5), (-0.25, 0.25, 3)).astype(np.float32)[:, :, None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """A plate made ready for `pipe_score`."""

    picture: Picture  # (h, w, 3) codes, slightly blurred
    grey: Picture  # (h, w) mean of its channels
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
            grey=np.asarray(np.mean(soft, axis=-1), np.float32),
            x=np.asarray(x, np.float32),
            y=np.asarray(y, np.float32),
        )


def smoke_score(activity: Activity, poses: Floats) -> Floats:
    """Tell how much more changed ahead of each mouth than behind and beside it; (n,), at most 1."""
    parts = [
        _smoke_score(activity, poses[k : k + POSES_AT_ONCE])
        for k in range(0, len(poses), POSES_AT_ONCE)
    ]
    return np.concatenate(parts) if parts else np.zeros(0)


def _smoke_score(activity: Activity, poses: Floats) -> Floats:
    best = np.zeros(len(poses))
    if not activity.layers.size:
        return best
    each = poses.T.astype(np.float32)[:, None]
    read = activity.read(*placed(each, *(_AROUND * each[3])))  # (p, n, k)
    ahead, further, behind, left, right = _piecewise(read, _AROUND_LENGTHS)
    # condensed water begins to show some way off; that speaks less clearly for this mouth
    ahead = np.maximum(ahead, DETACHED * further)
    # smoke may drift back past one side of the pipe, so a side weighs a little less
    around = np.maximum(behind, 0.8 * np.maximum(left, right))
    contrast = (ahead - around - 0.1 * (behind + left + right)).T
    lasting = len(activity.maps)
    for family in (contrast[:lasting], contrast[lasting:]):
        if len(family):
            best = np.maximum(best, loudest(family))
    return best


def pipe_score(edges: Edges, poses: Floats) -> Floats:
    """Tell how much the plate looks like a pipe's end at each pose; (n,), about 0 to 2."""
    each = poses.T.astype(np.float32)[:, None]
    direction, width, mouth = each[2:]
    u, v = _LINES * width
    across = np.ones_like(u)
    angle, size, further = _ARCS
    c, s = np.cos(angle), np.sin(angle)
    out_u, out_v = c / np.maximum(mouth, 0.15), s + 0.0 * mouth
    length = np.hypot(out_u, out_v)
    out_u, out_v = out_u / length, out_v / length
    u = np.concatenate([u, (size * mouth / 2.0 * c + further * out_u) * width])
    v = np.concatenate([v, (size / 2.0 * s + further * out_v) * width])
    # the direction that each edge is looked at across
    normal_u = np.concatenate([0.0 * across, out_u])
    normal_v = np.concatenate([across, out_v])
    c, s = np.cos(direction), np.sin(direction)
    places = placed(each, u, v)
    gradient = read_at(edges.x, *places) * cv2.merge([normal_u * c - normal_v * s] * 3)
    gradient += read_at(edges.y, *places) * cv2.merge([normal_u * s + normal_v * c] * 3)
    steady = _steady(gradient)
    top, bottom = steady[0], steady[1]
    goes_on = np.maximum(steady[2], steady[3])
    outside = 0.5 * (np.maximum(steady[4], steady[5]) + np.maximum(steady[6], steady[7]))
    pieces = len(RIM) // _PIECE
    rim, beyond_rim, back = (
        part.mean(axis=0) for part in np.split(steady[8:], (pieces, 2 * pieces))
    )
    open_mouth = np.clip(mouth[0] / 0.25, 0.0, 1.0)
    score = (
        0.8 * np.minimum(top, bottom)
        + 0.2 * np.sqrt(top * bottom)
        - 0.5 * goes_on
        - 0.35 * outside
        + 0.4 * (rim - 0.6 * beyond_rim)
        + open_mouth * (0.25 * back + 0.5 * _darkness(edges, each))
    )
    return np.asarray(score, np.float64)


def find_tubes(edges: Edges, near: Floats) -> Floats:
    """Search tube ends round one coarse pose: shape (n, 6), a score and the pose of each."""
    x, y, direction, width = near[:4]
    scale = UNIT_PX / width
    reach = round(5.2 * UNIT_PX)
    soft = edges.picture
    if scale < 0.8:
        soft = np.asarray(cv2.GaussianBlur(soft, (0, 0), 0.35 / scale), np.float32)
    whole = np.ones(soft.shape[:2], np.float32)
    found = []
    for turn in np.radians(np.arange(-48.0, 49.0, 8.0)):
        c, s = np.cos(direction + turn), np.sin(direction + turn)
        matrix = np.array([[c, -s], [s, c]]) / scale
        patch_to_plate = np.column_stack([matrix, [x, y] - matrix @ [reach, reach]])
        for score, column, row, diameter in _ends_in_patch(soft, whole, patch_to_plate, reach):
            px, py = patch_to_plate @ [column, row, 1.0]
            found.append((score, px, py, direction + turn, diameter / scale, 0.5))
    return np.array(found) if found else np.zeros((0, 6))


def _ends_in_patch(
    soft: Picture, whole: Picture, patch_to_plate: Floats, reach: int
) -> list[tuple[float, int, int, int]]:
    """Score, column, row and diameter of tube ends that point along the patch's rows."""
    size = (2 * reach + 1,) * 2
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    edge = cv2.BORDER_REPLICATE
    warped = cv2.warpAffine(soft, patch_to_plate, size, flags=flags, borderMode=edge)
    patch = np.asarray(warped, dtype=np.float32)
    seen = np.asarray(cv2.warpAffine(whole, patch_to_plate, size, flags=flags))
    inside = int(2.4 * UNIT_PX)  # mouths are sought this near the middle, edges a radius further
    inner = slice(reach - inside, reach + inside + 1)
    rows_of_edges = slice(inner.start - UNIT_PX - 1, inner.stop + UNIT_PX + 1)
    across = np.zeros_like(patch)
    across[1:-1] = (patch[2:] - patch[:-2]) / 2.0
    runs = _Runs.of(across[rows_of_edges])
    bright = patch.mean(axis=2)
    off = seen[inner, inner] < 0.99
    found = []
    for wide in WIDTHS:
        long, gap, half = int(max(6, 1.3 * wide)), max(1, int(0.1 * wide)), wide // 2
        first = inner.start - long - gap
        start = inner.start + int(0.45 * wide)
        steady = runs.steady_edges(first, start + 2 * inside + 1, long)
        behind, beyond = (steady[:, k - first : k - first + 2 * inside + 1] for k in (first, start))
        upper, lower = (_inner_rows(behind, k) for k in (half, half - wide))
        ends = np.maximum(*(_inner_rows(beyond, k) for k in (half, half - wide)))
        mouth = cv2.blur(bright, (max(1, int(0.3 * wide)), max(1, int(0.5 * wide))))
        body, front, mouth = (
            mouth[inner, inner.start + k : inner.stop + k]
            for k in (-int(0.9 * wide), int(0.7 * wide), 0)
        )
        least = np.minimum(body, front)
        score = 0.75 * np.minimum(upper, lower) + 0.25 * np.sqrt(upper * lower) - 0.6 * ends
        score += 0.35 * np.clip((least - mouth) / (least + 8.0), -0.3, 1.0)
        score[off] = -1.0
        peak = (score >= cv2.dilate(score, np.ones((5, 5)))) & (score > 0.25)
        rows, columns = np.nonzero(peak)
        found += [
            (float(score[r, c]), int(c + inner.start), int(r + inner.start), wide)
            for r, c in zip(rows, columns, strict=True)
        ]
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """Running sums along the rows of a patch of edges."""

    sums: Picture  # (3, h, w + 1)
    power: Floats  # (h, w + 1) of squares over all channels

    @classmethod
    def of(cls, across: Picture) -> "_Runs":
        channels = np.moveaxis(across, -1, 0)  # first: sums run along the rows then
        sums = np.cumsum(np.pad(channels, ((0, 0), (0, 0), (1, 0))), axis=2, dtype=np.float32)
        squares = np.einsum("khw,khw->hw", channels, channels)
        return cls(sums, np.cumsum(np.pad(squares, ((0, 0), (1, 0))), axis=1, dtype=np.float64))

    def steady_edges(self, first: int, stop: int, long: int) -> Picture:
        """How steady and strong the edge is along each row, for runs that start at each column.

        Runs of `long` columns; what lies outside the patch does not count.
        """
        last = self.power.shape[1] - 1
        starts = np.clip(np.arange(first, stop), 0, last)
        ends = np.clip(np.arange(first, stop) + long, 0, last)
        count = np.maximum(ends - starts, 1).astype(np.float32)
        means = (self.sums.take(ends, axis=2) - self.sums.take(starts, axis=2)) / count
        mean = np.sqrt(np.einsum("khw,khw->hw", means, means))
        all_of_it = (self.power.take(ends, axis=1) - self.power.take(starts, axis=1)) / count
        root = np.sqrt(np.maximum(all_of_it, 0.0).astype(np.float32))
        steady = mean / (root + 1e-3) * mean / (mean + FAINT_CODES)
        return np.asarray(cv2.dilate(steady, np.ones((3, 1))), np.float32)


def _inner_rows(rows: Picture, down: int) -> Picture:
    """Rows without the margin that edges may lie in, of a picture moved down."""
    return rows[UNIT_PX + 1 - down : len(rows) - UNIT_PX - 1 - down]


def placed(each: Picture, u: Picture, v: Picture) -> tuple[Picture, Picture]:
    """Picture x, y of points u along and v across the outflow, in pixels; shape (p, n).

    The poses' columns come first in `each`, shape (5, 1, n).
    """
    x, y, direction = each[:3]
    c, s = np.cos(direction), np.sin(direction)
    return x + u * c - v * s, y + u * s + v * c


def read_at(picture: Picture, x: Picture, y: Picture) -> Picture:
    """Read a picture (h, w) or (h, w, 3) between its pixels; as x and y, with channels last."""
    read = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(read, np.float32)


def _steady(gradient: Picture) -> Picture:
    """Steadiness times strength of the pieces of edges sampled in (p, n, 3); shape (k, n)."""
    means = _piecewise(gradient, _EDGE_LENGTHS)
    mean = np.sqrt(np.einsum("knc,knc->kn", means, means))
    squares = np.einsum("pnc,pnc->pn", gradient, gradient)
    all_of_it = np.sqrt(_piecewise(squares, _EDGE_LENGTHS))
    return np.asarray(mean / (all_of_it + 1e-3) * mean / (mean + FAINT_CODES), np.float32)


def _piecewise(points: Picture, lengths: tuple[int, ...]) -> Picture:
    """Means of pieces of so many points along the first axis, shape (k, ...)."""
    flat = points.reshape(len(points), -1)
    sums = np.add.reduceat(flat, [0, *itertools.accumulate(lengths[:-1])], axis=0)
    sums /= np.array(lengths, np.float32)[:, None]
    return np.asarray(sums.reshape(len(lengths), *points.shape[1:]))


def _darkness(edges: Edges, each: Picture) -> Picture:
    """How much darker the mouth is than the tube behind it; shape (n,)."""
    width, mouth = each[3:]
    radius, angle = _DARK
    u, v = mouth * width / 2.0 * radius * np.cos(angle), width / 2.0 * radius * np.sin(angle)
    inside = read_at(edges.grey, *placed(each, u, v)).mean(axis=0)
    body = read_at(edges.grey, *placed(each, *(_BODY * width))).mean(axis=0)
    return np.asarray(np.clip((body - inside) / (body + 8.0), -0.3, 0.7))
