"""The section's reading, the plume's map and the windows, on made light of known transmittance."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.doubts import SATURATED
from smokecase.optics.spectrum import channel_powers
from smokecase.optics.tone import Bend
from smokecase.optics.veil import Veil
from smokecase.plume.measure import SectionReader
from smokecase.plume.smoke import SmokeFinder
from smokecase.plume.windows import PlateTexture

H, W = 120, 160
BOX = np.array([60.0, 40.0, 90.0, 70.0])


def plate(seed=0):
    rng = np.random.default_rng(seed)
    return rng.uniform(0.1, 0.5, (H, W, 3)).astype(np.float32)


def veil_of(light, slope=0.0, members=8):
    stray = np.exp(np.random.default_rng(1).normal(0, 0.05, (members, 1)))
    stray[0] = 1.0
    return Veil(
        light=np.full(3, light), slope=slope, members=np.full((members, 3), light) * stray,
        slopes=np.full(members, slope), bends=(Bend(0.0, 0.0),) * members,
        kind="pale", chi2=0.0, windows=99,
    )  # fmt: skip


def behind_smoke(clear, depth, light, slope=0.0):
    t = np.exp(-np.asarray(depth)[..., None] * channel_powers(slope))
    return (t * clear + (1 - t) * light).astype(np.float32)


def reader_of(clear, veil, box=BOX):
    boxes = np.repeat(box[None], len(veil.members), axis=0)
    line = (np.array([75.0]), np.array([55.0]))
    return SectionReader(clear, 0.002 + 0 * clear, veil, boxes, line, np.random.default_rng(0))


def none_clipped():
    return np.zeros((H, W), bool)


@pytest.mark.parametrize("light", [0.03, 0.9])
@pytest.mark.parametrize("opacity", [0.0, 20.0, 60.0, 85.0])
def test_even_smoke_reads_its_opacity(light, opacity):
    clear = plate()
    depth = np.full((H, W), -np.log(1 - opacity / 100))

    read = reader_of(clear, veil_of(light)).read(
        behind_smoke(clear, depth, light), np.zeros(3), none_clipped()
    )

    assert abs(read.opacity_pct - opacity) < 0.3  # single precision and the smoothing
    assert read.low_pct < opacity < read.high_pct


@pytest.mark.parametrize(("opacity", "half"), [(10.0, 2.8), (63.2, 10.8), (95.0, 4.4)])
def test_a_depth_is_known_to_a_seventh_at_best(opacity, half):
    clear, one = plate(), veil_of(0.9)
    same = replace(one, members=np.full_like(one.members, 0.9))  # all agree
    smoky = behind_smoke(clear, np.full((H, W), -np.log(1 - opacity / 100)), 0.9)

    read = reader_of(clear, same).read(smoky, np.zeros(3), none_clipped())

    # 1.96 times 0.15 T ln(1/T): the law of Beer and Lambert, differentiated by hand
    assert half <= (read.high_pct - read.low_pct) / 2 < half + 1.7  # the floor of clear air as well


def test_the_section_is_the_mean_over_all_its_pixels_clear_ones_too():
    clear, light = plate(1), 0.9
    depth = np.zeros((H, W))
    depth[:, 75:] = -np.log(1 - 0.5)  # half of the section at 50 %

    read = reader_of(clear, veil_of(light)).read(
        behind_smoke(clear, depth, light), np.zeros(3), none_clipped()
    )

    assert_allclose(read.opacity_pct, 25.0, atol=1.0)


def test_clear_air_may_read_below_zero():
    clear = plate(2)
    brighter = (clear * 0.995).astype(np.float32)  # away from a pale veil

    read = reader_of(clear, veil_of(0.9)).read(brighter, np.zeros(3), none_clipped())

    assert read.opacity_pct < 0


def test_a_veil_like_the_plate_widens_the_interval():
    far = plate(3)
    near = np.full_like(far, 0.55) + 0.02 * (far - 0.3)
    widths = []
    for clear in (far, near.astype(np.float32)):
        seen = behind_smoke(clear, np.full((H, W), 0.5), 0.6)
        read = reader_of(clear, veil_of(0.6)).read(seen, np.full(3, 0.005), none_clipped())
        widths.append(read.u_opacity_pct)

    assert widths[1] > 4 * widths[0]


def test_a_blown_out_section_gives_no_number():
    clear = plate(4)
    read = reader_of(clear, veil_of(0.9)).read(clear, np.zeros(3), np.ones((H, W), bool))

    assert np.isnan(read.opacity_pct)
    assert SATURATED in read.doubts


def plume_of(clear, centre=(75, 55), radius=20, depth=0.8, light=0.9):
    y, x = np.mgrid[:H, :W]
    inside = (x - centre[0]) ** 2 + (y - centre[1]) ** 2 < radius**2
    return behind_smoke(clear, depth * inside, light), inside


def test_the_plume_is_mapped_where_it_hangs_together_with_the_exit():
    clear = plate(5)
    seen, _ = plume_of(clear)
    finder = SmokeFinder(clear, 0.002 + 0 * clear, veil_of(0.9), (60.0, 55.0), 12.0, 1.0)

    found = finder.find(seen)

    assert found.visible
    # smoothing and the low threshold of 2.5 % carry the outline outwards, by 4 px at the most
    assert 20 < np.sqrt(found.area_px / np.pi) < 24
    assert_allclose(found.p95_pct, 100 * (1 - np.exp(-0.8)), atol=3)


def test_a_puff_far_from_the_exit_is_not_the_pipes():
    clear = plate(6)
    seen, _ = plume_of(clear, centre=(140, 20), radius=12)
    finder = SmokeFinder(clear, 0.002 + 0 * clear, veil_of(0.9), (20.0, 100.0), 8.0, 1.0)

    assert not finder.find(seen).visible


def test_windows_tell_transmittance_by_texture_and_by_mean():
    clear, light, t = plate(7), 0.9, 0.6
    texture = PlateTexture(clear, compression=0.0)

    windows = texture.cut(
        (t * clear + (1 - t) * light).astype(np.float32), np.ones((H, W), bool), 0, None, None
    )

    assert_allclose(np.median(windows.slope, axis=0), t, atol=1e-3)
    by_mean = (windows.light - light) / (windows.plate - light)
    assert_allclose(np.median(by_mean), t, atol=1e-3)


def test_even_grey_tells_nothing_by_texture():
    flat = np.full((H, W, 3), 0.3, np.float32)
    windows = PlateTexture(flat).cut(flat, np.ones((H, W), bool), 0, None, None)

    assert (windows.u_slope > 0.2).all()
