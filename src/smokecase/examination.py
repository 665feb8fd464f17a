"""Story 1: a clip becomes an `Examination`, in two walks through the file.

Walk 1 (`scene.py`) learns from a sample of frames what stays: the plate, the exposure's free
blocks, the pipe, the measuring section, the veil. Walk 2 measures every frame, one in memory at
a time.
"""

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import (
    BACK_LIT,
    COLOUR_OPEN,
    DETACHED_PLUME,
    EXIT_NOT_FOUND,
    EXPOSURE_UNCHECKED,
    MOVING_CAMERA,
    NO_CLEAN_PLATE,
    PLUME_LEAVES_PICTURE,
    PUFF_RATE_OPEN,
    SECTION_HIDDEN,
    SECTION_OUTSIDE,
    SHADOW,
    SHAKY,
    TOO_SHORT,
    VEIL_LIKE_PLATE,
    Doubt,
)
from smokecase.measured import Measured
from smokecase.optics.light import saturated, to_linear, to_srgb8
from smokecase.pair import examine_pair, examine_still
from smokecase.plume.backdrop_reading import (
    Backdrop,
    SectionByContrast,
    backdrop_from_box,
    find_backdrop,
    tell_backdrop,
)
from smokecase.plume.fuse import join_contrast
from smokecase.plume.kind import tell_colour
from smokecase.plume.measure import SectionReader
from smokecase.plume.plain_board import find_checker
from smokecase.plume.section import PipeExit
from smokecase.plume.smoke import SmokeFinder, SmokeMap
from smokecase.plume.timing import tell_timing
from smokecase.readings import (
    Examination,
    KeyFrame,
    SmokeColour,
    SmokeReading,
    SmokeTrace,
)
from smokecase.scene import Scene, grey, learn_scene
from smokecase.video.clip import Clip, Frame, open_clip
from smokecase.video.exposure import block_means, log_ratios
from smokecase.video.steady import fit_view_to, warp_to_plate

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Tell = Callable[[float, str], None]

BOARD_LONG_SIDE = 1920  # pixels of the picture that the backdrop is looked for in
U_LN_PAPER = 0.08  # of white taken from the printed sheet
U_TONE_GAIN = 0.12  # of ln gain: a tone curve moves light patches by less than dark ones
LAG_S = 0.4  # how long an encoder may lag behind the exposure
LIGHT_CHANGED = 0.04  # of a section without smoke, beyond which its light is not the plate's
SEED = 20_261_125  # same clip, same settings: same numbers out


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What may be set; an `Examination` keeps what was used."""

    whole_plume_hz: float = 10.0  # how often the whole plume is looked at; the section: every frame
    refuse_share: float = (
        0.5  # of the smoky frames without an answer, from which the clip is refused
    )
    refuse_u_pct: float = 15.0  # a reading with a wider standard uncertainty is no answer
    fewest_s: float = 2.0  # a shorter clip tells no story


def examine(  # noqa: PLR0913 - the door's options, each by name
    path: str | Path,
    *,
    exit_px: tuple[float, float] | None = None,
    diameter_px: float | None = None,
    plate: str | Path | None = None,
    plate_window_s: tuple[float, float] | None = None,
    from_s: float = 0.0,
    to_s: float = math.inf,
    board_px: tuple[float, float, float, float] | None = None,
    settings: Settings | None = None,
    tell: Tell | None = None,
) -> Examination:
    """Measure the smoke in a clip, a pair of stills or an animated picture.

    Parameters
    ----------
    path : str or Path
        The clip or picture.
    exit_px : tuple of float, optional
        Middle of the pipe's mouth, in pixels of the upright picture. Found if not given.
    diameter_px : float, optional
        The pipe's outer diameter there. [px]
    plate : str or Path, optional
        A still of the same view without smoke.
    plate_window_s : tuple of float, optional
        Start and end of a time without smoke. [s]
    from_s, to_s : float
        The part of the clip to measure. [s]
    board_px : tuple of float, optional
        Box x0, y0, x1, y1 of a plain board of light and dark patches behind the plume, in pixels
        of the upright picture. The printed backdrop is found by itself.
    settings : Settings, optional
    tell : callable, optional
        Called with progress (0 to 1) and words; may raise `Cancelled`.

    Returns
    -------
    Examination

    Raises
    ------
    ClipError
        If the file cannot be read.
    ValueError
        If the exit lies outside the picture, or the diameter is not above zero.
    """
    settings = settings or Settings()
    tell = tell or (lambda share, words: None)
    clip = open_clip(path)
    _check(clip, exit_px, diameter_px)
    rng = np.random.default_rng(SEED)
    if plate is not None:
        return examine_pair(
            path, plate, exit_px=exit_px, diameter_px=diameter_px, tell=tell, rng=rng
        )
    if clip.source == "still":
        return examine_still(clip)
    scene = learn_scene(
        clip,
        exit_px=clip.to_working(*exit_px) if exit_px else None,
        diameter_px=diameter_px * clip.scale if diameter_px else None,
        plate_window_s=plate_window_s,
        from_s=from_s,
        to_s=to_s,
        tell=tell,
        rng=rng,
    )
    backdrop = _find_backdrop(path, clip, scene, board_px, from_s)
    if backdrop is not None and backdrop.sheets:  # its paper is a better white than the scene
        scene = replace(scene, white=backdrop.white, u_ln_white=U_LN_PAPER)
    walk = _Walk(clip, scene, settings, rng, backdrop)
    first, last = from_s, min(to_s, clip.duration_s)
    for frame in clip.frames(from_s, to_s):
        walk.measure(frame)
        tell(0.8 + 0.2 * min(1.0, (frame.time_s - first) / max(last - first, 1e-6)), "measuring")
    return walk.finish(settings)


def _check(clip: Clip, exit_px: tuple[float, float] | None, diameter_px: float | None) -> None:
    if exit_px is not None and not (0 <= exit_px[0] < clip.width and 0 <= exit_px[1] < clip.height):
        msg = (
            f"exit_px must lie inside the picture of {clip.width} x {clip.height} pixels "
            f"(got {exit_px[0]:g}, {exit_px[1]:g})"
        )
        raise ValueError(msg)
    if diameter_px is not None and not diameter_px > 0:
        msg = f"diameter_px must be above zero (got {diameter_px:g})"
        raise ValueError(msg)


def _find_backdrop(
    path: str | Path,
    clip: Clip,
    scene: Scene,
    board_px: tuple[float, float, float, float] | None,
    from_s: float,
) -> Backdrop | None:
    """Find the board that the user marked, the printed backdrop, or a plain checker."""
    plate, clipped = scene.plate.light, scene.clipped
    if board_px is not None:
        x0, y0 = clip.to_working(*board_px[:2])
        x1, y1 = clip.to_working(*board_px[2:])
        return backdrop_from_box((x0, y0, x1, y1), plate, clipped)
    first = next(iter(open_clip(path, long_side=BOARD_LONG_SIDE).frames(from_s)), None)
    found = find_backdrop(first.codes, plate, clipped) if first is not None else None
    if found is None:
        checker = find_checker(plate)
        found = backdrop_from_box(checker, plate, clipped) if checker else None
    return found


class _Walk:
    """Walk 2: measures frame after frame."""

    def __init__(
        self,
        clip: Clip,
        scene: Scene,
        settings: Settings,
        rng: np.random.Generator,
        backdrop: Backdrop | None = None,
    ):
        self.clip, self.scene, self.settings = clip, scene, settings
        self.readings: list[SmokeReading] = []
        self.visible: list[bool] = []
        self.views: list[tuple[float, Picture, SmokeMap | None]] = []
        self.puff_ring: list[float] = []
        self.last_map: SmokeMap | None = None
        self.next_map_s = -math.inf
        self.maps = 0
        self.gains: list[tuple[float, Floats]] = []
        self.at_edge = 0
        self.reader: SectionReader | None = None
        self.finder: SmokeFinder | None = None
        self.contrast: SectionByContrast | None = None
        self.backdrop = backdrop
        pipe = scene.pipe
        if backdrop is not None and pipe is not None and scene.section is not None:
            self.contrast = SectionByContrast(
                scene.plate.light, backdrop, scene.section, _centre_line(pipe), scene.boxes[1:]
            )
        if scene.veil is not None:
            self.finder = SmokeFinder(
                scene.plate.light,
                scene.plate.u_light,
                scene.veil,
                pipe.exit_px if pipe else None,
                pipe.diameter_px if pipe else 0.0,  # type: ignore[arg-type]
                clip.scale,
            )
            if pipe is not None and scene.section is not None and scene.veil_here is not None:
                line = _centre_line(pipe)
                self.reader = SectionReader(
                    scene.plate.light, scene.plate.u_light, scene.veil_here, scene.boxes, line, rng
                )

    def measure(self, frame: Frame) -> None:
        """Measure one frame."""
        scene = self.scene
        doubts: set[Doubt] = set()
        light = to_linear(frame.codes, self.clip.transfer)
        blown = saturated(frame.codes)
        shake = 0.0
        if scene.landmarks is not None:
            view = fit_view_to(scene.landmarks, grey(frame.codes))
            light, _ = warp_to_plate(light, view)
            shake = 0.0 if math.isnan(view.shake_px) else view.shake_px / self.clip.scale
            if not view.trusted:
                doubts.add(SHAKY)
        gain, u_gain, checked = self._gain(frame.time_s, light)
        if not checked:
            doubts.add(EXPOSURE_UNCHECKED)
        light = (light / gain.astype(np.float32)).astype(np.float32)
        if self.finder is not None and frame.time_s >= self.next_map_s:
            self.last_map = self.finder.find(light)
            self.next_map_s = frame.time_s + 0.999 / self.settings.whole_plume_hz
            self.maps += 1
            self.at_edge += self.last_map.at_edge and self.last_map.visible
            self._keep_view(frame.time_s, light, self.last_map)
        elif self.finder is None and frame.time_s >= self.next_map_s:
            self.next_map_s = frame.time_s + 0.999 / self.settings.whole_plume_hz
            self._keep_view(frame.time_s, light, None)
        self.visible.append(self.last_map is not None and self.last_map.visible)
        u_contrast = np.hypot(u_gain, U_TONE_GAIN * np.abs(np.log(gain)))
        self.readings.append(
            self._reading(frame.time_s, light, blown, (u_gain, u_contrast), shake, doubts)
        )

    def _gain(self, time_s: float, light: Picture) -> tuple[Floats, Floats, bool]:
        ratios = log_ratios(block_means(light), self.scene.plate_blocks)[self.scene.free]
        ratios = ratios[~np.isnan(ratios).any(axis=-1)]
        if len(ratios) < 4:
            return np.ones(3), np.full(3, 0.05), False
        middle = np.median(ratios, axis=0)
        scatter = 1.4826 * np.median(np.abs(ratios - middle), axis=0)
        self.gains.append((time_s, middle))
        while time_s - self.gains[0][0] > LAG_S:
            self.gains.pop(0)
        # encoders leave still parts as they were while the exposure already moves on
        lag = 0.3 * np.abs(middle - self.gains[0][1])
        u = np.sqrt(scatter**2 / max(1.0, len(ratios) / 8.0) + 0.003**2 + lag**2)
        return np.exp(middle), u, True

    def _reading(
        self,
        time_s: float,
        light: Picture,
        blown: NDArray[np.bool_],
        u_gains: tuple[Floats, Floats],
        shake_px: float,
        doubts: set[Doubt],
    ) -> SmokeReading:
        smoke = self.last_map
        u_gain, u_contrast = u_gains
        values = None
        if self.reader is not None:
            values = self.reader.read(light, u_gain, blown | self.scene.clipped)
            doubts |= values.doubts
            if self.reader.inside < 0.9:
                doubts.add(SECTION_OUTSIDE)
        elif self.scene.pipe is None:
            doubts.add(EXIT_NOT_FOUND)
        if self.contrast is not None:
            seen = self.contrast.read(light, u_contrast, blown)
            values = join_contrast(values, seen)
            doubts = (doubts if values is None else doubts | values.doubts) | seen.doubts
        opacity = None
        if values is not None and math.isfinite(values.opacity_pct):
            opacity = Measured(
                value=values.opacity_pct,
                u=values.u_opacity_pct,
                unit="%",
                low=values.low_pct,
                high=math.inf if self.scene.open_above else values.high_pct,
            )
        elif self.reader is None and self.contrast is None and self.scene.pipe is not None:
            opacity, more = self._without_smoke(light)
            doubts |= more
        if self.scene.open_above:
            doubts.add(NO_CLEAN_PLATE)
        return SmokeReading(
            time_s=time_s,
            transmittance=values.transmittance if values else np.full(3, np.nan),
            u_transmittance=values.u_transmittance if values else np.full(3, np.nan),
            opacity=opacity,
            centre_line_pct=values.centre_line_pct if values else math.nan,
            plume_p95_pct=smoke.p95_pct if smoke else math.nan,
            area_px=smoke.area_px if smoke else 0.0,
            length_px=smoke.length_px if smoke else 0.0,
            shake_px=shake_px,
            doubts=frozenset(doubts),
        )

    def _without_smoke(self, light: Picture) -> tuple[Measured | None, set[Doubt]]:
        """Read a section where no smoke was found: clear air, or nothing where light changed."""
        x0, y0, x1, y1 = (round(v) for v in self.scene.section or (0, 0, 1, 1))
        cut = (slice(max(y0, 0), max(y1, 1)), slice(max(x0, 0), max(x1, 1)))
        plate, seen = self.scene.plate.light[cut], light[cut]
        if plate.size == 0:
            return None, {SECTION_OUTSIDE}
        change = np.abs(seen.mean(axis=(0, 1)) - plate.mean(axis=(0, 1))).max()
        if change > LIGHT_CHANGED * (plate.mean(axis=(0, 1)).max() + 0.02):
            return None, {SHADOW}
        return Measured(value=0.0, u=self.scene.u_clear_pct, unit="%"), set()

    def _keep_view(self, time_s: float, light: Picture, smoke: SmokeMap | None) -> None:
        """Keep few views, evenly spread, as candidates for key frames."""
        self.views.append((time_s, to_srgb8(light), smoke))  # type: ignore[arg-type]
        if len(self.views) > 60:
            self.views = self.views[::2]

    def finish(self, settings: Settings) -> Examination:
        """Put the readings together."""
        clip, scene = self.clip, self.scene
        trace = SmokeTrace.from_readings(self.readings)
        doubts = set(scene.doubts) | set(clip.doubts)
        visible = np.array(self.visible, bool)
        no_smoke = self._no_smoke(visible)
        colour = tell_colour(scene.veil, scene.white, scene.u_ln_white, no_smoke, scene.brightest)
        trace = self._coloured(trace, colour, visible)
        timing = tell_timing(trace.time_s, trace.opacity_pct, visible, None, [trace.opacity_pct])
        if visible.any():
            if colour.colour_open:
                doubts.add(COLOUR_OPEN)
            if colour.lighting == "back_lit":
                doubts.add(BACK_LIT)
            if self.at_edge > 0.2 * max(1, self.maps):
                doubts.add(PLUME_LEAVES_PICTURE)
            section = np.nanmedian(trace.opacity_pct[visible])
            plume = np.nanmedian(trace.plume_p95_pct[visible])
            if section < 0.35 * plume and timing.onset_s is not None:
                doubts.add(DETACHED_PLUME)
            if timing.puff_hz is None:
                doubts.add(PUFF_RATE_OPEN)
        duration = float(trace.time_s[-1] - trace.time_s[0]) if len(trace) > 1 else 0.0
        if duration < settings.fewest_s:
            doubts.add(TOO_SHORT)
        refused, trace = self._refusal(trace, visible, doubts, settings)
        for per_frame in trace.doubts:
            doubts |= per_frame & {VEIL_LIKE_PLATE, SECTION_HIDDEN}
        pipe, scale = scene.pipe, clip.scale
        return Examination(
            clip=clip.name,
            sha256=clip.sha256,
            source=clip.source,
            width=clip.width,
            height=clip.height,
            duration_s=clip.duration_s,
            frames=len(trace),
            lost_packets=clip.lost_packets,
            refused=refused,
            exit_px=clip.to_picture(*pipe.exit_px) if pipe and pipe.exit_px else None,
            u_exit_px=pipe.u_exit_px / scale if pipe else None,
            diameter_px=pipe.diameter_px / scale if pipe and pipe.diameter_px else None,
            u_diameter_px=pipe.u_diameter_px / scale if pipe else None,
            direction_deg=pipe.direction_deg if pipe else None,
            section_px=tuple(x / scale for x in scene.section) if scene.section else None,  # type: ignore[arg-type]
            trace=trace,
            timing=timing,
            colour=colour,
            doubts=frozenset(doubts),
            settings=asdict(settings)
            | tell_backdrop(self.backdrop, scale)
            | {
                "plate": scene.plate.origin,
                "plate_window_s": [scene.plate.from_s, scene.plate.to_s],
                "coding": clip.coding,
                "remarks": list(clip.remarks),
            },  # fmt: skip
            versions={"smokecase": version("smokecase"), "numpy": np.__version__},
            key_frames=self._key_frames(timing.peak_s),
        )

    def _no_smoke(self, visible: NDArray[np.bool_]) -> float:
        """Weight that the clip shows no smoke at all."""
        if self.scene.veil is None or not visible.any():
            return 1.0
        longest = visible.mean() * len(visible)
        return 0.0 if longest >= 5 else 0.5

    def _coloured(
        self, trace: SmokeTrace, colour: SmokeColour, visible: NDArray[np.bool_]
    ) -> SmokeTrace:
        weights = np.array([colour.black, colour.blue, colour.white, colour.none])
        rows = np.where(visible[:, None], weights, np.array([0.0, 0.0, 0.0, 1.0]))
        return replace(trace, colour=rows)

    def _refusal(
        self,
        trace: SmokeTrace,
        visible: NDArray[np.bool_],
        doubts: set[Doubt],
        settings: Settings,
    ) -> tuple[str | None, SmokeTrace]:
        """Why no opacity is given, and the trace without the readings that are none."""
        half = (trace.opacity_high_pct - trace.opacity_low_pct) / 3.92
        open_side = ~np.isfinite(half)
        wide = ~open_side & (half > settings.refuse_u_pct)
        blank = wide | ~np.isfinite(trace.opacity_pct)
        smoky = visible if visible.any() else np.ones(len(trace), bool)
        why: str | None = None
        if MOVING_CAMERA in doubts and SHAKY in doubts:
            why = SHAKY.words
        elif self.scene.pipe is None:
            why = EXIT_NOT_FOUND.words if visible.any() else None
        elif blank[smoky].mean() > settings.refuse_share:
            counts = Counter(d for i in np.nonzero(smoky & blank)[0] for d in trace.doubts[i])
            why = (counts.most_common(1)[0][0] if counts else VEIL_LIKE_PLATE).words
        if why is None and not wide.any():
            return None, trace
        gone = np.ones(len(trace), bool) if why else wide

        def without(column: Floats) -> Floats:
            return np.where(gone, np.nan, column)

        cause = frozenset({VEIL_LIKE_PLATE})
        return why, replace(
            trace,
            opacity_pct=without(trace.opacity_pct),
            opacity_low_pct=without(trace.opacity_low_pct),
            opacity_high_pct=without(trace.opacity_high_pct),
            centre_line_pct=without(trace.centre_line_pct),
            doubts=tuple(d | cause if gone[i] and not d else d for i, d in enumerate(trace.doubts)),
        )

    def _key_frames(self, peak_s: float | None) -> tuple[KeyFrame, ...]:
        """A clear view, the first smoke, the peak and what follows: at most eight pictures."""
        if not self.views:
            return ()
        smoky = [i for i, v in enumerate(self.views) if v[2] is not None and v[2].visible]
        chosen: dict[int, str] = {0: "first view"}
        if smoky:
            chosen[max(0, smoky[0] - 1)] = "before the smoke"
            chosen[smoky[0]] = "first smoke"
            densest = max(smoky, key=lambda i: self.views[i][2].p95_pct)  # type: ignore[union-attr]
            if peak_s is not None:
                densest = min(smoky, key=lambda i: abs(self.views[i][0] - peak_s))
            chosen[densest] = "densest"
        for share in (0.35, 0.6, 0.8, 1.0):
            chosen.setdefault(round(share * (len(self.views) - 1)), "")
        section = self.scene.section
        exit_px = self.scene.pipe.exit_px if self.scene.pipe else None
        frames = []
        for i in sorted(chosen)[:8]:
            time_s, picture, smoke = self.views[i]
            h, w = picture.shape[:2]
            plume = np.zeros((h, w), bool)
            if smoke is not None:
                rows = np.minimum(np.arange(h) // 2, smoke.mask.shape[0] - 1)
                columns = np.minimum(np.arange(w) // 2, smoke.mask.shape[1] - 1)
                plume = smoke.mask[rows][:, columns]
            frames.append(
                KeyFrame(
                    time_s=time_s,
                    what=chosen[i],
                    picture=picture,
                    plume=plume,  # type: ignore[arg-type]
                    section_px=section,
                    exit_px=exit_px,
                )  # fmt: skip
            )
        return tuple(frames)


def _centre_line(pipe: PipeExit) -> tuple[Floats, Floats]:
    """Points on the plume's centre line inside the section, in working pixels."""
    angle = math.radians(pipe.direction_deg)  # type: ignore[arg-type]  # a pipe with a section
    along = np.linspace(0.4, 1.5, 23) * pipe.diameter_px  # type: ignore[operator]
    return (
        pipe.exit_px[0] + along * math.cos(angle),  # type: ignore[index]
        pipe.exit_px[1] + along * math.sin(angle),  # type: ignore[index]
    )
