"""Reads single pictures and animated pictures as sixteen-bit codes."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageSequence

from smokecase.errors import ClipError

# the first bytes of each kind of picture file, from the formats' own specifications (from memory)
SIGNATURES = (
    b"\x89PNG\r\n\x1a\n",
    b"\xff\xd8\xff",
    b"GIF87a",
    b"GIF89a",
    b"II*\0",
    b"MM\0*",
    b"BM",
)
DEFAULT_STEP_S = 0.1  # of an animated picture that names no duration; common practice, no source
CONVERT = "save it as PNG or JPEG and try again"


def picture_kind(path: Path) -> str | None:
    """`still`, `animation`, or None where the file is no picture file.

    Raises
    ------
    ClipError
        If it is a picture in a form that cannot be read.
    """
    with path.open("rb") as file:
        head = file.read(32)
    if head[4:8] == b"ftyp" and head[8:12] in (b"heic", b"heix", b"mif1", b"hevc", b"avif"):
        what = "pictures in the HEIF form cannot be read"
        raise ClipError(what, where=path.name, remedy=CONVERT)
    webp = head[:4] == b"RIFF" and head[8:12] == b"WEBP"
    if not webp and not head.startswith(SIGNATURES):
        return None
    try:
        with Image.open(path) as picture:
            return "animation" if getattr(picture, "n_frames", 1) > 1 else "still"
    except Exception:  # damaged files make that library raise nearly anything
        return "still"  # the other reader has the last word, and the error's sentence


def read_still(path: Path) -> NDArray[np.uint16]:
    """Read a picture upright (EXIF turn applied), shape (h, w, 3), red, green, blue, 65535 full.

    Raises
    ------
    ClipError
        If it is damaged, see-through, or has more or other than 8 or 16 bits.
    """
    raw = np.fromfile(path, np.uint8)
    try:
        picture = cv2.imdecode(raw, cv2.IMREAD_COLOR_RGB | cv2.IMREAD_ANYDEPTH)
        stored = cv2.imdecode(raw, cv2.IMREAD_UNCHANGED)
    except cv2.error:
        picture = stored = None
    if picture is None or stored is None:
        what = "the picture is damaged or of an unknown form"
        raise ClipError(what, where=path.name, remedy=CONVERT)
    if stored.ndim == 3 and stored.shape[2] == 4:
        _refuse_see_through(path, stored[:, :, 3])
    if picture.dtype == np.uint8:
        return picture.astype(np.uint16) * np.uint16(257)
    if picture.dtype == np.uint16:
        return picture.astype(np.uint16, copy=False)
    what = f"its pixels are stored as {picture.dtype}, only 8 and 16 bits can be read"
    raise ClipError(what, where=path.name, remedy=CONVERT)


def _refuse_see_through(path: Path, alpha: NDArray[Any]) -> None:
    if np.issubdtype(alpha.dtype, np.integer) and bool((alpha < np.iinfo(alpha.dtype).max).any()):
        what = "parts of the picture are see-through, so its light is not known"
        raise ClipError(what, where=path.name, remedy="lay it on its background and save it again")


def animation_times(path: Path) -> tuple[int, int, tuple[float, ...], float]:
    """Width, height, start of each picture and end of the last [s]."""
    times, now_s, size = [], 0.0, (0, 0)
    for picture, step_s in _pictures(path):
        times.append(now_s)
        now_s += step_s
        size = picture.size
    return size[0], size[1], tuple(times), now_s


def walk_animation(path: Path) -> Iterator[tuple[float, NDArray[np.uint16]]]:
    """Time and codes of each picture, one in memory at a time."""
    now_s = 0.0
    for picture, step_s in _pictures(path):
        full = picture.convert("RGBA")
        _refuse_see_through(path, np.asarray(full.getchannel("A")))
        yield now_s, np.asarray(full.convert("RGB")).astype(np.uint16) * np.uint16(257)
        now_s += step_s


def _pictures(path: Path) -> Iterator[tuple[Image.Image, float]]:
    try:
        with Image.open(path) as animation:
            for picture in ImageSequence.Iterator(animation):
                picture.load()
                step_s = float(picture.info.get("duration") or 0.0) / 1000
                yield picture, step_s or DEFAULT_STEP_S
    except Exception as error:  # damaged files make that library raise nearly anything
        what = "the animated picture is damaged or too large"
        raise ClipError(what, where=path.name, remedy="save it as MP4 and try again") from error


def shrink(codes: NDArray[np.uint16], size: tuple[int, int]) -> NDArray[np.uint16]:
    """Average down to width and height; never enlarges."""
    if codes.shape[1::-1] == size:
        return codes
    return np.asarray(cv2.resize(codes, size, interpolation=cv2.INTER_AREA), dtype=np.uint16)
