"""Tells a file that spends too few bits on its pictures to keep fine texture.

Few bits alone do not show it: a view that stands still needs hardly any. Where the decoder tells
how coarsely the first picture was rounded, as that of H.264 does, both must agree.
"""

from typing import Any

import numpy as np

# Bits on a pixel of a picture. Ten invented clips (known families, seed 7300), each coded in eight
# ways as H.264: of the 50 found too hard 40 had lost more than 15 % of their fine texture, of the
# 30 others 1; without the quantiser, six that had lost at most 8 % would be doubted, too. As HEVC,
# by bits alone: 16 of 35, and 2 of the 45 others. Error in smoke (known families, seed 7000): 7 %
# opacity below 0.04 (8 clips), 4 % above (46).
LEAST_BITS = 0.03
LEAST_BITS_NEWER = 0.02
NEWER = {"hevc", "vp9", "av1", "vvc"}  # these keep as much with fewer bits
COARSE = 28.0  # mean quantiser of the first picture; about 25 keeps texture, 30 loses it
# makes the decoder tell each block's quantiser
DECODING = {"export_side_data": "venc_params"}
H264 = 1  # kind of quantiser; from memory of libavutil/video_enc_params.h, as the layout below
HEAD = np.dtype(
    [("blocks", "u4"), ("", "u4"), ("start", "u8"), ("step", "u8"), ("kind", "i4"), ("base", "i4")]
)


def too_few_bits(first: Any, codec: Any, *, size: int, count: int) -> str:
    """Say in words that a file is compressed too hard; nothing where it is not, or cannot be told.

    Parameters
    ----------
    first : av.VideoFrame
        The first picture, decoded with `DECODING`.
    codec : av.Codec
        How it is coded.
    size, count : int
        Of the whole stream of pictures: bytes and pictures.
    """
    pixels = first.width * first.height * count
    if not codec.lossy or not size or not pixels:
        return ""
    least = LEAST_BITS_NEWER if codec.name in NEWER else LEAST_BITS
    spent = 8 * size / pixels
    quantiser = first_quantiser(first)
    if spent >= least or (quantiser is not None and quantiser < COARSE):
        return ""
    return (
        f"the file spends {spent:.3f} bits on a pixel of a picture; below {least:.2f} fine texture "
        "is lost"
    )


def first_quantiser(frame: Any) -> float | None:
    """Mean quantiser of a decoded H.264 picture [0 to 51]; None where the decoder tells none."""
    for side in frame.side_data:
        if side.type.name != "VIDEO_ENC_PARAMS":
            continue
        told = bytes(side)
        if len(told) < HEAD.itemsize:
            return None
        head = np.frombuffer(told, HEAD, count=1)[0]
        blocks, start, step = int(head["blocks"]), int(head["start"]), int(head["step"])
        if head["kind"] != H264 or not blocks or step < 20 or start + blocks * step > len(told):
            return None
        block = np.dtype({"names": ["more"], "formats": ["i4"], "offsets": [16], "itemsize": step})
        more = np.frombuffer(told, block, count=blocks, offset=start)["more"]
        return float(head["base"]) + float(more.mean())
    return None
