"""Cuts smoky frames into overlapping windows: how bright, and how much texture is left.

Each window gives the mean light of frame and plate, and, in bands of spatial frequency, the slope
of the frame's texture on the plate's. The texture is that of luma: a phone stores colour at
half the sharpness and drops it first, so under smoke the channels' own texture is no measure.
Compression eats fine, weak texture, so the bands are middling, and a window's slope is trusted
by the contrast that its texture *should* still have, never by what it seems to have (that would
prefer the windows whose noise points upwards).
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]
Cut = tuple[slice, slice]  # rows, columns

LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)  # BT.709
# (finer sigma, coarser sigma, window sigma) of each band at 640 px long side
BANDS = ((2.0, 6.0, 7.0), (3.0, 8.0, 9.0), (5.0, 14.0, 12.0))
FULL_SIDE = 640
STRIDE = 8
REACH_PX = 64  # of what lies further from a window's centre, 1 part in 10,000 counts
LEAK_SIGMA = 12.0  # wider than the coarsest band, or the texture would pass for smoke structure
SLOPE_FLOOR = 0.04  # spread between windows that their residuals do not show
# contrast below which compression drops texture, or drops that it has changed (still blocks are
# copied on), in 8-bit codes; the loss is a doubt here, common to windows alike
LOSS_CODES = 2.0
LOSS_AT_HALF = (0.2, 0.16, 0.14)  # standard uncertainty of each band's slope at that contrast


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Windows:
    """n windows out of several frames."""

    light: Floats  # (n, 3) mean of the frame
    plate: Floats  # (n, 3) mean of the plate
    slope: Floats  # (n, b) luma texture of the frame over that of the plate
    u_slope: Floats  # (n, b)
    u_common: Floats  # (n, b) the part of it that all windows share: compression
    share: Floats  # (n, b, 3) of each channel in the plate's luma texture
    x: Floats  # (n,) centre [working px]
    y: Floats
    frame: NDArray[np.intp]  # (n,) which frame

    def __len__(self) -> int:
        return len(self.x)

    def pick(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> "Windows":
        """Pick some of the windows."""
        return Windows(**{name: getattr(self, name)[chosen] for name in self.__slots__})


def blur(picture: Picture, sigma: float) -> Picture:
    """Gaussian blur; wide ones on a smaller copy, which is as good and much quicker."""
    return spread_out(blurred_small(picture, sigma), picture.shape)


def blurred_small(picture: Picture, sigma: float) -> Picture:
    """Blur as `blur` does, but leave what is wide at half the size, or a quarter of it."""
    small: Any = picture
    for times, from_sigma, least in ((4, 9.0, 160), (2, 5.0, 40)):
        h, w = picture.shape[:2]
        if sigma >= from_sigma and min(h, w) > least:
            small = cv2.resize(picture, (w // times, h // times), interpolation=cv2.INTER_AREA)
            sigma /= times
            break
    return np.asarray(cv2.GaussianBlur(small, (0, 0), sigma, borderType=cv2.BORDER_REFLECT))


def spread_out(small: Picture, shape: tuple[int, ...]) -> Picture:
    """Bring a picture that may be at half the size to this shape."""
    if small.shape[:2] == tuple(shape[:2]):
        return small
    return cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)  # type: ignore[return-value]


def kept_back(codes: Floats) -> Floats:
    """How much of the doubt about weak texture is left at this contrast in 8-bit codes, 1 to 0."""
    return np.asarray(1.0 / (1.0 + (codes / LOSS_CODES) ** 1.5))


def _luma(light: Picture) -> Picture:
    return np.asarray(cv2.transform(light, LUMA[None]), np.float32)


def _band(picture: Picture, fine: float, coarse: float) -> Picture:
    return blur(picture, fine) - blur(picture, coarse)


class PlateTexture:
    """The plate's windows, computed once."""

    def __init__(self, plate: Picture, compression: float = 1.0) -> None:
        self.plate = plate
        self.compression = compression
        # small pictures show the same things smaller
        self.size = float(np.clip(max(plate.shape[:2]) / FULL_SIDE, 0.5, 1.5))
        self.stride = max(4, round(STRIDE * self.size))
        self.bands = []
        for fine, coarse, wide in self._bands():
            texture = _band(plate, fine, coarse)
            luma = texture @ LUMA
            power = blur(luma * luma, wide)
            share = np.stack(
                [blur(luma * LUMA[c] * texture[..., c], wide) for c in range(3)], axis=-1
            )
            self.bands.append((texture, luma, power, share / (power[..., None] + 1e-9)))
        # means weigh pixels as slopes do, by texture, or the two would speak of different smoke;
        # where there is none, evenly
        luma = self.bands[1][1]
        even = 0.1 * float(np.median(luma * luma)) + 1e-7
        self.weight = (luma * luma + even)[..., None].astype(np.float32)
        self.wide = self._bands()[1][2]
        self.total = blur(self.weight[..., 0], self.wide)[..., None]
        self.mean = self.mean_of(plate)

    def mean_of(self, light: Picture) -> Picture:
        """Mean light around each pixel, weighed as the windows weigh it."""
        return np.asarray(blur(light * self.weight, self.wide) / self.total, np.float32)

    def means_at_grid(self, light: Picture) -> Picture:
        """Give `mean_of` at the windows' centres, shape (gy, gx, 3)."""
        grid = (slice(self.stride // 2, None, self.stride),) * 2
        return self._at_grid(light * self.weight, self.wide) / self.total[grid]

    def _around(self, here: NDArray[np.bool_]) -> tuple[Cut, Cut]:
        """Rows and columns of the picture, and of the grid, that windows at these places read."""
        reach = int(np.ceil(REACH_PX * self.size / self.stride))
        part, cells = [], []
        for axis in (0, 1):
            known = np.nonzero(here.any(axis=1 - axis))[0]
            first, last = (int(known[0]), int(known[-1])) if len(known) else (0, 0)
            # an even number of cells, so that the halved copies fall on the same pixels
            start, stop = max(first - reach, 0) // 2 * 2, last + 1 + reach
            cells.append(slice(start, stop))
            part.append(slice(start * self.stride, stop * self.stride))
        return (part[0], part[1]), (cells[0], cells[1])

    def _at_grid(self, picture: Picture, sigma: float) -> Picture:
        """Blur and read at the windows' centres only."""
        small = blurred_small(picture, sigma)
        for axis in (0, 1):
            whole, here = picture.shape[axis], small.shape[axis]
            centres = np.arange(self.stride // 2, whole, self.stride)
            place = np.clip((centres + 0.5) * (here / whole) - 0.5, 0, here - 1)
            before = np.minimum(place.astype(np.intp), max(here - 2, 0))
            share = (place - before).astype(np.float32)
            share = share.reshape([-1 if a == axis else 1 for a in range(small.ndim)])
            after = np.minimum(before + 1, here - 1)
            small = small.take(before, axis) * (1 - share) + small.take(after, axis) * share
        return small

    def _bands(self) -> list[tuple[float, float, float]]:
        return [(f * self.size, c * self.size, w * self.size) for f, c, w in BANDS]

    def cut(
        self,
        light: Picture,
        smoky: NDArray[np.bool_],
        frame: int,
        depth: NDArray[np.float32] | None,
        model: Picture | None,
        *,
        bands: int = len(BANDS),
    ) -> Windows:
        """Windows of one frame.

        Parameters
        ----------
        light : ndarray, shape (h, w, 3)
            The frame on the plate, exposure taken out. Linear light.
        smoky : ndarray of bool, shape (h, w)
            Where windows may lie.
        frame : int
            Its number, kept.
        depth, model : ndarray or None
            Luma transmittance (h, w) and light (h, w, 3) after an earlier fit, smooth; what the
            smoke's own structure adds to the texture is taken out with them. None: not yet.
        bands : int
            How many of the bands, the finest first.

        Returns
        -------
        Windows
        """
        grid = (slice(self.stride // 2, None, self.stride),) * 2
        here = smoky[grid]
        part, cells = self._around(here)
        inside = here[cells]
        weighed = self._at_grid(light[part] * self.weight[part], self.wide)[inside]
        mean = np.asarray(weighed / self.total[grid][here], np.float64)
        slopes, us, commons, shares = [], [], [], []
        luma_light = _luma(light[part] if model is None else light[part] - model[part])
        level = np.clip(mean @ LUMA.astype(np.float64), 0.003, 1.0)
        for (fine, coarse, wide), (_, luma, power, share), loss in zip(
            *(column[:bands] for column in (self._bands(), self.bands, LOSS_AT_HALF)), strict=True
        ):
            seen = _band(luma_light, fine, coarse)
            through: NDArray[np.float64] | float = 0.5
            if depth is not None:
                seen += depth[part] * luma[part]
                through = np.clip(depth[grid][here].astype(np.float64), 0.05, 1.0)
            p = power[grid][here].astype(np.float64) + 1e-9
            slope = self._at_grid(luma[part] * seen, wide)[inside] / p
            left = self._at_grid(seen * seen, wide)[inside] - slope**2 * p
            independent = (wide / fine) ** 2  # patches of texture in one window
            u = np.sqrt(np.maximum(left, 1e-9) / p / independent)
            # contrast in 8-bit codes that the texture should have here: slope of the sRGB curve
            codes = np.sqrt(p) * through * 255 / 2.4 * level ** (1 / 2.4 - 1)
            eaten = self.compression * 2 * loss * kept_back(codes)
            slopes.append(slope)
            commons.append(eaten)
            us.append(np.sqrt(u**2 + SLOPE_FLOOR**2 + eaten**2))
            shares.append(share[grid][here].astype(np.float64))
        row, column = np.nonzero(here)
        return Windows(
            light=mean,
            plate=self.mean[grid][here].astype(np.float64),
            slope=np.stack(slopes, axis=1).astype(np.float64),
            u_slope=np.stack(us, axis=1).astype(np.float64),
            u_common=np.stack(commons, axis=1).astype(np.float64),
            share=np.stack(shares, axis=1),
            x=(column * self.stride + self.stride / 2.0).astype(np.float64),
            y=(row * self.stride + self.stride / 2.0).astype(np.float64),
            frame=np.full(len(row), frame),
        )


def join(parts: list[Windows]) -> Windows:
    """Windows of several frames in one."""
    return Windows(
        **{name: np.concatenate([getattr(p, name) for p in parts]) for name in Windows.__slots__}
    )
