"""Turns the numbers of a picture file into light and back.

Code values are not light: twice the number is about four times the light. Everything that is
measured is measured in linear light, so this is the first step of each frame.

Ordinary clips: cameras apply something near the sRGB curve, with tone mapping on top, whatever
the file's tag says; the sRGB curve is the starting point, and what the tone curve leaves open
belongs in the reading's interval. HLG and PQ (ten-bit phone clips) have their own curves and the
wider BT.2020 primaries. In all three, 1.0 is reference white: the top code of an sRGB picture,
the 75 % signal of HLG, 203 cd/m2 of PQ. HDR highlights therefore lie above 1.
"""

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

TRANSFERS = ("srgb", "hlg", "pq")
FULL = 65535  # full scale of the codes
REFERENCE_WHITE_CDM2 = 203.0  # ITU-R BT.2408-7, table 1: HDR reference white
HLG_REFERENCE_SIGNAL = 0.75  # the same table: its HLG signal level

# the brightest and darkest codes that an 8-bit camera still tells apart safely: compression moves
# a clipped pixel by a code or two (common practice, no source)
SATURATED_CODE = 253 * 257
CRUSHED_CODE = 2 * 257
# linear light: darker blocks are judged as if they were this bright; middle of a picture below
# which noise takes over
DARK_FLOOR, DIM_LIGHT = 0.03, 0.02

# linear BT.2020 to linear BT.709 / sRGB primaries: ITU-R BT.2087-0, inverse of eq. (1), 4 digits
BT2020_TO_BT709 = np.array(
    [[1.6605, -0.5876, -0.0728], [-0.1246, 1.1329, -0.0083], [-0.0182, -0.1006, 1.1187]],
    dtype=np.float32,
)


def to_linear(codes: NDArray[np.uint16], transfer: str) -> NDArray[np.float32]:
    """Linear light of code values.

    Parameters
    ----------
    codes : ndarray of uint16, shape (..., 3)
        Red, green, blue; 65535 is full scale.
    transfer : str
        `srgb`, `hlg` or `pq`.

    Returns
    -------
    ndarray of float32, shape (..., 3)
        Linear light on the primaries of BT.709. [1 is reference white]
        Colours outside these primaries have negative parts; they are not clipped.

    Raises
    ------
    ValueError
        If the transfer is not known.

    Source
    ------
    sRGB: IEC 61966-2-1; HLG inverse OETF: ITU-R BT.2100-2, table 5; PQ EOTF: the same, table 4;
    white level: ITU-R BT.2408-7.
    """
    rows = codes.reshape(-1, codes.shape[-1])  # in two dimensions no axis passes for channels
    light = np.asarray(cv2.LUT(rows, _curve(transfer)), np.float32).reshape(codes.shape)
    if transfer == "srgb":
        return light
    return light @ BT2020_TO_BT709.T


def to_srgb8(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Make an sRGB picture of linear light, for showing only: cut to 0 and 1, eight bits.

    Source
    ------
    IEC 61966-2-1.
    """
    steps = np.clip(light.reshape(-1, light.shape[-1]), 0.0, 1.0)
    steps *= np.float32(FULL)
    steps += np.float32(0.5)
    shown = cv2.LUT(steps.astype(np.uint16), _srgb8())
    return np.asarray(shown, np.uint8).reshape(light.shape)


def saturated(codes: NDArray[np.uint16]) -> NDArray[np.bool_]:
    """Pixels with at least one channel blown out: no contrast is left in it. Shape (...)."""
    return np.asarray(_largest(codes) >= SATURATED_CODE)


def crushed(codes: NDArray[np.uint16]) -> NDArray[np.bool_]:
    """Pixels that are black in every channel: nothing is left to compare. Shape (...)."""
    return np.asarray(_largest(codes) <= CRUSHED_CODE)


def _largest(codes: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Largest of the three channels; pairwise, for along so short an axis numpy is slow."""
    return np.maximum(np.maximum(codes[..., 0], codes[..., 1]), codes[..., 2])


@cache
def _curve(transfer: str) -> NDArray[np.float32]:
    """Light of each of the 65536 codes, before any change of primaries."""
    signal = np.arange(FULL + 1, dtype=np.float64) / FULL
    if transfer == "srgb":
        light = np.where(
            signal <= 0.04045,
            signal / 12.92,
            ((np.maximum(signal, 0.04045) + 0.055) / 1.055) ** 2.4,
        )
    elif transfer == "hlg":
        light = _hlg_scene_light(signal) / _hlg_scene_light(np.array(HLG_REFERENCE_SIGNAL))
    elif transfer == "pq":
        light = _pq_display_light_cdm2(signal) / REFERENCE_WHITE_CDM2
    else:
        msg = f"transfer must be one of {', '.join(TRANSFERS)} (got {transfer!r})"
        raise ValueError(msg)
    table = light.astype(np.float32)
    table.setflags(write=False)
    return table


def _hlg_scene_light(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inverse OETF: E = E'^2 / 3 up to 1/2, then (exp((E' - c) / a) + b) / 12."""
    a = 0.17883277
    b, c = 1 - 4 * a, 0.5 - a * np.log(4 * a)
    return np.where(signal <= 0.5, signal**2 / 3, (np.exp((signal - c) / a) + b) / 12)


def _pq_display_light_cdm2(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """EOTF: Y = 10000 (max(E'^(1/m2) - c1, 0) / (c2 - c3 E'^(1/m2)))^(1/m1)."""
    m1, m2 = 2610 / 16384, 2523 / 4096 * 128
    c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
    root = signal ** (1 / m2)
    return np.asarray(10000 * (np.maximum(root - c1, 0) / (c2 - c3 * root)) ** (1 / m1))


@cache
def _srgb8() -> NDArray[np.uint8]:
    """Tell the sRGB byte of each of 65536 equal steps of light."""
    light = np.arange(FULL + 1, dtype=np.float64) / FULL
    signal = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    table: NDArray[np.uint8] = np.rint(255 * signal).astype(np.uint8)
    table.setflags(write=False)
    return table
