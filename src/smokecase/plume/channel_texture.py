"""How much of the texture each channel keeps under the smoke: the spectral slope, seen directly.

What stands behind the smoke keeps T_c of its contrast in channel c, whatever the smoke's own
light. Red over green and blue over green then give the slope without the veil. Smoke that varies
within a window errs all channels alike, and leaves their ratios.

Only pictures stored without loss carry this: a phone's film keeps colour at half the sharpness
and drops weak colour first, so that under smoke all channels fade alike there, whatever the smoke.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smokecase.optics.spectrum import channel_powers
from smokecase.optics.veil import Veil, depth_by_veil
from smokecase.plume.windows import (
    LEAK_SIGMA,
    PlateTexture,
    Windows,
    blur,
    blurred_small,
    spread_out,
)

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

BAND = (2.0, 8.0, 12.0)  # finer and coarser sigma, window sigma, at 640 px long side
LEAST_KEPT = 0.08  # of the texture, for a ratio that means anything
LEAST_CONTRAST = 0.008  # linear light: weaker texture drowns in the steps of 8 bits
U_RATIO = 0.03  # spread between windows that their residuals do not show


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChannelTexture:
    """Of each window: texture kept in red and blue over that in green."""

    ratio: Floats  # (n, 2); 1 where not known
    u_ratio: Floats  # (n, 2) standard uncertainty; infinite where not known

    def pick(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> "ChannelTexture":
        """Pick some of the windows."""
        return ChannelTexture(ratio=self.ratio[chosen], u_ratio=self.u_ratio[chosen])


def channel_texture(light: Picture, plate: Picture, veil: Veil, windows: Windows) -> ChannelTexture:
    """Read the channels' texture at windows of one lossless picture.

    Parameters
    ----------
    light, plate : ndarray, shape (h, w, 3)
        The picture on its clear view, exposure taken out. Linear light.
    veil : Veil
        To take out what the smoke's own structure adds.
    windows : Windows
        As `learn_veil` cut them from this picture.

    Returns
    -------
    ChannelTexture

    Source
    ------
    Beer-Lambert law per channel; least squares of the picture's texture on the plate's.
    """
    texture = PlateTexture(plate)
    fine, coarse, wide = (s * texture.size for s in BAND)

    def band(picture: Picture) -> Picture:
        return blur(picture, fine) - blur(picture, coarse)

    away = plate - veil.light.astype(np.float32)
    reach = LEAK_SIGMA * texture.size
    depth = depth_by_veil(
        blurred_small((light - veil.light.astype(np.float32)) * away, reach),
        blurred_small(away * away, reach),
        veil.slope,
    )
    powers = channel_powers(veil.slope).astype(np.float32)
    through = spread_out(np.exp(-depth[..., None].astype(np.float32) * powers), light.shape)
    behind = band(plate)
    smooth = through * away + veil.light.astype(np.float32)
    seen = band(light) - band(smooth) + through * behind
    at = (
        np.minimum(windows.y.astype(int), plate.shape[0] - 1),
        np.minimum(windows.x.astype(int), plate.shape[1] - 1),
    )
    power = blur(behind * behind, wide)[at].astype(np.float64) + 1e-12
    kept = blur(behind * seen, wide)[at] / power
    left = np.maximum(blur(seen * seen, wide)[at] - kept**2 * power, 0.0)
    u = np.sqrt(left / power) / (wide / fine)
    known = (kept.min(axis=1) > LEAST_KEPT) & (np.sqrt(power.min(axis=1)) > LEAST_CONTRAST)
    kept = np.where(known[:, None], kept, 1.0)
    ratio = kept[:, [0, 2]] / kept[:, 1:2]
    relative = np.hypot(u[:, [0, 2]] / kept[:, [0, 2]], u[:, 1:2] / kept[:, 1:2])
    return ChannelTexture(
        ratio=ratio,
        u_ratio=np.where(known[:, None], np.hypot(ratio * relative, U_RATIO), np.inf),
    )
