"""Writes pictures as an H.264 clip that every player and browser can show."""

from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

from smokecase.video.clip import Frame, open_clip
from smokecase.video.sound_copy import lay_under

Picture = NDArray[np.uint8]  # (h, w, 3) sRGB
Tell = Callable[[float, str], None]

CLOCK = Fraction(1, 90_000)  # fine enough for the time stamps of any phone
QUALITY = 20  # the encoder's constant rate factor; 18 to 23 look clean (common practice, no source)
PROXY_LONG_SIDE = 1280


def write_h264(path: Path, pictures: Iterable[tuple[float, Picture]], *, fps: float) -> int:
    """Write pictures with their own times; returns how many.

    Parameters
    ----------
    path : Path
        The MP4 file.
    pictures : iterable of (float, ndarray of uint8, shape (h, w, 3))
        Time [s], growing, and sRGB picture; all of one size. An odd last row or column is cut
        off, since the coding halves the colour planes.
    fps : float
        Usual number of pictures a second. [1/s]

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    count = 0
    with av.open(str(path), "w", format="mp4", options={"movflags": "faststart"}) as container:
        rate = Fraction(min(max(fps, 1.0), 240.0)).limit_denominator(1001)
        stream = container.add_stream("libx264", rate=rate)
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": str(QUALITY), "preset": "veryfast"}
        stream.time_base = stream.codec_context.time_base = CLOCK
        context = stream.codec_context
        context.colorspace, context.color_range = 1, 1  # BT.709, video range (ITU-T H.273)
        context.color_primaries, context.color_trc = 1, 1
        first_s, last = 0.0, -1
        for time_s, picture in pictures:
            height, width = (n - n % 2 for n in picture.shape[:2])
            if count == 0:
                stream.width, stream.height, first_s = width, height, time_s
            shown = np.ascontiguousarray(picture[:height, :width])
            frame = av.VideoFrame.from_ndarray(shown, format="rgb24")
            frame = frame.reformat(format="yuv420p", dst_colorspace="ITU709")
            last = max(last + 1, round((time_s - first_s) / CLOCK))
            frame.pts, frame.time_base = last, CLOCK
            container.mux(stream.encode(frame))
            count += 1
        if count:
            container.mux(stream.encode())
    return count


def write_proxy(
    clip_path: str | Path,
    path: Path,
    *,
    to_srgb8: Callable[[Frame, str], Picture],
    tell: Tell | None = None,
) -> int:
    """Write a copy with sound for players that cannot show the original; never measured.

    `to_srgb8` makes the picture to show of a frame and the clip's transfer.

    Raises
    ------
    ClipError
        If the clip cannot be read.
    OSError
        If the copy cannot be written.
    """
    clip = open_clip(clip_path, long_side=PROXY_LONG_SIDE)
    tell = tell or (lambda share, words: None)

    def pictures() -> Iterator[tuple[float, Picture]]:
        for frame in clip.frames():
            tell(min(1.0, frame.index / max(1, clip.frame_count)), "making a copy to watch")
            yield frame.time_s, to_srgb8(frame, clip.transfer)

    silent = path.with_name(f"{path.name}.silent")
    try:
        count = write_h264(silent, pictures(), fps=clip.nominal_fps or 25.0)
        if clip.source != "clip" or not lay_under(silent, Path(clip_path), path):
            silent.replace(path)
    finally:
        silent.unlink(missing_ok=True)
    return count
