"""Puffs: whether the smoke leaves the pipe in time with the engine, seen at its mouth.

One weak cylinder gives one puff a working cycle. The puffs mix within a diameter or two, while
eddies grow on the way: what beats at the mouth and fades further out comes from the engine, what
beats further out and not at the mouth is turbulence. What beats on the pipe itself is the pipe,
which shakes with the engine.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from smokecase.optics.light import DARK_FLOOR
from smokecase.plume.section import PipeExit

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

# diameters along and across the outflow: at the mouth, where eddies have grown, on the pipe
MOUTH, FURTHER, ON_PIPE, ACROSS = (-0.05, 0.25), (0.3, 0.8), (-0.6, -0.2), (-0.4, 0.4)
GRID = (7, 9)  # points along and across
SETTLES = 0.25  # of the time after the onset: a cold engine flares before it idles evenly
FEWEST_S, FEWEST_BINS = 2.0, 16
SLOW_S = 0.35  # what changes more slowly is no puff
FINER = 8  # bins of the spectrum for each that the length gives
BAND_HZ = (3.3, 12.0)  # one cylinder of a four-stroke at 400 to 1440 rpm: rpm / 120
HIGHEST = 0.45  # of the frame rate
NEAR_HZ = (0.5, 2.0)  # from a line, between which its neighbourhood lies
# a line counts by its power over its neighbourhood's: where it fades by so much on its way out,
# where it stands out so far that it need not, and where the sound says the same
LINE, FADES, LONE_LINE, HEARD_LINE = 22.0, 1.4, 60.0, 12.0
LEAST_CHANGE = 0.01  # of the light, amplitude
SHAKES = 0.1  # of the mouth's amplitude: a pipe that beats so much shakes
HEARD_ALIKE = 0.05  # of the rate
U_LINE_HZ, U_SPEED = 0.55, 0.02  # of a line of ten, times its seconds; an idle wanders by so much


class Mouth:
    """The light just beyond a pipe's end, against the plate."""

    def __init__(self, plate: Picture, pipe: PipeExit) -> None:
        """Prepare; `pipe` with place, direction and diameter in pixels of `plate` (h, w, 3)."""
        assert pipe.exit_px is not None
        assert pipe.diameter_px is not None
        assert pipe.direction_deg is not None
        angle = math.radians(pipe.direction_deg)
        v = np.linspace(*ACROSS, GRID[1]) * pipe.diameter_px
        self.places = []
        for reach in (MOUTH, FURTHER, ON_PIPE):
            u, w = np.meshgrid(np.linspace(*reach, GRID[0]) * pipe.diameter_px, v)
            x = pipe.exit_px[0] + u * math.cos(angle) - w * math.sin(angle)
            y = pipe.exit_px[1] + u * math.sin(angle) + w * math.cos(angle)
            self.places.append((x.astype(np.float32), y.astype(np.float32)))
        self.clear = self._means(plate)

    def read(self, light: Picture, gain: Floats) -> Floats:
        """Tell the ln of the light over the plate's, mean of the channels, at each place; (3,).

        `light` (h, w, 3) lies on the plate; `gain` (3,) is its exposure.
        """
        seen = self._means(light) / gain
        return np.asarray(
            np.mean(
                np.log((np.maximum(seen, 0.0) + DARK_FLOOR) / (self.clear + DARK_FLOOR)), axis=1
            )
        )

    def _means(self, light: Picture) -> Floats:
        read = [cv2.remap(light, x, y, cv2.INTER_LINEAR) for x, y in self.places]
        return np.array([r.mean(axis=(0, 1)) for r in read], np.float64)


def tell_puffs(
    time_s: Floats, at_mouth: Floats, onset_s: float, cycle_hz: float | None = None
) -> tuple[float | None, float | None]:
    """Tell the puff rate, where the smoke clearly comes in puffs.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    at_mouth : ndarray, shape (n, 3)
        Of `Mouth.read`.
    onset_s : float
        When the smoke began. [s]
    cycle_hz : float or None
        Rate of the engine's working cycles, where it was heard.

    Returns
    -------
    float or None, float or None
        Puffs a second and the standard uncertainty. [Hz]
    """
    if len(time_s) < FEWEST_BINS:
        return None, None
    late = time_s >= onset_s + SETTLES * (time_s[-1] - onset_s)
    if late.sum() < FEWEST_BINS or np.ptp(time_s[late]) < FEWEST_S:
        return None, None
    mouth, further, on_pipe = (_Spectrum(time_s[late], column) for column in at_mouth[late].T)
    if mouth.band.sum() < FEWEST_BINS:
        return None, None
    if cycle_hz is not None:
        alike = mouth.band & (np.abs(mouth.hz / cycle_hz - 1.0) < HEARD_ALIKE)
        if alike.any():
            heard = mouth.line(alike)
            if heard.over > HEARD_LINE and _is_smoke(heard, on_pipe):
                return heard.hz, mouth.u_hz(heard)
    line = mouth.line(mouth.band)
    fades = line.amplitude > FADES * further.line(further.band).amplitude
    if line.over > (LINE if fades else LONE_LINE) and _is_smoke(line, on_pipe):
        return line.hz, mouth.u_hz(line)
    return None, None


@dataclass(frozen=True, slots=True)
class _Line:
    hz: float
    over: float  # power over its neighbourhood's
    amplitude: float


def _is_smoke(line: _Line, on_pipe: "_Spectrum") -> bool:
    """Tell whether a line is large enough, and none of the pipe's own."""
    of_pipe = np.sqrt(np.interp(line.hz, on_pipe.hz, on_pipe.power)) * 2.0 / on_pipe.total
    return line.amplitude > max(LEAST_CHANGE, float(of_pipe) / SHAKES)


class _Spectrum:
    """Power of what changes in a signal, by frequency."""

    def __init__(self, time_s: Floats, signal: Floats) -> None:
        step = float(np.median(np.diff(time_s)))
        grid = np.arange(time_s[0], time_s[-1], step)
        values = np.interp(grid, time_s, signal)
        values = values - gaussian_filter1d(values, SLOW_S / step)
        window = np.hanning(len(values))
        self.seconds, self.total = float(grid[-1] - grid[0]), float(window.sum())
        self.power = np.abs(np.fft.rfft(values * window, FINER * len(values))) ** 2
        self.hz = np.fft.rfftfreq(FINER * len(values), step)
        self.band = (self.hz >= BAND_HZ[0]) & (self.hz <= min(BAND_HZ[1], HIGHEST / step))

    def line(self, within: NDArray[np.bool_]) -> _Line:
        """Find the strongest line."""
        # turbulence falls off with frequency: a line is judged against its own neighbourhood
        top = int(np.argmax(np.where(within, self.power * self.hz, 0.0)))
        away = np.abs(self.hz - self.hz[top])
        near = self.band & (away > NEAR_HZ[0]) & (away < NEAR_HZ[1])
        # the median of a noise's power is ln 2 of its mean
        floor = float(np.median(self.power[near])) / math.log(2) if near.sum() > 4 else np.inf
        inside = 0 < top < len(self.hz) - 1
        peaked = inside and self.power[top] >= max(self.power[[top - 1, top + 1]])
        amplitude = 2.0 * math.sqrt(self.power[top]) / self.total
        over = float(self.power[top]) / max(floor, 1e-12) * peaked
        return _Line(float(self.hz[top]), over, amplitude)

    def u_hz(self, line: _Line) -> float:
        """Tell the standard uncertainty of a line's rate, in Hz."""
        of_line = U_LINE_HZ / self.seconds / math.sqrt(max(line.over, 1.0) / 10.0)
        return math.hypot(of_line, U_SPEED * line.hz)
