"""Colours of light: the camera's channels, and how smoke takes from each of them."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# red, green, blue [um]: centres of camera channels (common practice, no source); only their
# ratios matter
WAVELENGTHS_UM = np.array([0.61, 0.545, 0.46])
LUMA = np.array([0.2126, 0.7152, 0.0722])


def channel_powers(slope: float | Floats) -> Floats:
    """``r_c``: optical depth of each channel over that of green, shape (..., 3)."""
    ratio = np.log(WAVELENGTHS_UM / WAVELENGTHS_UM[1])
    return np.asarray(np.exp(-np.asarray(slope)[..., None] * ratio))
