"""Small invented clips for tests, written with exact values where the codec is lossless."""

from fractions import Fraction
from pathlib import Path

import av
import numpy as np

LOSSLESS = {"libx264": {"qp": "0", "preset": "ultrafast"}}


def write_clip(path, pictures, *, fps=25, pix_fmt="yuv420p", codec="libx264", stamps=None, tags=(),
               options=None, aspect=None, fragment="", sound=None):  # fmt: skip
    """Write planes (tuple of arrays) or whole pictures (h, w, 3 of uint8) frame by frame.

    `stamps` are in milliseconds; `tags` is (matrix, range, transfer) by their H.273 numbers.
    """
    container_options = {"movflags": fragment} if fragment else {}
    with av.open(str(path), "w", options=container_options) as container:
        stream = container.add_stream(codec, rate=fps)
        stream.options = LOSSLESS.get(codec, {}) if options is None else options
        stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
        audio = container.add_stream("aac", rate=8000, layout="mono") if sound is not None else None
        for index, picture in enumerate(pictures):
            frame = _frame(picture, pix_fmt)
            if index == 0:
                stream.width, stream.height, stream.pix_fmt = frame.width, frame.height, pix_fmt
                if aspect:
                    stream.codec_context.sample_aspect_ratio = Fraction(*aspect)
            for context in (frame, stream.codec_context) if tags else ():
                context.colorspace, context.color_range = tags[0], tags[1]
                context.color_trc = tags[2] if len(tags) > 2 else 1
            frame.pts = round(index * 1000 / fps) if stamps is None else stamps[index]
            frame.time_base = Fraction(1, 1000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
        if audio is not None:
            _write_sound(container, audio, sound)
    return Path(path)


def _frame(picture, pix_fmt):
    if isinstance(picture, tuple):
        height, width = picture[0].shape
        frame = av.VideoFrame(width, height, pix_fmt)
        for plane, values in zip(frame.planes, picture, strict=True):
            dtype = values.dtype
            rows = np.frombuffer(plane, dtype).reshape(plane.height, -1)
            rows[:, : values.shape[1]] = values
        return frame
    return av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), "rgb24").reformat(
        format=pix_fmt, dst_colorspace="ITU601"
    )


def _write_sound(container, stream, samples):
    frame = av.AudioFrame.from_ndarray(samples.astype(np.float32)[None], "fltp", "mono")
    frame.sample_rate, frame.pts, frame.time_base = 8000, 0, Fraction(1, 8000)
    resampler = av.AudioResampler("fltp", "mono", 8000, frame_size=1024)
    for piece in [*resampler.resample(frame), *resampler.resample(None)]:
        container.mux(stream.encode(piece))
    container.mux(stream.encode())


def write_sound(path, seconds=1.0):
    """Write a file with sound only."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=8000, layout="mono")
        _write_sound(container, stream, 0.1 * np.sin(np.arange(int(8000 * seconds)) / 5))
    return Path(path)


def grey(level, *, width=64, height=48):
    """One even picture."""
    return np.full((height, width, 3), level, np.uint8)


def yard(count=30, *, width=64, height=48, seed=1):
    """Frames of one invented textured view in which nothing happens but sensor noise."""
    rng = np.random.default_rng(seed)
    view = rng.integers(40, 200, (height // 4, width // 4, 3)).repeat(4, 0).repeat(4, 1)
    for _ in range(count):
        yield np.clip(view + rng.normal(0, 1.5, view.shape), 0, 255).astype(np.uint8)


def turn(path, degrees_clockwise):
    """Patch the display matrix of an MP4 (ISO/IEC 14496-12, 8.3.2: the last 44 bytes of tkhd)."""
    raw = bytearray(Path(path).read_bytes())
    one, minus = (0x10000).to_bytes(4, "big"), (-0x10000).to_bytes(4, "big", signed=True)
    zero, w = bytes(4), (0x40000000).to_bytes(4, "big")
    a, b, c, d = {90: (zero, one, minus, zero), 180: (minus, zero, zero, minus),
                  270: (zero, minus, one, zero)}[degrees_clockwise]  # fmt: skip
    box = raw.index(b"tkhd") - 4
    place = box + int.from_bytes(raw[box : box + 4], "big") - 44
    raw[place : place + 36] = a + b + zero + c + d + zero + zero + zero + w
    Path(path).write_bytes(raw)
    return Path(path)
