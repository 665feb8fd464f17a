"""Learns the veil of a scene's smoke from the windows that the smoke reached."""

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.optics.spectrum import channel_powers
from smokecase.optics.veil import Veil, depth_by_veil, fit_veil, window_cost
from smokecase.plume.cone import outflow_cone
from smokecase.plume.section import PipeExit
from smokecase.plume.windows import (
    LEAK_SIGMA,
    LUMA,
    PlateTexture,
    Windows,
    blur,
    blurred_small,
    join,
    spread_out,
)

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Tell = Callable[[float, str], None]

MEMBERS = 24  # of the veil's ensemble
GREY_WORLD = 0.2  # mean reflectance of yards, cars, hedges, walls (common practice, no source)
U_LN_WHITE = 0.55
CHANGED_WINDOW = 0.05  # relative change of brightness that makes a window a candidate for smoke
FADED, FADED_SIGMAS = 0.05, 2.5  # loss of texture that does
THREADS = 2
MOST_FRAMES = 32  # they give thirty times the windows that are fitted
FEWEST_TOLD = 16  # windows that must show either
CEILING, MOST_BLOWN = 0.95, 0.04  # linear light of a blown-out pixel; share of them in a window
FEWEST_CLEAR = 40  # windows of clear air before they set the scale of texture
FOREIGN_COST = 10.0  # half squared misfit at which a window counts half: no smoke does that
NEAR_DIAMETERS = 6.0  # windows further from the section than this count half and less


def guess_white(plate: Picture) -> Floats:
    """Guess the light of a white card from the scene, shape (3,).

    Yards, cars, hedges and walls reflect about a fifth, within a factor of two. Cameras balance
    white to equal channels, so the tint is taken as neutral. Both guesses carry wide doubts.
    """
    luma = plate @ LUMA
    level = max(float(luma.mean()) / GREY_WORLD, float(np.percentile(luma, 98)))
    return np.full(3, max(level, 0.02))


def brightest_luma(plate: Picture) -> float:
    """Luma that only the brightest fiftieth of the plate exceeds."""
    return max(float(np.percentile(plate @ LUMA, 98)), 0.01)


def learn_veil(  # noqa: PLR0913 - walk 1's findings
    lights: Sequence[Picture],
    late: list[int],
    plate: Picture,
    pipe: PipeExit,
    section: tuple[float, float, float, float] | None,
    white: Floats,
    rng: np.random.Generator,
    tell: Tell,
    *,
    compression: float = 1.0,
    gains: Floats | None = None,
    u_gain: float = 0.0,
) -> tuple[Veil | None, Windows | None]:
    """Fit the veil to windows of changed pixels in the pipe's cone.

    Parameters
    ----------
    lights : list of ndarray, shape (h, w, 3)
        Frames on the plate, exposure taken out.
    late : list of int
        Those that may show smoke.
    plate : ndarray, shape (h, w, 3)
    pipe : PipeExit
        Where smoke is looked for first; without an exit, everywhere.
    section : tuple or None
        Windows near it count most.
    white : ndarray, shape (3,)
    rng : numpy.random.Generator
    tell : callable
    compression : float
        How far compression must be reckoned with: 1 for a clip, near 0 for a lossless picture.
    gains : ndarray, shape (n, 3), optional
        Exposure that was taken out of each frame, to know where it was blown out.
    u_gain : float
        Standard uncertainty of its logarithm that all windows share.

    Returns
    -------
    Veil or None, Windows or None
        None where too little changed to fit anything.
    """
    if len(late) > MOST_FRAMES:
        late = [late[k] for k in np.linspace(0, len(late) - 1, MOST_FRAMES).round().astype(int)]
    texture = PlateTexture(plate, compression)
    cone = outflow_cone(plate.shape[:2], pipe)
    with ThreadPoolExecutor(THREADS) as pool:  # frames do not wait for one another
        sound = list(
            pool.map(lambda i: _unclipped(lights[i], None if gains is None else gains[i]), late)
        )
        cuts = list(
            pool.map(lambda i, whole: texture.cut(lights[i], whole, i, None, None), late, sound)
        )
    touched = _touched(cuts, cone, texture.stride)
    if touched is None:
        return None, None
    kept = _kept_texture(cuts, touched)
    floor = _blown_out((lights[i] for i in late), sound, cone, texture)
    centre = np.array([0.0, 0.0])
    near = np.inf
    if section is not None and pipe.diameter_px is not None:
        centre = np.array([(section[0] + section[2]) / 2, (section[1] + section[3]) / 2])
        near = NEAR_DIAMETERS * pipe.diameter_px
    veil: Veil | None = None
    smoky = [cut.pick(_lie_in(touched, cut)) for cut in cuts]
    for turn in range(2):
        if veil is not None:
            at_veil = _Model(texture, veil)

            def cut_anew(i: int, whole: NDArray[np.bool_], at_veil: _Model = at_veil) -> Windows:
                light = lights[i]
                return texture.cut(light, touched & whole, i, *at_veil.of(light))

            with ThreadPoolExecutor(THREADS) as pool:
                smoky = list(pool.map(cut_anew, late, sound))
        windows = join(smoky)
        windows = replace(windows, slope=windows.slope / kept, u_slope=windows.u_slope / kept)
        tell(0.65 + 0.15 * turn, "learning the colour of the smoke")
        trust = _trust(windows, centre, near, veil)
        found = _fit(windows, trust, white, MEMBERS if turn else 1, rng, floor, u_gain)
        if found is None:
            return None, None
        veil = found
    return veil, windows


def _trust(windows: Windows, centre: Floats, near: float, veil: Veil | None) -> Floats:
    """How much each window counts, 0 to 1: those near the section, and those the veil explains.

    Legs, a cat or a lamp in the cone differ from any smoke by many standard uncertainties. Were
    they left in, the whole model would seem to be in doubt, and the prior would decide.
    """
    away = np.hypot(windows.x - centre[0], windows.y - centre[1])
    trust = 1.0 / (1.0 + (away / near) ** 2)
    if veil is None:
        return np.asarray(trust)
    return np.asarray(trust / (1.0 + (window_cost(windows, veil, 1.0) / FOREIGN_COST) ** 2))


def _fit(  # noqa: PLR0913 - one call, by place
    windows: Windows,
    trust: Floats,
    white: Floats,
    members: int,
    rng: np.random.Generator,
    floor: Floats,
    u_gain: float,
) -> Veil | None:
    columns: dict[str, Any] = {
        k: getattr(windows, k) for k in ("light", "plate", "slope", "u_slope", "u_common", "share")
    }
    place = np.column_stack([windows.x, windows.y, windows.frame])
    return fit_veil(
        **columns, place=place, trust=trust, white=white, u_white=U_LN_WHITE,
        floor=floor, u_gain=u_gain, members=members, rng=rng,
    )  # fmt: skip


class _Model:
    """Light of frames at one veil, without their own structure."""

    def __init__(self, texture: PlateTexture, veil: Veil) -> None:
        self.plate, self.reach = texture.plate, LEAK_SIGMA * texture.size
        self.veil, self.slope = veil.light.astype(np.float32), veil.slope
        self.away = self.plate - self.veil
        self.below = blurred_small(self.away * self.away, self.reach)
        self.powers = channel_powers(veil.slope).astype(np.float32)

    def of(self, light: Picture) -> tuple[NDArray[np.float32], Picture]:
        """Smooth luma transmittance of a frame (h, w) and its model light (h, w, 3)."""
        top = blurred_small((light - self.veil) * self.away, self.reach)
        depth = depth_by_veil(top, self.below, self.slope).astype(np.float32)
        through = spread_out(np.exp(-depth[..., None] * self.powers), light.shape)
        return (through @ LUMA), through * self.away + self.veil


def _touched(cuts: list[Windows], cone: NDArray[np.bool_], stride: int) -> NDArray[np.bool_] | None:
    """Places in the cone that smoke may have reached in some frame; None where there are none.

    White smoke before a white wall changes nothing in brightness, so a place counts as well where
    its texture fades. Places are chosen over all frames together, for choosing windows one by one
    by their slope would prefer those whose noise points down.
    """
    touched = np.zeros(cone.shape, bool)
    places: set[tuple[int, int]] = set()
    found = 0
    for windows in cuts:
        if not len(windows):
            continue
        change = np.abs(windows.light - windows.plate).max(axis=1)
        change /= windows.plate.max(axis=1) + 0.02
        best = np.argmin(windows.u_slope, axis=1)[:, None]
        slope = np.take_along_axis(windows.slope, best, axis=1)[:, 0]
        u = np.take_along_axis(windows.u_slope, best, axis=1)[:, 0]
        x, y = windows.x.astype(int), windows.y.astype(int)
        inside = cone[np.minimum(y, cone.shape[0] - 1), np.minimum(x, cone.shape[1] - 1)]
        told = (change > CHANGED_WINDOW) | (slope < 1.0 - FADED - FADED_SIGMAS * u)
        told &= inside
        found += int(told.sum())
        places |= set(zip(x[told].tolist(), y[told].tolist(), strict=True))
    half = stride // 2
    for at_x, at_y in places:
        touched[at_y - half : at_y + half, at_x - half : at_x + half] = True
    return touched & cone if found >= FEWEST_TOLD else None


def _lie_in(places: NDArray[np.bool_], windows: Windows) -> NDArray[np.bool_]:
    """Which windows have their centre in these places, shape (n,)."""
    y = np.minimum(windows.y.astype(int), places.shape[0] - 1)
    x = np.minimum(windows.x.astype(int), places.shape[1] - 1)
    return np.asarray(places[y, x])


def _unclipped(light: Picture, gain: Floats | None) -> NDArray[np.bool_]:
    """Places whose surroundings are not blown out: a cut-off veil would pass for a darker one."""
    ceiling = (CEILING / (np.ones(3) if gain is None else gain)).astype(np.float32)
    red, green, blue = (light[..., c] >= ceiling[c] for c in range(3))
    blown: Picture = np.asarray(red | green | blue, np.float32)
    return np.asarray(blur(blown, 9.0) < MOST_BLOWN)


def _blown_out(
    lights: Iterable[Picture],
    sound: list[NDArray[np.bool_]],
    cone: NDArray[np.bool_],
    texture: PlateTexture,
) -> Floats:
    """Light of smoke that is blown out, shape (3,); 0 where none is.

    Such windows are no measure of the veil, but they say that it is at least so bright.
    """
    grid = (slice(texture.stride // 2, None, texture.stride),) * 2
    clear = texture.mean[grid]
    parts = []
    for light, whole in zip(lights, sound, strict=True):
        cut_off = ~whole[grid] & cone[grid]
        if cut_off.any():
            seen = texture.means_at_grid(light)
            parts.append(seen[cut_off & ((seen - clear).min(axis=-1) > CHANGED_WINDOW)])
    blown = np.concatenate(parts) if parts else np.zeros((0, 3))
    if len(blown) < FEWEST_TOLD:
        return np.zeros(3)
    return np.asarray(np.percentile(blown, 90, axis=0), np.float64)


def _kept_texture(cuts: list[Windows], touched: NDArray[np.bool_]) -> Floats:
    """Texture that the camera keeps per band where there is no smoke, shape (b,).

    The plate is a mean of frames and smoother in time than they are, noise reduction works
    differently from moment to moment: slopes are a little off even in clear air. What they are
    there is what they are measured against.
    """
    parts = []
    for windows in cuts:
        if not len(windows):
            continue
        change = np.abs(windows.light - windows.plate).max(axis=1)
        change /= windows.plate.max(axis=1) + 0.02
        parts.append(windows.pick(~_lie_in(touched, windows) & (change < CHANGED_WINDOW / 2.0)))
    kept = np.ones(3)
    if not parts:
        return kept
    clear = join(parts)
    for band in range(clear.slope.shape[1]):
        known = clear.u_slope[:, band] < 0.12
        if known.sum() >= FEWEST_CLEAR:
            kept[band] = np.clip(np.median(clear.slope[known, band]), 0.85, 1.1)
    return kept
