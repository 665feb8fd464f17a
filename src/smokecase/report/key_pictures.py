"""Keeps the key pictures of a clip as one text, from which a report draws its contact sheet.

They are put away as they were filmed, with what is drawn over them beside them, so that a sheet
can be drawn later, in any language.
"""

import base64
import io
import json
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smokecase.errors import CaseError
from smokecase.readings import KeyFrame
from smokecase.report.small_picture import small_jpeg

FORMATS = ("JPEG", "PNG")


def key_pictures_to_json(pictures: tuple[KeyFrame, ...]) -> str:
    """Write key pictures as text: JPEG of the picture, PNG of the plume, and what is told of it."""
    rows = [
        {
            "time_s": key.time_s,
            "what": key.what,
            "section_px": key.section_px,
            "exit_px": key.exit_px,
            "picture": _text(small_jpeg(key.picture, max(key.picture.shape))),
            "plume": _text(_png(key.plume)),
        }
        for key in pictures
    ]
    return json.dumps(rows, separators=(",", ":"))


def key_pictures_from_json(text: str, *, where: str) -> tuple[KeyFrame, ...]:
    """Read what `key_pictures_to_json` wrote.

    Raises
    ------
    CaseError
        If it is no such text.
    """
    try:
        return tuple(
            KeyFrame(
                time_s=float(row["time_s"]), what=str(row["what"]),
                picture=_pixels(row["picture"], "RGB"),
                plume=_pixels(row["plume"], "1").astype(bool),
                section_px=_numbers(row["section_px"]), exit_px=_numbers(row["exit_px"]),
            )
            for row in json.loads(text)
        )  # fmt: skip
    except (LookupError, ValueError, TypeError, OSError) as error:
        what = f"its key pictures are damaged ({error})"
        raise CaseError(what, where=where, remedy="measure the clip again") from error


def _png(mask: NDArray[np.bool_]) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(mask).save(out, "PNG")
    return out.getvalue()


def _pixels(text: str, mode: str) -> NDArray[Any]:
    from PIL import Image

    try:
        with Image.open(
            io.BytesIO(base64.b64decode(text, validate=True)), formats=FORMATS
        ) as image:
            return np.array(image.convert(mode))
    except Image.DecompressionBombError as error:
        raise ValueError(str(error)) from error


def _text(content: bytes) -> str:
    return base64.b64encode(content).decode()


def _numbers(values: Any) -> Any:
    return None if values is None else tuple(float(v) for v in values)
