"""Small clips for the page: the bundled one cut short, in the codings that phones write."""

from fractions import Fraction
from pathlib import Path

import av

ROOT = Path(__file__).parents[1]
BUNDLED = ROOT / "models" / "demo" / "press_engine_start.mp4"
HEALTHY = ROOT / "models" / "demo" / "press_engine_sister.mp4"


def cut(
    target: Path,
    *,
    source: Path = BUNDLED,
    codec: str = "libx264",
    seconds: float = 9.0,
    size: tuple[int, int] = (640, 360),
    every: int = 2,
) -> Path:
    """Write the first seconds of a clip, smaller, with one in `every` pictures and its sound."""
    with av.open(str(source)) as old, av.open(str(target), "w") as new:
        film, sound = old.streams.video[0], old.streams.audio[0]
        rate = Fraction(film.average_rate) / every
        pictures = new.add_stream(codec, rate=rate)
        pictures.width, pictures.height = size
        pictures.pix_fmt = "yuv420p"
        pictures.options = {"crf": "20", "preset": "veryfast"}
        if codec == "libx265":
            pictures.options["x265-params"] = "log-level=none:pools=1"
        pictures.time_base = pictures.codec_context.time_base = 1 / rate
        heard = new.add_stream_from_template(sound)
        seen = 0
        for packet in old.demux(film, sound):
            if packet.stream is sound:
                if packet.pts is not None and packet.pts * packet.time_base < seconds:
                    packet.stream = heard
                    new.mux(packet)
                continue
            for frame in packet.decode():
                if frame.time >= seconds:
                    continue
                if seen % every == 0:
                    shown = frame.reformat(*size, format="yuv420p", interpolation="AREA")
                    shown.pts, shown.time_base = seen // every, 1 / rate
                    new.mux(pictures.encode(shown))
                seen += 1
        new.mux(pictures.encode())
    return target


def another_copy(clip: Path, target: Path, number: int) -> Path:
    """Write the same clip as another file: an empty box at its end carries a number.

    Source: ISO/IEC 14496-12, 8.1.2 (free space box), which readers skip.
    """
    note = number.to_bytes(4, "big")
    target.write_bytes(clip.read_bytes() + (8 + len(note)).to_bytes(4, "big") + b"free" + note)
    return target
