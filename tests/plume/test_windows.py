"""Windows: what is read at their centres only is what reading everywhere gives there."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.plume.windows import PlateTexture, blur


@pytest.mark.parametrize("shape", [(90, 160), (91, 163), (360, 640), (30, 36)])
def test_windows_hold_what_the_whole_blurred_picture_holds_at_their_centres(shape):
    rng = np.random.default_rng(5)
    plate = rng.uniform(0.05, 0.7, (*shape, 3)).astype(np.float32)
    light = (0.6 * plate + 0.1 + rng.normal(0, 0.01, plate.shape)).astype(np.float32)
    texture = PlateTexture(plate)
    everywhere = np.ones(shape, bool)

    windows = texture.cut(light, everywhere, 0, None, None)

    rows, columns = windows.y.astype(int), windows.x.astype(int)
    weight = texture.weight
    whole = blur(light * weight, texture.wide) / blur(weight[..., 0], texture.wide)[..., None]
    assert_allclose(windows.light, whole[rows, columns], rtol=2e-5)  # single precision
