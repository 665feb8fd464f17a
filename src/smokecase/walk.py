"""Walk 2: measures every frame of a clip, one in memory at a time."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smokecase.doubts import (
    EXIT_NOT_FOUND,
    EXPOSURE_UNCHECKED,
    NO_CLEAN_PLATE,
    NO_TEXTURE,
    SATURATED,
    SECTION_OUTSIDE,
    SHADOW,
    SHAKY,
    TOO_DARK,
    Doubt,
)
from smokecase.measured import Measured
from smokecase.optics.light import saturated, to_linear, to_srgb8
from smokecase.plume.backdrop import Backdrop
from smokecase.plume.backdrop_reading import SectionByContrast
from smokecase.plume.fuse import join_contrast
from smokecase.plume.measure import DARK_LIGHT, MOST_SATURATED, SectionReader
from smokecase.plume.outline import outline_plume
from smokecase.plume.passing import beside_outflow
from smokecase.plume.puffs import Mouth
from smokecase.plume.section import PipeExit
from smokecase.plume.smoke import SmokeFinder, SmokeMap
from smokecase.readings import PlumeOutline
from smokecase.scene import Scene
from smokecase.trace import SmokeReading
from smokecase.video.clip import Clip, Frame
from smokecase.video.exposure import BLOCK_PX, block_means, log_ratios, taken_out, uneven
from smokecase.video.landmarks import grey
from smokecase.video.lay import lay_on_plate, whole_blocks
from smokecase.video.steady import fit_view_to
from smokecase.video.view import Cut, View, warp_mask

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

U_TONE_GAIN = 0.12  # of ln gain: a tone curve moves light patches by less than dark ones
LAG_S = 0.4  # how long an encoder may lag behind the exposure
LIGHT_CHANGED = 0.04  # of a section without smoke, beyond which its light is not the plate's
MOST_VIEWS = 60
MOST_UNSEEN = 0.1  # of the section, beyond which a frame that was moved does not tell it


@dataclass(frozen=True, slots=True, eq=False)
class SeenView:
    """A picture kept as a candidate for showing."""

    time_s: float
    picture: NDArray[np.uint8]  # (h, w, 3) sRGB, working size
    smoke: SmokeMap | None


@dataclass(frozen=True, slots=True, eq=False)
class LaidFrame:
    """A frame laid on the plate."""

    time_s: float
    light: Picture  # (h, w, 3)
    blown: NDArray[np.bool_]  # (h, w) of the plate's pixels, those blown out in this frame
    view: View | None  # None: the camera stands still
    seen: NDArray[np.bool_] | None  # (h, w) what of the plate it saw; None: all


@dataclass(frozen=True, slots=True, eq=False)
class SeenFrame:
    """A frame on the plate, its exposure, and the whole plume about that time."""

    time_s: float
    light: Picture  # (h, w, 3) as filmed
    blown: NDArray[np.bool_]  # (h, w) of the plate's pixels, those blown out in this frame
    seen: NDArray[np.bool_] | None  # (h, w) what of the plate it saw; None: all
    gain: Floats  # (3,) of the exposure
    u_gain: Floats  # (3,) relative standard uncertainty of the exposure
    u_contrast: Floats  # (3,) the same for contrasts
    shake_px: float  # of the full-size picture
    smoke: SmokeMap | None
    doubts: set[Doubt]

    def evened(self, cut: Cut) -> Picture:
        """Light of a part with its exposure taken out."""
        return taken_out(self.light[cut], self.gain)

    def unseen(self, cut: Cut) -> float:
        """Share of a part that this frame did not see."""
        return 0.0 if self.seen is None else 1.0 - float(self.seen[cut].mean())


class Walk:
    """Walk 2: measures frame after frame."""

    def __init__(
        self,
        clip: Clip,
        scene: Scene,
        whole_plume_hz: float,
        rng: np.random.Generator,
        backdrop: Backdrop | None = None,
    ):
        self.clip, self.scene, self.whole_plume_hz = clip, scene, whole_plume_hz
        self.readings: list[SmokeReading] = []
        self.visible: list[bool] = []
        self.views: list[SeenView] = []
        self.outlines: list[PlumeOutline] = []
        self.looks, self.every = 0, 1  # views offered, and each how manieth is kept
        self.last_map: SmokeMap | None = None
        self.last_view: View | None = None  # that a frame was surely laid by
        self.next_map_s = -math.inf
        self.maps = 0
        self.gains: list[tuple[float, Floats]] = []
        self.at_edge = 0
        self.beside: list[tuple[float, float]] = []  # what changed beside the outflow, per frame
        self.reader: SectionReader | None = None
        self.finder: SmokeFinder | None = None
        self.contrast: SectionByContrast | None = None
        self.backdrop = backdrop
        pipe = scene.pipe
        blocks = scene.plate_blocks.shape[:2]
        self.outside = beside_outflow(blocks, pipe, scene.section, BLOCK_PX) if pipe else None
        self.mouth = Mouth(scene.plate.light, pipe) if pipe else None
        self.at_mouth: list[Floats] = []  # what it read, per frame
        if backdrop is not None and pipe is not None and scene.section is not None:
            self.contrast = SectionByContrast(
                scene.plate.light, backdrop, scene.section, centre_line(pipe), scene.boxes[1:]
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
                line = centre_line(pipe)
                self.reader = SectionReader(
                    scene.plate.light, scene.plate.u_light, scene.veil_here, scene.boxes, line, rng
                )

    def lay(self, frame: Frame) -> LaidFrame:
        """Lay one frame on the plate; in order of time."""
        light = to_linear(frame.codes, self.clip.transfer)
        if self.scene.landmarks is None:
            return LaidFrame(frame.time_s, light, saturated(frame.codes), None, None)
        view = fit_view_to(self.scene.landmarks, grey(frame.codes), before=self.last_view)
        if view.trusted:
            self.last_view = view
        light, seen = lay_on_plate(light, view, self.scene.plate.light, fine=self.scene.fine)
        blown = warp_mask(saturated(frame.codes), view)
        return LaidFrame(frame.time_s, light, blown, view, seen)

    def look(self, frame: LaidFrame) -> SeenFrame:
        """Take the exposure out and look at the whole plume; in order of time."""
        doubts: set[Doubt] = set()
        view = frame.view
        shake, to_plate = 0.0, None
        if view is not None:
            to_plate = view.to_plate
            shake = 0.0 if math.isnan(view.shake_px) else view.shake_px / self.clip.scale
            if not view.trusted:
                doubts.add(SHAKY)
        blocks = block_means(frame.light)
        gain, u_gain, checked = self._gain(frame.time_s, blocks, frame.seen)
        if self.outside is not None:
            evened = (blocks / gain).astype(np.float32)
            self.beside.append(self.outside.changed(evened, self.scene.plate_blocks))
        if self.mouth is not None:
            self.at_mouth.append(self.mouth.read(frame.light, gain))
        if not checked:
            doubts.add(EXPOSURE_UNCHECKED)
        if frame.time_s >= self.next_map_s:
            self.next_map_s = frame.time_s + 0.999 / self.whole_plume_hz
            light = taken_out(frame.light, gain)
            if self.finder is not None:
                self.last_map = self.finder.find(light)
                self.maps += 1
                self.at_edge += self.last_map.at_edge and self.last_map.visible
                shapes = outline_plume(self.last_map.mask, to_plate, self.clip.scale)
                self.outlines.append(PlumeOutline(time_s=frame.time_s, shapes=shapes))
            self._keep_view(frame.time_s, light, self.last_map)
        self.visible.append(self.last_map is not None and self.last_map.visible)
        u_contrast = np.hypot(u_gain, U_TONE_GAIN * np.abs(np.log(gain)))
        return SeenFrame(
            frame.time_s, frame.light, frame.blown, frame.seen, gain, u_gain, u_contrast, shake,
            self.last_map, doubts,
        )  # fmt: skip

    def read(self, frame: SeenFrame) -> None:
        """Read the section of one frame; in order of time."""
        self.readings.append(self._reading(frame))

    def _gain(
        self, time_s: float, blocks: Picture, seen: NDArray[np.bool_] | None
    ) -> tuple[Floats, Floats, bool]:
        everywhere = log_ratios(blocks, self.scene.plate_blocks)
        if seen is not None:  # what was filled in agrees with anything
            everywhere[~whole_blocks(seen)] = np.nan
        ratios = everywhere[self.scene.free]
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
        patchy = uneven(everywhere, self.scene.free)
        u = np.sqrt(scatter**2 / max(1.0, len(ratios) / 8.0) + 0.003**2 + lag**2 + patchy**2)
        return np.exp(middle), u, True

    def _reading(self, frame: SeenFrame) -> SmokeReading:
        smoke, doubts = frame.smoke, set(frame.doubts)
        values = None
        left = self._left_view(frame)
        if left:
            doubts.add(SECTION_OUTSIDE)
        elif self.reader is not None:
            cut = self.reader.cut
            blown = frame.blown[cut] | self.scene.clipped[cut]
            values = self.reader.read_part(frame.evened(cut), frame.u_gain, blown)
            doubts |= values.doubts
            if self.reader.inside < 0.9:
                doubts.add(SECTION_OUTSIDE)
        elif self.scene.pipe is None:
            doubts.add(EXIT_NOT_FOUND)
        if self.contrast is not None and not left:
            seen = self.contrast.read(
                taken_out(frame.light, frame.gain), frame.u_contrast, frame.blown
            )
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
        elif not (left or self.reader or self.contrast) and self.scene.pipe is not None:
            opacity, more = self._without_smoke(frame)
            doubts |= more
        if self.scene.open_above:
            doubts.add(NO_CLEAN_PLATE)
        if opacity is None:  # what was not read leaves no other number behind
            values = None
        return SmokeReading(
            time_s=frame.time_s,
            transmittance=values.transmittance if values else np.full(3, np.nan),
            u_transmittance=values.u_transmittance if values else np.full(3, np.nan),
            opacity=opacity,
            centre_line_pct=values.centre_line_pct if values else math.nan,
            plume_p95_pct=smoke.p95_pct if smoke else math.nan,
            area_px=smoke.area_px if smoke else 0.0,
            length_px=smoke.length_px if smoke else 0.0,
            shake_px=frame.shake_px,
            doubts=frozenset(doubts),
        )

    def _left_view(self, frame: SeenFrame) -> bool:
        """Tell whether the camera moved so far that it did not see the section."""
        box = self.scene.section
        return box is not None and frame.unseen(_cut_of(box)) > MOST_UNSEEN

    def _without_smoke(self, frame: SeenFrame) -> tuple[Measured | None, set[Doubt]]:
        """Read a section where no smoke was found: clear air, or nothing where light changed."""
        cut = _cut_of(self.scene.section or (0.0, 0.0, 1.0, 1.0))
        plate = self.scene.plate.light[cut]
        if plate.size == 0:
            return None, {SECTION_OUTSIDE}
        blown = float((frame.blown[cut] | self.scene.clipped[cut]).mean())
        if blown > MOST_SATURATED:
            return None, {SATURATED}
        seen = frame.evened(cut)
        if max(float(np.median(seen)), float(np.median(plate))) < DARK_LIGHT:
            return None, {TOO_DARK}
        change = np.abs(seen.mean(axis=(0, 1)) - plate.mean(axis=(0, 1))).max()
        if change > LIGHT_CHANGED * (plate.mean(axis=(0, 1)).max() + 0.02):
            return None, {SHADOW}
        if not math.isfinite(self.scene.u_clear_pct):
            return None, {NO_TEXTURE}
        return Measured(value=0.0, u=self.scene.u_clear_pct, unit="%"), set()

    def _keep_view(self, time_s: float, light: Picture, smoke: SmokeMap | None) -> None:
        """Keep few views, evenly spread over time, as candidates for key frames."""
        if self.looks % self.every == 0:
            self.views.append(SeenView(time_s, to_srgb8(light), smoke))
        self.looks += 1
        if len(self.views) > MOST_VIEWS:
            self.views, self.every = self.views[::2], self.every * 2


def _cut_of(box: tuple[float, float, float, float]) -> Cut:
    x0, y0, x1, y1 = (round(v) for v in box)
    return (slice(max(y0, 0), max(y1, 1)), slice(max(x0, 0), max(x1, 1)))


def centre_line(pipe: PipeExit) -> tuple[Floats, Floats]:
    """Points on the plume's centre line inside the section, in working pixels."""
    angle = math.radians(pipe.direction_deg)  # type: ignore[arg-type]  # a pipe with a section
    along = np.linspace(0.4, 1.5, 23) * pipe.diameter_px  # type: ignore[operator]
    return (
        pipe.exit_px[0] + along * math.cos(angle),  # type: ignore[index]
        pipe.exit_px[1] + along * math.sin(angle),  # type: ignore[index]
    )
