"""Makes red, green and blue of a decoded frame's stored planes, as the file declares them.

The planes are brought to working size and sixteen bits by the scaler, which leaves their values
alone when it is told that nothing else is to change; range and matrix are applied here. Shrinking
averages code values, not light: at the edges of texture finer than the working pixel that is a
small bias, which plate and smoke share.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

# luma weights of red and blue by the matrix number of ITU-T H.273, table 4
LUMA_WEIGHTS = {
    1: (0.2126, 0.0722),  # BT.709
    4: (0.30, 0.11),  # FCC
    5: (0.299, 0.114),  # BT.601
    6: (0.299, 0.114),
    7: (0.212, 0.087),  # SMPTE 240M
    9: (0.2627, 0.0593),  # BT.2020
    10: (0.2627, 0.0593),
}
MATRIX_NAMES = {1: "BT.709", 4: "FCC", 5: "BT.601", 6: "BT.601", 7: "240M", 9: "BT.2020",
                10: "BT.2020"}  # fmt: skip
TRANSFERS = {18: "hlg", 16: "pq"}  # H.273, table 3; all others: a camera's own near-sRGB curve
FULL_RANGE = 2  # the library's word for codes 0 to 255


@dataclass(frozen=True, slots=True)
class Coding:
    """How a frame's planes become red, green and blue."""

    family: str  # yuv, gray, rgb
    matrix: int
    full_range: bool
    transfer: str
    bits: int
    jpeg: bool  # the old names of full-range formats, which the scaler treats apart
    assumed: bool

    @classmethod
    def of(cls, frame: Any, *, sides: tuple[int, int]) -> "Coding":
        """Read a decoded frame's tags; `sides` are the picture's long and short one [px].

        Where no matrix is named: BT.709 for high definition, BT.601 below it, as the standards
        for these sizes have it (ITU-R BT.709-6, BT.601-7). Where no range is named: video range.
        """
        name = frame.format.name
        jpeg = name.startswith("yuvj")
        family = "yuv"
        if frame.format.is_rgb or name.startswith(("pal8", "gbr", "rgb", "bgr")):
            family = "rgb"
        elif name.startswith(("gray", "mono", "ya")):
            family = "gray"
        matrix, assumed = int(frame.colorspace), False
        if family == "yuv" and matrix not in LUMA_WEIGHTS:
            high_definition = sides[0] >= 1280 or sides[1] >= 720
            matrix, assumed = 1 if high_definition else 6, True
        return cls(
            family=family,
            matrix=matrix,
            full_range=jpeg or family == "rgb" or int(frame.color_range) == FULL_RANGE,
            transfer=TRANSFERS.get(int(frame.color_trc), "srgb"),
            bits=max((c.bits for c in frame.format.components), default=8),
            jpeg=jpeg,
            assumed=assumed,
        )

    def words(self) -> str:
        """Say in one line how the colours are coded, and what of it was assumed."""
        if self.family != "yuv":
            how = "colours stored as red, green and blue" if self.family == "rgb" else "no colours"
        else:
            how = f"colours by {MATRIX_NAMES[self.matrix]}{' (assumed)' if self.assumed else ''}"
        swing = "full" if self.full_range else "video"
        curve = {"srgb": "the sRGB curve (assumed for ordinary clips)", "hlg": "the HLG curve",
                 "pq": "the PQ curve"}[self.transfer]  # fmt: skip
        return f"{how}, {swing} range, {self.bits} bits, light by {curve}"

    @property
    def target(self) -> str:
        """Name the scaler's sixteen-bit form of this family."""
        return {"yuv": "yuv444p16le", "gray": "gray16le", "rgb": "gbrp16le"}[self.family]

    def to_rgb(self) -> NDArray[np.float64]:
        """Rows of red, green, blue over (plane 1, plane 2, plane 3, 1), in 65535ths.

        The scaler's sixteen-bit planes hold the code times 256 (8 bits), times 64 (10 bits);
        grey is stretched to 65535 instead.

        Source: ITU-T H.273, eqs. (20) to (31) for the ranges, 8.3 for the matrix.
        """
        top = float((2**self.bits - 1) << (16 - self.bits)) if self.bits < 16 else 65535.0
        if self.family == "rgb":
            return np.eye(3, 4)[[2, 0, 1]] * (65535.0 / top)  # planes are green, blue, red
        if self.family == "gray":
            black, white = (0.0, 65535.0) if self.full_range else (16 * 257.0, 235 * 257.0)
            luma = 65535.0 / (white - black)
            return np.array([[luma, 0, 0, -black * luma]] * 3)
        black, white, span = (0.0, top, top) if self.full_range else (4096.0, 60160.0, 57344.0)
        zero = 32768.0
        luma, chroma = 65535.0 / (white - black), 65535.0 / span
        red, blue = LUMA_WEIGHTS[self.matrix]
        green = 1.0 - red - blue
        rows = np.array(
            [
                [luma, 0.0, 2 * (1 - red) * chroma],
                [luma, -2 * blue * (1 - blue) / green * chroma,
                 -2 * red * (1 - red) / green * chroma],
                [luma, 2 * (1 - blue) * chroma, 0.0],
            ]
        )  # fmt: skip
        return np.hstack([rows, -rows @ [[black], [zero], [zero]]])


def to_codes(frame: Any, coding: Coding, working_size: tuple[int, int]) -> NDArray[np.uint16]:
    """Red, green and blue of a decoded frame, upright, at working size (width, height)."""
    turns = quarter_turns(frame)
    width, height = working_size[::-1] if turns % 2 else working_size
    # told that source and target have one range, the scaler leaves the planes alone
    frame.color_range = FULL_RANGE if coding.jpeg else 1
    small = frame.reformat(width=width, height=height, format=coding.target, interpolation="AREA")
    planes = [
        np.frombuffer(p, np.uint16).reshape(p.height, p.line_size // 2)[:, : p.width]
        for p in small.planes
    ]
    if len(planes) == 1:
        planes *= 3
    codes = cv2.transform(cv2.merge(planes), coding.to_rgb())  # rounds and cuts to 0 and 65535
    return np.ascontiguousarray(np.rot90(codes, turns))


def quarter_turns(frame: Any) -> int:
    """Quarter turns to the left that set the stored picture upright."""
    return round((frame.rotation or 0) / 90) % 4
