"""Gain over time from blocks that the plume never reaches."""

import numpy as np
from numpy.testing import assert_allclose

from smokecase.video.exposure import block_means, fit_exposure


def scene(seed=0, shape=(20, 30)):
    return np.random.default_rng(seed).uniform(0.05, 0.6, (*shape, 3)).astype(np.float32)


def test_a_slow_drift_is_followed_per_channel():
    plate = scene()
    gains = np.linspace(1.0, 0.7, 30)[:, None] * np.array([1.0, 1.0, 0.95])
    blocks = (plate * gains[:, None, None, :]).astype(np.float32)

    found = fit_exposure(blocks, plate)

    assert found.checked
    assert_allclose(found.gain, gains, rtol=1e-3)


def test_a_sudden_jump_is_followed():
    plate = scene(1)
    gains = np.where(np.arange(20) < 10, 1.0, 1.5)
    blocks = (plate * gains[:, None, None, None]).astype(np.float32)

    assert_allclose(fit_exposure(blocks, plate).gain[:, 1], gains, rtol=1e-3)


def test_white_smoke_over_a_third_of_the_picture_is_no_gain():
    plate = scene(2)
    blocks = np.repeat(plate[None], 20, axis=0)
    thick = np.linspace(0, 0.8, 20)[:, None, None, None]
    blocks[:, :, :10] = blocks[:, :, :10] * (1 - thick) + 0.9 * thick

    found = fit_exposure(blocks, plate)

    assert_allclose(found.gain, 1.0, atol=0.01)
    assert not found.free[:, :10].any()


def test_nothing_free_is_said():
    plate = scene(3)
    rng = np.random.default_rng(4)
    blocks = (plate * rng.uniform(0.3, 2.0, (12, 20, 30, 3))).astype(np.float32)

    assert not fit_exposure(blocks, plate).checked


def test_blocks_are_means_of_sixteen_pixels():
    light = np.zeros((32, 48, 3), np.float32)
    light[:16, :16] = 0.5

    blocks = block_means(light)

    assert blocks.shape == (2, 3, 3)
    assert_allclose(blocks[0, 0], 0.5)
    assert_allclose(blocks[1, 2], 0.0)
