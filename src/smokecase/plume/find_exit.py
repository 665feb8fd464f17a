"""Finds the tailpipe's exit.

Smoke tells roughly where it comes from; the plate shows the pipe itself. Both are added up per
pose (place, direction, diameter), from many starting points, and what the runners-up say goes
into the uncertainty. A place or a diameter that the user gives is taken as it is.
"""

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import DIAMETER_UNCERTAIN, EXIT_NOT_FOUND, EXIT_UNCERTAIN, Doubt
from smokecase.plume.activity import Activity, Picture, find_origins, measure_activity
from smokecase.plume.mouth import find_mouths, mouth_score
from smokecase.plume.pipe import Edges, Floats, find_tubes, pipe_score, smoke_score
from smokecase.plume.section import Candidate, PipeExit

# scores of smoke and pipe, and with the mouth's: from either an exit is taken without a doubt, or
# claimed; place given: says more than nothing (renders of seeds 15000, 17000: examples/tried.md)
SURE, LEAST, LEAST_HERE = (2.2, 2.5), (2.0, 2.15), (1.68, 2.15)
MOUTH = 1.5  # weight of the mouth's score against the others'
LEAST_SMOKE = 0.35  # what may be a pipe, and nothing comes out of it, is not the exit
CLEAR_PIPE = 2.0  # scores of pipe and mouth together from which it is a pipe, smoke or none
SMOKE_ALONE = 0.92  # smoke that leaves one place so clearly needs no visible pipe
TEMPERATURE = 0.05  # difference of scores that takes a rival's weight to a third
RIVAL = 0.2  # weight of other places above which they are taken at their full distance
STARTS, STARTS_BY_MOUTH, MOST_MOUTHS = 10, 6, 40
MOUTHS = (0.15, 0.35, 0.55, 0.8)  # short axis over long one that a climb begins with
# radians; what a pipe's look must be better by than in any direction further off than that
FAR_TURN, CLEAR_LOOK = math.radians(40.0), 0.2
# smoke as plain as this there overrules it, where both together are better by as much
CLEAR_SMOKE = 0.8
# of a climb: poses kept, rounds, poses tried in each where the place is given and where it is not
POOL, ROUNDS, TRIES, TRIES_ANYWHERE = 12, 7, 120, 240
THREADS = 2
# of the fit itself, in diameters and degrees, from the spread on the practice clips and on renders
FLOOR_EXIT, FLOOR_DIAMETER, FLOOR_DEG = 0.05, 0.09, 3.0


def find_exit(
    frames_light: Sequence[Picture] | NDArray[np.float32],
    times_s: NDArray[np.float64],
    plate_light: Picture,
    *,
    exit_px: tuple[float, float] | None = None,
    diameter_px: float | None = None,
) -> PipeExit:
    """Find the pipe's exit, its diameter and the direction of the outflow.

    Parameters
    ----------
    frames_light : sequence of ndarray, each (h, w, 3)
        About 40 to 80 frames spread over the clip in order of time, steadied and
        exposure-corrected. Linear light.
    times_s : ndarray, shape (n,)
        Their times. [s]
    plate_light : ndarray, shape (h, w, 3)
        The view without smoke. Linear light.
    exit_px, diameter_px : optional
        What the user says; taken as it is. [px of the plate]

    Returns
    -------
    PipeExit
        With doubts where the exit or the diameter is known roughly or not at all.

    Raises
    ------
    ValueError
        If frames and times do not match, or `diameter_px` is not above zero.
    """
    if diameter_px is not None and not diameter_px > 0:
        msg = f"diameter_px must be above zero (got {diameter_px})"
        raise ValueError(msg)
    plate = np.asarray(plate_light, dtype=np.float32)
    scene = _Scene(
        edges=Edges.of(plate),
        activity=measure_activity(frames_light, times_s, plate),
        size_px=float(max(plate.shape[:2])),
        exit_px=exit_px,
        diameter_px=diameter_px,
    )
    starts = _starts_anywhere(scene) if exit_px is None else _starts_here(scene)
    fits = _fitted(scene, starts)
    if exit_px is not None:
        return _judged_here(scene, fits)
    return _judged(scene, fits)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Scene:
    edges: Edges
    activity: Activity
    size_px: float
    exit_px: tuple[float, float] | None
    diameter_px: float | None

    def score(self, poses: Floats) -> Floats:
        smoke = smoke_score(self.activity, poses)
        return np.asarray(pipe_score(self.edges, poses) + smoke + self.mouth(poses))

    def mouth(self, poses: Floats) -> Floats:
        """Score the mouth: it tells place and diameter, and nothing where both are given."""
        if self.exit_px is not None and self.diameter_px is not None:
            return np.zeros(len(poses))
        return MOUTH * mouth_score(self.edges, poses)

    def reaches(self, fit: Floats, bars: tuple[float, float]) -> bool:
        """Tell whether the score of a fit reaches the bar, without the mouth's or with it."""
        plain = fit[0] - float(self.mouth(fit[None, 1:])[0])
        return bool(plain >= bars[0] or fit[0] >= bars[1])


def _starts_anywhere(scene: _Scene) -> Floats:
    """Tube ends near the places that smoke seems to come from, and mouths anywhere."""
    origins = find_origins(scene.activity)
    mouths = find_mouths(scene.edges)
    if scene.diameter_px is not None:
        origins[:, 3] = mouths[:, 3] = scene.diameter_px
    with ThreadPoolExecutor(THREADS) as pool:
        found = list(pool.map(partial(find_tubes, scene.edges), origins))
    scored = np.concatenate([np.zeros((0, 6)), *found])
    scored = scored[np.argsort(-scored[:, 0])[:4000]]
    poses = scored[:, 1:]
    order = np.argsort(-(scored[:, 0] + smoke_score(scene.activity, poses)))
    if len(mouths):
        mouths = mouths[np.argsort(-scene.score(mouths))[:MOST_MOUTHS]]
    return np.vstack([_apart(poses[order], STARTS), _apart(mouths, STARTS_BY_MOUTH)])


def _starts_here(scene: _Scene) -> Floats:
    """All directions, and all diameters unless one is given, at the place the user gave."""
    directions = np.radians(np.arange(0.0, 360.0, 5.0))
    if scene.diameter_px is not None:
        widths = np.array([scene.diameter_px])
    else:
        widths = np.geomspace(0.012, 0.18, 18) * scene.size_px
    mouths = np.array([0.15, 0.4, 0.7])
    d, w, m = (g.ravel() for g in np.meshgrid(directions, widths, mouths))
    assert scene.exit_px is not None
    x, y = scene.exit_px
    poses = np.column_stack([np.full(len(d), x), np.full(len(d), y), d, w, m])
    poses = _as_the_pipe_points(scene, poses, directions)
    order = np.argsort(-scene.score(poses))
    return _apart(poses[order[:600]], STARTS)


def _as_the_pipe_points(scene: _Scene, poses: Floats, directions: Floats) -> Floats:
    """Leave only the directions that the pipe itself points in, where it is clearly seen.

    Smoke that is hard to see leaves the word to shadows, passers-by and heat, which are as likely
    before the car; a pipe that looks like one in one direction alone knows better. Smoke that is
    plain to see does not: a bracket or a slit before the mouth looks like a pipe that turns back.
    """
    looks = pipe_score(scene.edges, poses)
    each = np.array([looks[poses[:, 2] == d].max() for d in directions])
    best = float(directions[int(np.argmax(each))])
    turned = np.abs([_turn(float(d), best) for d in directions])
    if each.max() - each[turned > FAR_TURN].max() < CLEAR_LOOK:
        return poses
    ahead = np.isin(poses[:, 2], directions[turned <= FAR_TURN])
    smoke = smoke_score(scene.activity, poses)
    together = looks + smoke
    better = together[~ahead].max() - together[ahead].max()
    if smoke[~ahead].max() > CLEAR_SMOKE and better > CLEAR_LOOK:
        return poses
    return poses[ahead]


def _apart(poses: Floats, most: int) -> Floats:
    """Keep the first few of poses in order that differ in place, direction or diameter."""
    kept: list[Floats] = []
    for pose in poses:
        if all(
            math.hypot(pose[0] - k[0], pose[1] - k[1]) > 0.35 * min(pose[3], k[3])
            or abs(math.log(pose[3] / k[3])) > 0.2
            or abs(_turn(pose[2], k[2])) > 0.4
            for k in kept
        ):
            kept.append(pose)
        if len(kept) == most:
            break
    return np.array(kept).reshape(-1, 5)


def _turn(a: float | Floats, b: float | Floats) -> float:
    """Difference of two directions, -pi to pi."""
    return float((a - b + math.pi) % (2.0 * math.pi) - math.pi)


def _fitted(scene: _Scene, starts: Floats) -> Floats:
    """Climb from each start by a shrinking random search; shape (n, 6): score and pose."""
    rng = np.random.default_rng(0)  # the same clip gives the same exit
    tries = TRIES_ANYWHERE if scene.exit_px is None else TRIES
    # chance is drawn before, in order: the starts do not wait for one another
    drawn = [
        [(rng.integers(0, POOL if k else len(MOUTHS), tries), rng.normal(size=(tries, 5)))
         for k in range(ROUNDS)]
        for _ in starts
    ]  # fmt: skip
    with ThreadPoolExecutor(THREADS) as pool:
        ends = list(pool.map(partial(_climbed, scene), starts, drawn))
    fits = np.array(ends).reshape(-1, 6)
    return fits[np.argsort(-fits[:, 0])]


def _climbed(scene: _Scene, start: Floats, drawn: list[tuple[NDArray[np.intp], Floats]]) -> Floats:
    """Climb from one start with what was drawn for each round; score and pose."""
    step = np.array([0.2 * start[3], 0.12 * start[3], math.radians(5.0), 0.15 * start[3], 0.2])
    if scene.exit_px is not None:
        step[:2] = 0.0
    if scene.diameter_px is not None:
        step[3] = 0.0
    pool = np.repeat(start[None], len(MOUTHS), axis=0)
    pool[:, 4] = MOUTHS
    scores = scene.score(pool)
    for k, (which, chance) in enumerate(drawn):
        tried = pool[which] + chance * step * 0.62**k
        tried[:, 3] = np.clip(tried[:, 3], 0.5 * start[3], 2.0 * start[3])
        tried[:, 4] = np.clip(tried[:, 4], 0.05, 1.0)
        pool, scores = np.vstack([pool, tried]), np.r_[scores, scene.score(tried)]
        order = np.argsort(-scores)[:POOL]
        pool, scores = pool[order], scores[order]
    return np.asarray(np.r_[scores[0], pool[0]])


def _judged(scene: _Scene, fits: Floats) -> PipeExit:
    """Weigh the fits: which one, how sure, or none."""
    doubts: set[Doubt] = set()
    smoke = smoke_score(scene.activity, fits[:, 1:]) if len(fits) else np.zeros(0)
    pipes = fits[fits[:, 0] - smoke >= CLEAR_PIPE]
    fits = pipes if len(pipes) else fits[smoke > LEAST_SMOKE]
    if not len(fits) or not (len(pipes) or scene.reaches(fits[0], LEAST)):
        return _by_smoke_alone(scene, fits)
    best, weight = fits[0, 1:], np.exp((fits[:, 0] - fits[0, 0]) / TEMPERATURE)
    weight /= weight.sum()
    apart = np.hypot(fits[:, 1] - best[0], fits[:, 2] - best[1])
    here = apart < 0.7 * best[3]
    # the best place was the right one far more often than the scores alone would say: faint
    # rivals, however far away, do not move the section by more than a diameter
    far = apart if weight[~here].sum() > RIVAL else np.minimum(apart, best[3])
    u_exit = math.sqrt(float(weight @ far**2) / 2.0 + (FLOOR_EXIT * best[3]) ** 2)
    near = weight * here / (weight * here).sum()
    u_width = math.sqrt(float(near @ (fits[:, 4] - best[3]) ** 2) + (FLOOR_DIAMETER * best[3]) ** 2)
    turns = np.degrees([_turn(d, best[2]) for d in fits[:, 3]])
    u_turn = math.sqrt(float(near @ turns**2) + FLOOR_DEG**2)
    if not scene.reaches(fits[0], SURE):
        doubts.add(EXIT_UNCERTAIN)
        u_exit, u_width, u_turn = 2.0 * u_exit, 2.0 * u_width, 2.0 * u_turn
    if u_exit > 0.25 * best[3]:
        doubts.add(EXIT_UNCERTAIN)
    return _found(scene, fits, (u_exit, u_width, u_turn), doubts)


def _by_smoke_alone(scene: _Scene, fits: Floats) -> PipeExit:
    """Take the place that smoke clearly leaves where no pipe is seen; else say that none is."""
    origins = _agreed_origin(scene.activity)
    if not len(origins) or origins[0, 4] < SMOKE_ALONE:
        width = scene.diameter_px
        return PipeExit(
            exit_px=None,
            u_exit_px=math.inf,
            diameter_px=width,
            u_diameter_px=math.inf if width is None else 0.0,
            direction_deg=None,
            u_direction_deg=math.inf,
            candidates=_listed(fits),
            doubts=frozenset({EXIT_NOT_FOUND}),
        )
    x, y, direction, width, contrast = origins[0]
    if scene.diameter_px is not None:
        width = scene.diameter_px
    first = np.array([[contrast, x, y, direction, width, 0.5]])
    # the widths tried differ by half; where water begins to condense is no mouth
    unsure = (width, 0.5 * width, 20.0)
    return _found(scene, np.vstack([first, fits]), unsure, {EXIT_UNCERTAIN, DIAMETER_UNCERTAIN})


def _agreed_origin(activity: Activity) -> Floats:
    """Origins of smoke, where change against the plate and from frame to frame agree on the first.

    Light that drifts over the scene or someone who walks by fools one of them, seldom both alike.
    """
    none = np.zeros((0, *activity.maps.shape[1:]), np.float32)
    lasting = find_origins(replace(activity, flutter=none), most=1)
    moving = find_origins(replace(activity, maps=none), most=1)
    if not len(lasting) or not len(moving):
        return np.zeros((0, 5))
    apart = math.hypot(lasting[0, 0] - moving[0, 0], lasting[0, 1] - moving[0, 1])
    alike = abs(_turn(lasting[0, 2], moving[0, 2])) < math.radians(50.0)
    return lasting if alike and apart < max(lasting[0, 3], moving[0, 3]) else np.zeros((0, 5))


def _judged_here(scene: _Scene, fits: Floats) -> PipeExit:
    """Weigh directions and diameters at the place the user gave."""
    best = fits[0, 1:]
    weight = np.exp((fits[:, 0] - fits[0, 0]) / TEMPERATURE)
    weight /= weight.sum()
    turns = np.degrees([_turn(d, best[2]) for d in fits[:, 3]])
    u_width = math.sqrt(
        float(weight @ (fits[:, 4] - best[3]) ** 2) + (FLOOR_DIAMETER * best[3]) ** 2
    )
    u_turn = math.sqrt(float(weight @ turns**2) + FLOOR_DEG**2)
    doubts: set[Doubt] = set()
    if not scene.reaches(fits[0], LEAST_HERE):  # neither pipe nor smoke says much
        u_width, u_turn = 2.0 * u_width, max(2.0 * u_turn, 8.0)
        if smoke_score(scene.activity, fits[:1, 1:])[0] < LEAST_SMOKE:  # the pipe's look alone
            u_turn = max(u_turn, 60.0)
        if scene.diameter_px is None:
            doubts.add(DIAMETER_UNCERTAIN)
    return _found(scene, fits, (0.0, u_width, u_turn), doubts)


def _found(
    scene: _Scene, fits: Floats, unsure: tuple[float, float, float], doubts: set[Doubt]
) -> PipeExit:
    """Write the first fit down."""
    _, x, y, direction, width, _ = fits[0]
    u_exit, u_width, u_turn = unsure
    if scene.diameter_px is not None:
        u_width = 0.0
        doubts.discard(DIAMETER_UNCERTAIN)
    elif u_width > 0.2 * width:
        doubts.add(DIAMETER_UNCERTAIN)
    return PipeExit(
        exit_px=(float(x), float(y)) if scene.exit_px is None else scene.exit_px,
        u_exit_px=u_exit,
        diameter_px=float(width),
        u_diameter_px=u_width,
        direction_deg=math.degrees(_turn(direction, 0.0)),
        u_direction_deg=u_turn,
        candidates=_listed(fits),
        doubts=frozenset(doubts),
    )


def _listed(fits: Floats) -> tuple[Candidate, ...]:
    return tuple(
        Candidate(
            exit_px=(float(x), float(y)),
            diameter_px=float(width),
            direction_deg=math.degrees(_turn(direction, 0.0)),
            score=float(score),
        )
        for score, x, y, direction, width, _ in fits
    )
