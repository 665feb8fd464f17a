"""The slope from each channel's own texture, on pictures made with another blur than the house's.

Source of the model: Beer-Lambert law per channel; the blur is SciPy's.
"""

import math

import numpy as np
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter

from smokecase.doubts import EXIT_NOT_FOUND
from smokecase.plume.channel_texture import channel_texture
from smokecase.plume.learn_veil import learn_veil
from smokecase.plume.section import PipeExit
from smokecase.plume.spectral import fit_spectral

WHITE = np.ones(3)
RATIO = np.array([0.61, 0.545, 0.46]) / 0.545
NOWHERE = PipeExit(
    exit_px=None, u_exit_px=math.inf, diameter_px=None, u_diameter_px=math.inf,
    direction_deg=None, u_direction_deg=math.inf, doubts=frozenset({EXIT_NOT_FOUND}),
)  # fmt: skip


def made_pair(slope, veil, seed):
    """A grey wall with texture and a patchy plume before it; light and plate, (240, 320, 3)."""
    rng = np.random.default_rng(seed)
    rough = gaussian_filter(rng.normal(0, 1, (240, 320)), 3.0)
    plate = np.clip(0.3 + 0.12 * rough / rough.std(), 0.02, 0.95)[..., None] * np.ones(3)
    patches = gaussian_filter(rng.normal(0, 1, (240, 320)), 12.0)
    hump = np.exp(-(((np.arange(320) - 160) / 70.0) ** 2)) * np.exp(
        -(((np.arange(240)[:, None] - 120) / 50.0) ** 2)
    )
    depth = hump * np.clip(0.9 + 0.25 * patches / patches.std(), 0.1, None)
    through = np.exp(-depth[..., None] * RATIO**-slope)
    light = through * plate + (1 - through) * veil
    return light.astype(np.float32), plate.astype(np.float32)


def looked_at(slope, veil, seed=4):
    light, plate = made_pair(slope, veil, seed)
    found, windows = learn_veil(
        [light], [0], plate, NOWHERE, None, WHITE, np.random.default_rng(1),
        lambda share, words: None, compression=0.1,
    )  # fmt: skip
    return found, windows, channel_texture(light, plate, found, windows)


def test_blue_mist_keeps_less_texture_in_blue_than_in_red():
    _, _, channels = looked_at(2.0, np.array([0.30, 0.31, 0.33]))
    known = np.isfinite(channels.u_ratio[:, 0]) & (channels.u_ratio[:, 0] < 0.1)
    red, blue = np.median(channels.ratio[known], axis=0)

    assert known.sum() > 30
    assert red > 1.03
    assert blue < 0.95


def test_before_a_wall_of_its_own_brightness_only_the_channels_tell_the_slope():
    veil = np.array([0.29, 0.30, 0.31])
    for slope in (0.0, 1.0, 2.0):
        found, windows, channels = looked_at(slope, veil)

        without = fit_spectral(windows, found.light, found.slope, WHITE, None, None)
        seen = fit_spectral(windows, found.light, found.slope, WHITE, None, None, channels)

        assert abs(seen.slope - slope) < 0.3
        assert seen.u_slope < 0.5 * without.u_slope


def test_a_window_without_texture_tells_nothing():
    found, windows, _ = looked_at(1.0, np.array([0.5, 0.5, 0.5]))
    flat = np.full((240, 320, 3), 0.4, np.float32)
    channels = channel_texture(flat, flat, found, windows)

    assert np.isinf(channels.u_ratio).all()
    assert_allclose(channels.ratio, 1.0)
