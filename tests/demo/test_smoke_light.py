"""How invented smoke blocks light and glows: closed forms and limits."""

from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose

from smokecase.demo.light import draw_light, glow
from smokecase.demo.particles import make_part
from smokecase.demo.plume import Plume, draw_jet

SHAPE = (40, 60)
ONES = np.ones(SHAPE, np.float32)


def light_of(family, **changes):
    light = draw_light(np.random.default_rng(5), family, SHAPE, np.arange(3.0), (30.0, 20.0))
    return replace(light, **changes)


def lit(tau, parts, light):
    stack = np.stack([np.full(SHAPE, t, np.float32) for t in tau])
    return glow(stack, parts, light, sun_share=1.0, field=ONES, width_px=10 * ONES)


def test_transmittance_is_beer_lambert_in_every_channel():
    oil = make_part("blue", 1.0, 0.2, 1.4)

    passed, _ = lit([0.7], (oil,), light_of("overcast"))

    assert_allclose(passed[20, 30], np.exp(-0.7 * oil.tau_ratio), rtol=1e-5)


def test_two_kinds_of_smoke_in_a_row_multiply():
    oil, soot = make_part("blue", 0.5, 0.2, 1.4), make_part("black", 0.5, 0.03, 80.0)

    both, _ = lit([0.3, 0.5], (oil, soot), light_of("overcast"))
    one, _ = lit([0.3], (oil,), light_of("overcast"))
    other, _ = lit([0.5], (soot,), light_of("overcast"))

    assert_allclose(both, one * other, rtol=1e-5)


def test_smoke_that_absorbs_nothing_looks_like_the_light_around_it():
    # a lossless cloud in a uniform field cannot be seen: radiance is conserved
    fog = make_part("coolant", 1.0, 4.0, 1.4)
    light = light_of("overcast", around_gain=1.0, top_share=0.0)

    passed, added = lit([1.3], (fog,), light)

    assert_allclose(added[20, 30], (1 - passed[20, 30]) * light.ambient, rtol=2e-3)


def test_soot_glows_far_less_than_fog():
    light = light_of("overcast")

    _, soot = lit([1.0], (make_part("black", 1.0, 0.03, 80.0),), light)
    _, fog = lit([1.0], (make_part("coolant", 1.0, 4.0, 1.4),), light)

    assert soot[20, 30, 1] < 0.2 * fog[20, 30, 1]


def test_the_sun_behind_the_plume_makes_it_glow_and_its_rim_brighter_than_its_core():
    fog = make_part("coolant", 1.0, 4.0, 1.4)
    back = light_of("sun_back", toward_sun=np.array([0.2, -0.3, -np.sqrt(1 - 0.13)]))
    front = replace(back, toward_sun=np.array([0.2, -0.3, np.sqrt(1 - 0.13)]))

    def veil(tau, light):
        passed, added = lit([tau], (fog,), light)
        return float(added[20, 30, 1] / (1 - passed[20, 30, 1]))

    assert veil(0.5, back) > 1.5 * veil(0.5, front)
    assert veil(0.2, back) > veil(4.0, back)


def test_the_stream_at_the_mouth_has_the_optical_depth_it_was_given():
    rng = np.random.default_rng(11)
    jet = replace(draw_jet(rng, (60.0, 90.0), 40.0, 0.0, 1.0), lumps=0.0, turbulence=0.0,
                  wind=(0.0, 0.0), gusts=0.0, lift=0.0, speed=20.0, spread=0.0)  # fmt: skip
    plume = Plume(rng, jet, (180, 320), (False,))
    means = []
    for k in range(120):
        plume.step(1 / 60, 1.0, np.array([0.8]))
        if k > 60:
            means.append(plume.optical_depth()[0][:, 36:44].sum(axis=0).mean())

    # across a round stream of middle depth tau the depths add up to tau pi d / 4; it slows
    # within the first diameter and so grows denser by a few percent
    expected = 0.8 * np.pi * 20 / 4
    assert 0.93 * expected < np.mean(means) < 1.15 * expected


def test_fog_begins_away_from_the_pipe_and_ends():
    rng = np.random.default_rng(2)
    jet = replace(draw_jet(rng, (40.0, 90.0), 16.0, 0.0, 1.0), detaches=3.0, evaporates=12.0,
                  wind=(0.0, 0.0), gusts=0.0, lift=0.0, life_s=4.0, speed=20.0)  # fmt: skip
    plume = Plume(rng, jet, (180, 640), (True,))
    for _ in range(150):
        plume.step(1 / 60, 1.0, np.array([1.0]))
    along = plume.optical_depth()[0].sum(axis=0)

    def at(diameters):
        x = int(20 + diameters * 8)
        return along[x - 3 : x + 4].mean()

    assert at(1) < 0.1 * at(6)
    assert at(24) < 0.1 * at(6)
