"""Smooth transmittance before a checker, against surfaces that are known."""

import numpy as np
import pytest

from smokecase.optics.contrast import FieldFitter


def checker(size=60, cell=7, dark=0.04, bright=0.8):
    y, x = np.mgrid[0:size, 0:size]
    return np.where((x // cell + y // cell) % 2 == 0, bright, dark)


def box(size=60, low=20, high=40):
    weights = np.zeros((1, size, size))
    weights[0, low:high, low:high] = 1
    return weights


def bump(size=60, depth=0.6, width=9.0):
    y = np.arange(size)[:, None] - size / 2
    x = np.arange(size)[None, :]
    return np.exp(-depth * np.exp(-0.5 * (y / width) ** 2) * (1 + 0.2 * np.sin(x / 11)))


@pytest.mark.parametrize("veil", [0.03, 0.4, 0.9])
def test_a_plume_across_the_checker_is_read_whatever_its_veil(veil):
    rng = np.random.default_rng(4)
    clean, truth = checker(), bump()
    seen = truth * clean + (1 - truth) * veil + rng.normal(0, 0.004, clean.shape)
    fitter = FieldFitter(
        clean, usable=np.ones((60, 60), bool), weights=box(), spacing_px=6, block_px=6
    )

    fit = fitter.fit(seen, veil_prior=(0.4, 0.8))

    wanted = truth[20:40, 20:40].mean()
    assert abs(fit.means[0] - wanted) < 0.01
    assert abs(fit.veil - veil) < 0.05


def test_the_interval_covers_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(8)
    clean, truth = checker(), bump()
    fitter = FieldFitter(
        clean, usable=np.ones((60, 60), bool), weights=box(), spacing_px=6, block_px=6
    )
    scores = []
    for _ in range(200):
        seen = truth * clean + (1 - truth) * 0.3 + rng.normal(0, 0.02, clean.shape)
        fit = fitter.fit(seen, veil_prior=(0.4, 0.8))
        scores.append((fit.means[0] - truth[20:40, 20:40].mean()) / fit.u_means[0])

    # 4 sigma of a share out of 200; above is allowed: the larger of two estimates is taken
    assert np.mean(np.abs(scores) < 1.96) > 0.95 - 0.06


def test_clear_air_reads_all_light():
    clean = checker()
    fitter = FieldFitter(
        clean, usable=np.ones((60, 60), bool), weights=box(), spacing_px=6, block_px=6
    )
    rng = np.random.default_rng(1)

    fit = fitter.fit(clean + rng.normal(0, 0.004, clean.shape), veil_prior=(0.4, 0.8))

    assert abs(fit.means[0] - 1) < 0.005


def test_messages_name_what_is_wrong():
    clean, usable = checker(), np.ones((60, 60), bool)
    with pytest.raises(ValueError, match="weights must not all be zero"):
        FieldFitter(clean, usable=usable, weights=0 * box(), spacing_px=6, block_px=6)
    with pytest.raises(ValueError, match=r"usable must hold 30 pixels or more \(got 0\)"):
        FieldFitter(clean, usable=~usable, weights=box(), spacing_px=6, block_px=6)
    with pytest.raises(ValueError, match="must have one shape"):
        FieldFitter(clean[1:], usable=usable, weights=box(), spacing_px=6, block_px=6)
