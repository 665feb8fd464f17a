"""The tone curve learnt from grey steps."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from smokecase.optics.target import GREYS
from smokecase.optics.tone import BENDS, LOOSE_TONE, fit_tone, unbend


def bend(light, share):
    """What a camera records: a smooth S mixed into the sRGB value (IEC 61966-2-1)."""
    light = np.asarray(light, float)
    v = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    v = (1 - share) * v + share * v**2 * (3 - 2 * v)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def steps(share, *, ink=0.05, white=0.6, print_exponent=1.0):
    greys = np.array(GREYS)
    reflectance = (ink + (1 - ink) * greys) ** print_exponent
    light = white * reflectance
    rows = np.column_stack(
        [greys, light, np.full(6, white), np.full(6, white * ink**print_exponent), np.zeros(6)]
    )
    rows[:, 1:4] = bend(rows[:, 1:4], share)
    return rows


@pytest.mark.parametrize("share", [-0.1, 0.0, 0.15, 0.3])
def test_unbending_undoes_the_camera(share):
    light = np.linspace(0.002, 0.98, 40)

    assert_allclose(unbend(bend(light, share), share), light, atol=1e-4)  # table of 1025 steps


@pytest.mark.parametrize("share", [0.0, 0.15, 0.3])
def test_grey_steps_narrow_the_bend_down(share):
    twice = np.concatenate(
        [steps(share), steps(share) + np.array([0, 0, 0, 0, 1])]
    )  # as on the sheet
    tone = fit_tone(twice)

    found = float(tone.weights @ BENDS)
    spread = float(np.sqrt(tone.weights @ (BENDS - found) ** 2))
    assert abs(found - share) < 2 * spread
    # little is won over cameras at large: the print's own darkness looks much alike
    assert spread < 0.95 * float(
        np.sqrt(LOOSE_TONE.weights @ (BENDS - LOOSE_TONE.weights @ BENDS) ** 2)
    )


def test_a_print_that_is_too_dark_is_not_taken_for_the_camera():
    straight = fit_tone(steps(0.1))
    dark = fit_tone(steps(0.1, print_exponent=1.06))

    assert abs(float((straight.weights - dark.weights) @ BENDS)) < 0.08


@pytest.mark.parametrize("share", [-0.05, 0.1, 0.25])
def test_patches_at_two_exposures_tell_the_bend_whatever_the_print(share):
    rng = np.random.default_rng(8)
    light = np.geomspace(0.03, 0.6, 90)
    noisy = np.exp(rng.normal(0, 0.01, (2, 90)))
    drift = np.column_stack(
        [bend(light, share) * noisy[0], bend(1.4 * light, share) * noisy[1], np.zeros(90)]
    )

    tone = fit_tone(np.zeros((0, 5)), drift)

    found = float(tone.weights @ BENDS)
    spread = float(np.sqrt(tone.weights @ (BENDS - found) ** 2))
    assert abs(found - share) < 2 * spread
    assert spread < 0.6 * float(
        np.sqrt(LOOSE_TONE.weights @ (BENDS - LOOSE_TONE.weights @ BENDS) ** 2)
    )


def test_transmittance_is_mended_through_the_curve():
    truth, share = 0.5, 0.25
    bright, dark, veil = np.full(3, 0.7), np.full(3, 0.035), np.full(3, 0.05)
    seen = bend(truth * bright + (1 - truth) * veil, share)
    low = bend(truth * dark + (1 - truth) * veil, share)
    b, d, j = (bend(x, share) for x in (bright, dark, veil))
    raw = ((seen - low) / (b - d))[:, None]

    mended, u = fit_tone(steps(share)).correct(raw, b, d, j)
    _, loose = LOOSE_TONE.correct(raw, b, d, j)

    assert np.all(np.abs(mended - truth) < np.abs(raw - truth))
    assert np.all(np.abs(mended - truth) < 2 * u)
    assert np.all(u < loose)


def test_no_smoke_is_no_smoke_whatever_the_curve():
    bright, dark, veil = np.full(3, 0.7), np.full(3, 0.035), np.full(3, 0.3)

    mended, u = LOOSE_TONE.correct(np.ones((3, 1)), bright, dark, veil)

    assert_allclose(mended, 1, atol=1e-9)
    assert_allclose(u, 0, atol=1e-9)
