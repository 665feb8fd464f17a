"""Writes invented clips: own colour conversion, H.264 or HEVC, time stamps, rotation, marks."""

import struct
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]

MARK = "invented scene, computed picture; no real vehicle, place or person"
TICKS = 90_000  # per second


@dataclass(frozen=True, slots=True, kw_only=True)
class Coding:
    """How the pictures are packed."""

    codec: str  # libx264, libx265
    crf: int | None  # constant quality, or
    bit_rate: int | None  # [bit/s]
    matrix: str  # bt601, bt709, bt2020
    full_range: bool
    tagged: bool
    depth: int  # bits
    rotation_deg: int  # clockwise turn that a player must make: 0, 90, 180, 270
    transfer: str  # srgb, bt709, hlg: what the tag says


_LUMA = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722), "bt2020": (0.2627, 0.0593)}
_SPACE = {"bt601": 6, "bt709": 1, "bt2020": 9}
_PRIMARIES = {"bt601": 6, "bt709": 1, "bt2020": 9}
_TRANSFER = {"srgb": 1, "bt709": 1, "hlg": 18}  # phones tag ordinary clips bt709
# linear BT.709 to BT.2020, ITU-R BT.2087 (memory)
TO_2020 = np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]])


class ClipWriter:
    """Takes frames of code values 0 to 1 and writes an MP4 file.

    Parameters
    ----------
    path : Path
    coding : Coding
    size : (int, int)
        Width and height as displayed; both even.
    title : str
        Name of the invented scenario.
    sound : ndarray, shape (n,), optional
        Mono, -1 to 1, with `sound_hz` samples a second.
    """

    def __init__(
        self, path: Path, coding: Coding, size: tuple[int, int], *, title: str,
        sound: NDArray[np.float32] | None = None, sound_hz: int = 48_000,
    ) -> None:  # fmt: skip
        self.path, self.coding = path, coding
        self.size = size if coding.rotation_deg % 180 == 0 else size[::-1]
        self.file = av.open(str(path), "w", format="mp4")
        self.file.metadata["title"] = title
        self.file.metadata["comment"] = MARK
        stream: Any = self.file.add_stream(
            coding.codec, rate=30
        )  # av's types know no encoder names
        stream.width, stream.height = self.size
        stream.pix_fmt = "yuv420p10le" if coding.depth == 10 else "yuv420p"
        stream.time_base = Fraction(1, TICKS)
        stream.codec_context.time_base = Fraction(1, TICKS)
        stream.codec_context.thread_count = 1
        options = {"preset": "veryfast" if coding.codec == "libx264" else "ultrafast"}
        if coding.codec == "libx265":
            options["x265-params"] = "log-level=none:pools=none:frame-threads=1"
        if coding.crf is not None:
            options["crf"] = str(coding.crf)
        else:
            stream.bit_rate = coding.bit_rate
        stream.options = options
        context = stream.codec_context
        context.color_range = 2 if coding.full_range else 1
        if coding.tagged:
            context.colorspace = _SPACE[coding.matrix]
            context.color_primaries = _PRIMARIES[coding.matrix]
            context.color_trc = _TRANSFER[coding.transfer]
        self.stream = stream
        self.sound_stream: Any = None
        if sound is not None:
            self.sound, self.sound_hz = sound, sound_hz
            self.sound_stream = self.file.add_stream("aac", rate=sound_hz, layout="mono")
            self.sound_stream.bit_rate = 64_000

    def write(self, codes: Picture, time_s: float) -> None:
        """Add the frame that is shown from `time_s` on."""
        turned = (
            np.rot90(codes, self.coding.rotation_deg // 90) if self.coding.rotation_deg else codes
        )
        frame = self._planes(np.ascontiguousarray(turned))
        frame.pts = round(time_s * TICKS)
        frame.time_base = Fraction(1, TICKS)
        for packet in self.stream.encode(frame):
            self.file.mux(packet)

    def close(self) -> None:
        """Finish the file."""
        for packet in self.stream.encode():
            self.file.mux(packet)
        if self.sound_stream is not None:
            self._write_sound()
        self.file.close()
        if self.coding.rotation_deg:
            turn_track(self.path, self.coding.rotation_deg)

    def _planes(self, codes: Picture) -> av.VideoFrame:
        kr, kb = _LUMA[self.coding.matrix]
        kg = 1 - kr - kb
        matrix = np.array([[kr, kg, kb],
                           [-kr / 2 / (1 - kb), -kg / 2 / (1 - kb), 0.5],
                           [0.5, -kg / 2 / (1 - kr), -kb / 2 / (1 - kr)]])  # fmt: skip
        top = 2 ** (self.coding.depth - 8)
        if self.coding.full_range:
            scale, shift = np.array([255, 255, 255]), np.array([0, 128, 128])
        else:
            scale, shift = np.array([219, 224, 224]), np.array([16, 128, 128])
        full = np.hstack([matrix * scale[:, None], shift[:, None]]) * top
        yuv = cv2.transform(codes, full)
        h, w = codes.shape[:2]
        chroma = cv2.resize(yuv[..., 1:], (w // 2, h // 2), interpolation=cv2.INTER_AREA)
        kind = np.uint16 if top > 1 else np.uint8
        frame = av.VideoFrame(w, h, self.stream.pix_fmt)
        frame.color_range = 2 if self.coding.full_range else 1
        for plane, values in zip(frame.planes, (yuv[..., 0], chroma[..., 0], chroma[..., 1]),
                                 strict=True):  # fmt: skip
            whole = np.clip(np.rint(values), 0, 256 * top - 1).astype(kind)
            width = plane.line_size // whole.itemsize
            padded = np.zeros((whole.shape[0], width), kind)
            padded[:, : whole.shape[1]] = whole
            plane.update(padded.tobytes())
        return frame

    def _write_sound(self) -> None:
        step = 1024
        for start in range(0, len(self.sound) - step + 1, step):
            block = np.ascontiguousarray(self.sound[None, start : start + step], dtype=np.float32)
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = self.sound_hz, start
            frame.time_base = Fraction(1, self.sound_hz)
            for packet in self.sound_stream.encode(frame):
                self.file.mux(packet)
        for packet in self.sound_stream.encode():
            self.file.mux(packet)


def turn_track(path: Path, clockwise_deg: int) -> None:
    """Write the display matrix of the picture track (ISO/IEC 14496-12, track header box)."""
    matrix = {90: (0, 1, -1, 0), 180: (-1, 0, 0, -1), 270: (0, -1, 1, 0)}[clockwise_deg]
    a, b, c, d = (v * 0x10000 for v in matrix)
    raw = bytearray(path.read_bytes())
    at = raw.find(b"tkhd")
    while at >= 0:
        long_times = raw[at + 4] == 1
        place = at + 4 + (52 if long_times else 40)
        width = struct.unpack(">I", raw[place + 36 : place + 40])[0]
        if width:  # the sound track has none
            raw[place : place + 36] = struct.pack(">9i", a, b, 0, c, d, 0, 0, 0, 0x40000000)
            path.write_bytes(raw)
            return
        at = raw.find(b"tkhd", at + 4)
    msg = "no picture track in the file"
    raise ValueError(msg)
