"""Checks a filming set-up before the engine runs: no smoke must read 0, a known film its own.

The clear clip is compared with itself, its first half taken as the view without smoke; the film
or gauze is read against the whole clear clip. Nothing is tuned by the result: it only tells
whether the set-up can be trusted.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.behind import choose_white, look_behind, working_box
from smokecase.errors import ClipError
from smokecase.measured import Measured
from smokecase.optics.light import saturated, to_linear
from smokecase.plume.backdrop import Backdrop
from smokecase.plume.backdrop_reading import ContrastReading, SectionByContrast
from smokecase.video.clip import Clip, open_clip
from smokecase.video.exposure import block_means, log_ratios

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]
Tell = Callable[[float, str], None]

MOST_FRAMES = 60
WIDEST = 3.0  # percent: a wider standard uncertainty cannot check anything
CHECKED_CELLS = 3.5  # side of the area that is read, in patches


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfCheck:
    """What the check read, and whether that is right."""

    clip: str
    clear: Measured  # opacity without smoke [%]
    film: Measured | None  # opacity of the film [%]
    film_expected: Measured | None  # what it should read [%]
    sound: bool
    verdict: str  # one line

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "version": 1,
            "clip": self.clip,
            "clear_opacity": self.clear.to_json(),
            "film_opacity": self.film.to_json() if self.film else None,
            "film_expected": self.film_expected.to_json() if self.film_expected else None,
            "sound": self.sound,
            "verdict": self.verdict,
        }


def check_setup(
    clear: str | Path,
    *,
    film: str | Path | None = None,
    film_passes: Measured | None = None,
    board_px: Box | None = None,
    white_px: Box | None = None,
    tell: Tell | None = None,
) -> SelfCheck:
    """Read a clear clip, and a known film before the backdrop if one was filmed.

    Parameters
    ----------
    clear : str or Path
        A clip of the backdrop without smoke, or a picture where a film is read as well.
    film : str or Path, optional
        The same view with a neutral film or gauze held before the middle of the patches.
    film_passes : Measured, optional
        Share of the light that the film lets through. [%]
    board_px : tuple of float, optional
        x0, y0, x1, y1 of a plain board, in pixels of the upright picture. The printed backdrop is
        found by itself, and so is a plain checker.
    white_px : tuple of float, optional
        x0, y0, x1, y1 of something white in the same light; the printed backdrop has its own.
    tell : callable, optional
        Takes progress (0 to 1) and words; may raise `Cancelled`.

    Raises
    ------
    ClipError
        If no backdrop is found, or a file cannot be read.
    ValueError
        If a film is given without what it passes, or the other way round, or what is marked as
        white cannot be.
    """
    if (film is None) != (film_passes is None):
        msg = "film and film_passes must be given together"
        raise ValueError(msg)
    tell = tell or (lambda share, words: None)
    clip = open_clip(clear)
    lights, blown = _lights(clip, tell, 0.0)
    half = max(1, len(lights) // 2)
    plate = np.mean(lights[:half], axis=0).astype(np.float32)
    backdrop = _backdrop(clip, plate, blown, board_px, white_px)
    area = _middle(backdrop)
    quiet = lights[half:] or lights[:1]
    clear_reading = _read(plate, backdrop, area, quiet, clip.name)
    film_reading = None
    if film is not None:
        other = open_clip(film)
        seen, _ = _lights(other, tell, 0.5)
        if seen[0].shape != plate.shape:
            what = (
                f"its picture is {other.width} x {other.height}, not {clip.width} x {clip.height}"
            )
            raise ClipError(what, where=other.name, remedy="film both without moving the phone")
        whole = np.mean(lights, axis=0).astype(np.float32)
        film_reading = _read(whole, backdrop, area, seen, other.name)
    return _judge(clip.name, clear_reading, film_reading, film_passes)


def _lights(clip: Clip, tell: Tell, begin: float) -> tuple[list[Picture], NDArray[np.bool_]]:
    step = max(1, clip.frame_count // MOST_FRAMES)
    lights: list[Picture] = []
    blown: NDArray[np.bool_] | None = None
    for n, frame in enumerate(clip.frames()):
        if n % step == 0 and len(lights) < 2 * MOST_FRAMES:
            tell(min(begin + 0.5, begin + 0.5 * n / max(1, clip.frame_count)), "looking")
            lights.append(to_linear(frame.codes, clip.transfer))
            white = saturated(frame.codes)
            blown = white if blown is None else blown | white
    if blown is None:
        what = "no picture could be read"
        raise ClipError(what, where=clip.name, remedy="film it again")
    return lights, blown


def _backdrop(
    clip: Clip, plate: Picture, blown: NDArray[np.bool_], board_px: Box | None, white_px: Box | None
) -> Backdrop:
    found = look_behind(clip, plate, blown, board_px)
    if found is None and board_px is not None:
        what = "the marked board has no light and dark patches that can be told apart"
        raise ClipError(what, where=clip.name, remedy="mark the patches with --board X0,Y0,X1,Y1")
    if found is None:
        what = "no printed backdrop was found in the picture"
        remedy = "film nearer and in better light, or mark a board with --board X0,Y0,X1,Y1"
        raise ClipError(what, where=clip.name, remedy=remedy)
    if white_px is None or found.sheets:
        return found
    white, u_ln = choose_white(plate, blown, found, working_box(clip, white_px))
    return replace(found, white=white, u_white=u_ln * white)


def _middle(backdrop: Backdrop) -> Box:
    """Take a square in the middle of the patches, where the film is held."""
    if backdrop.sheets:
        found = backdrop.sheets[len(backdrop.sheets) // 2]
        x, y = found.to_picture(found.sheet.outline_mm().mean(axis=0))[0]
        half = 0.5 * CHECKED_CELLS * found.sheet.cell_mm / found.mm_per_px()[0]
    else:
        rows, columns = np.nonzero(backdrop.mask)
        x, y = float(columns.mean()), float(rows.mean())
        half = 0.25 * min(np.ptp(columns), np.ptp(rows))
    return x - half, y - half, x + half, y + half


def _read(
    plate: Picture, backdrop: Backdrop, area: Box, lights: list[Picture], name: str
) -> Measured:
    """Read the area's opacity in percent, mean over the pictures."""
    reader = SectionByContrast(plate, backdrop, area)
    board = block_means(backdrop.mask[..., None].repeat(3, axis=2).astype(np.float32))
    free = board[..., 0] == 0
    readings: list[ContrastReading] = []
    for light in lights:
        ratios = log_ratios(block_means(light), block_means(plate))[free]
        ratios = ratios[np.isfinite(ratios).all(axis=-1)]
        gain = np.median(ratios, axis=0) if len(ratios) >= 4 else np.zeros(3)
        u_gain = np.full(3, 0.005 if len(ratios) >= 4 else 0.03) + 0.12 * np.abs(gain)
        seen = (light / np.exp(gain).astype(np.float32)).astype(np.float32)
        readings.append(reader.read(seen, u_gain))
    values = np.array([r.transmittance[1] for r in readings])
    if not np.isfinite(values).any():
        doubt = sorted(readings[0].doubts)[0]
        raise ClipError(doubt.words, where=name, remedy=doubt.remedy)
    # what all pictures share (exposure, tone, patches) does not average out
    u = float(np.median([r.u_transmittance[1] for r in readings]))
    scatter = float(np.nanstd(values) / np.sqrt(len(values)))
    return Measured(
        value=100.0 * (1.0 - float(np.nanmean(values))), u=100.0 * np.hypot(u, scatter), unit="%"
    )


def _judge(name: str, clear: Measured, film: Measured | None, passes: Measured | None) -> SelfCheck:
    expected = None
    said = [f"without smoke it reads {clear}"]
    sound = clear.low <= 0.0 <= clear.high and clear.u <= WIDEST
    if film is not None and passes is not None:
        expected = Measured(value=100.0 - passes.value, u=passes.u, unit="%")
        said.append(f"the film reads {film} where {expected} is right")
        apart = abs(film.value - expected.value)
        sound = sound and apart <= 1.96 * float(np.hypot(film.u, expected.u)) and film.u <= WIDEST
    end = (
        "the set-up can be used"
        if sound
        else "do not rely on this set-up: check light, exposure lock and that nothing moved"
    )
    verdict = f"{name}: {'; '.join(said)}; {end}."
    return SelfCheck(
        clip=name,
        clear=clear,
        film=film,
        film_expected=expected,
        sound=bool(sound),
        verdict=verdict,
    )
