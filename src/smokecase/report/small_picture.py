"""Makes a picture small enough to stand in a page."""

import io

import numpy as np
from numpy.typing import NDArray

QUALITY = 86  # of JPEG: for looking, never for measuring


def small_jpeg(picture: NDArray[np.uint8], long_side: int) -> bytes:
    """Encode an sRGB picture as JPEG, at most so long; never enlarged."""
    from PIL import Image

    image = Image.fromarray(picture)
    image.thumbnail((long_side, long_side))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()
