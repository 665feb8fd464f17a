"""Windows: what is read at their centres only is what reading everywhere gives there."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.plume.windows import PlateTexture, blur


def pictures(shape):
    rng = np.random.default_rng(5)
    plate = rng.uniform(0.05, 0.7, (*shape, 3)).astype(np.float32)
    light = (0.6 * plate + 0.1 + rng.normal(0, 0.01, plate.shape)).astype(np.float32)
    return plate, light


@pytest.mark.parametrize("shape", [(90, 160), (91, 163), (360, 640), (30, 36)])
def test_windows_hold_what_the_whole_blurred_picture_holds_at_their_centres(shape):
    plate, light = pictures(shape)
    texture = PlateTexture(plate)

    windows = texture.cut(light, np.ones(shape, bool), 0, None, None)

    rows, columns = windows.y.astype(int), windows.x.astype(int)
    weight = texture.weight
    whole = blur(light * weight, texture.wide) / blur(weight[..., 0], texture.wide)[..., None]
    assert_allclose(windows.light, whole[rows, columns], rtol=2e-5)  # single precision


def test_windows_of_one_corner_are_those_of_the_whole_picture_there():
    plate, light = pictures((360, 640))
    texture = PlateTexture(plate)
    corner = np.zeros((360, 640), bool)
    corner[200:280, 420:520] = True

    few = texture.cut(light, corner, 0, None, None)
    all_of_them = texture.cut(light, np.ones((360, 640), bool), 0, None, None)

    there = corner[all_of_them.y.astype(int), all_of_them.x.astype(int)]
    same = all_of_them.pick(there)
    assert len(few) == len(same) > 100
    assert_allclose(few.x, same.x)
    assert_allclose(few.y, same.y)
    # the tails of the blurs that are cut off
    assert_allclose(few.light, same.light, rtol=1e-4)
    assert_allclose(few.slope, same.slope, atol=1e-3)
    assert_allclose(few.u_slope, same.u_slope, atol=1e-3)


def test_a_place_without_windows_gives_none():
    plate, light = pictures((90, 160))

    assert len(PlateTexture(plate).cut(light, np.zeros((90, 160), bool), 0, None, None)) == 0
