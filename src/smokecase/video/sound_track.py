"""The sound of a clip, or a sound file, as one column of numbers.

Public: `SoundTrack`, `read_sound`.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

from smokecase.errors import ClipError
from smokecase.video.container import SAFE

RATE_HZ = 8000  # an engine is told below 4 kHz; less to carry than what phones record
LONGEST_S = 900.0  # a quarter of an hour; beyond it nothing is gained


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoundTrack:
    """Mono sound on the player's clock."""

    samples: NDArray[np.float32]  # (n,) full scale -1 to 1; channels summed at equal power
    rate_hz: int
    begins_s: float  # time of the first sample on the clip's own clock
    clipped_share: float  # samples at full scale in the loudest stretch, before resampling [0 to 1]
    lost_packets: int
    cut: bool  # True where only the first `LONGEST_S` were read

    @property
    def duration_s(self) -> float:
        """Length. [s]."""
        return len(self.samples) / self.rate_hz


def read_sound(path: str | Path, *, rate_hz: int = RATE_HZ) -> SoundTrack | None:
    """Decode the first sound track of a file.

    Parameters
    ----------
    path : str or Path
        Clip or sound file.
    rate_hz : int
        Rate to resample to. [1/s]

    Returns
    -------
    SoundTrack or None
        None where the file has no sound.

    Raises
    ------
    ClipError
        If the file cannot be opened at all.
    """
    path = Path(path)
    try:
        container = av.open(str(path.absolute()), options=SAFE, metadata_errors="ignore")
    except (av.FFmpegError, OSError) as error:
        what = "no such file" if isinstance(error, FileNotFoundError) else "it is no sound or clip"
        raise ClipError(what, where=path.name, remedy="name a clip or a sound file") from error
    with container:
        if not container.streams.audio:
            return None
        return _decoded(container, container.streams.audio[0], rate_hz)


def _decoded(
    container: "av.container.InputContainer", stream: "av.AudioStream", rate_hz: int
) -> SoundTrack | None:
    resampler = _Resampler(rate_hz)
    parts: list[NDArray[np.float32]] = []
    peaks: list[NDArray[np.float32]] = []
    begins_s: float | None = None
    damage: list[int] = []
    count, cut = 0, False
    zero_s = (container.start_time or 0) / 1e6
    for frame in _frames(container, stream, damage):
        starts_s = float(frame.time or 0.0) - zero_s
        try:
            small = resampler.take(frame)
        except av.FFmpegError:  # of a rate or form that no sound has
            damage.append(1)
            continue
        begins_s = starts_s if begins_s is None else begins_s
        peaks.append(_peaks(frame))
        parts += small
        count += sum(part.size for part in small)
        if count > LONGEST_S * rate_hz:
            cut = True
            break
    parts += resampler.rest() if parts else []
    if not parts:
        return None
    samples = np.nan_to_num(np.concatenate(parts).astype(np.float32))
    return SoundTrack(
        samples=samples,
        rate_hz=rate_hz,
        begins_s=begins_s or 0.0,
        clipped_share=_clipped_share(np.concatenate(peaks)),
        lost_packets=len(damage),
        cut=cut,
    )


class _Resampler:
    """Brings frames to one rate and one channel; begun anew where their form changes."""

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self._form: tuple[str, str, int] | None = None
        self._inner: av.AudioResampler | None = None

    def take(self, frame: "av.AudioFrame") -> list[NDArray[np.float32]]:
        frame.pts = None  # gaps in the stamps would make the resampler invent samples
        form = (frame.format.name, frame.layout.name, frame.sample_rate)
        before = self.rest() if form != self._form else []
        if self._inner is None:
            self._form = form
            self._inner = av.AudioResampler(format="fltp", layout="mono", rate=self.rate_hz)
        try:
            return before + _arrays(self._inner.resample(frame))
        except av.FFmpegError:
            self._inner = None  # it may not be asked again
            raise

    def rest(self) -> list[NDArray[np.float32]]:
        """Give what it still holds."""
        held, self._inner = self._inner, None
        return [] if held is None else _arrays(held.resample(None))


def _arrays(frames: "list[av.AudioFrame]") -> list[NDArray[np.float32]]:
    return [frame.to_ndarray()[0] for frame in frames]


def _frames(
    container: "av.container.InputContainer", stream: "av.AudioStream", damage: list[int]
) -> Iterator["av.AudioFrame"]:
    """All frames that can be decoded; `damage` grows by one for each packet that cannot."""
    packets = container.demux(stream)
    while len(damage) < 200:
        try:
            packet = next(packets, None)
            if packet is None:
                return
            yield from packet.decode()
        except av.FFmpegError:  # a damaged place; what follows may be whole
            damage.append(1)


def _peaks(frame: "av.AudioFrame") -> NDArray[np.float32]:
    """Share of samples within 1 % of full scale, per tenth of the frame."""
    x = frame.to_ndarray().ravel()
    if x.dtype.kind in "iu":
        span = 2.0 ** (8 * x.dtype.itemsize - 1)
        x = (x.astype(np.float32) - 128.0) / 128.0 if x.dtype == np.uint8 else x / span
    whole = x[: len(x) // 10 * 10] if len(x) >= 10 else np.zeros(10)
    return np.asarray((np.abs(whole.reshape(10, -1)) > 0.99).mean(axis=1), dtype=np.float32)


def _clipped_share(shares: NDArray[np.float32]) -> float:
    """Typical share in the worst tenth of the time."""
    return float(np.mean(np.sort(shares)[-max(1, len(shares) // 10) :]))
