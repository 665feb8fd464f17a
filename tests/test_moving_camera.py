"""Clips from a hand that wanders; smoke was laid over the yard by Koschmieder's law."""

import numpy as np
import pytest
from tests.made_clips import write_clip

from smokecase.examination import examine
from smokecase.optics.light import to_srgb8

HEIGHT, WIDTH, MARGIN = 240, 360, 60  # of a picture, and of the yard around it
ACROSS = 24.0
THROUGH, VEIL = 0.5, 0.08  # transmittance and veil of the plume
STILL_S, LAST_S, FPS = 2.0, 6.0, 25


def yard():
    """Invented gravel with a pale wall at the lower edge."""
    rng = np.random.default_rng(11)
    light = np.zeros((HEIGHT + 2 * MARGIN, WIDTH, 3))
    for cell, weight in ((3, 0.5), (6, 0.3), (12, 0.2)):
        grain = rng.uniform(0.1, 0.5, (light.shape[0] // cell + 1, WIDTH // cell + 1))
        light += weight * np.kron(grain, np.ones((cell, cell)))[: len(light), :WIDTH, None]
    light[MARGIN + 200 :] = 0.5 * light[MARGIN + 200 :] + 0.5
    return light


def wandering(path, exit_px, rises_px):
    """A clip whose phone rises by so many px after a still start, and in which frames it smokes.

    Smoke of one transmittance falls from the pipe's end, every other half second.
    """
    rng = np.random.default_rng(12)
    clear = yard()
    smoky = clear.copy()
    x, y = round(exit_px[0]), MARGIN + round(exit_px[1])
    slab = (slice(y + 1, y + 80), slice(x - 20, x + 20))
    smoky[slab] = THROUGH * clear[slab] + (1 - THROUGH) * VEIL
    times = np.arange(int(LAST_S * FPS)) / FPS
    smokes = (times > STILL_S + 1) & (np.floor(2 * times) % 2 == 0)
    pictures = []
    for time_s, smoke in zip(times, smokes, strict=True):
        top = MARGIN - round(rises_px * np.clip(time_s - STILL_S, 0, 1))
        light = (smoky if smoke else clear)[top : top + HEIGHT]
        codes = to_srgb8(light.astype(np.float32)) + rng.normal(0, 1.0, light.shape)
        pictures.append(np.clip(codes, 0, 255).astype(np.uint8))
    return write_clip(path, pictures, fps=FPS), smokes


@pytest.fixture(scope="module")
def risen(tmp_path_factory):
    path, smokes = wandering(tmp_path_factory.mktemp("risen") / "risen.mp4", (150.0, 100.0), 44)
    return examine(path, exit_px=(150.0, 100.0), diameter_px=ACROSS).trace, smokes


def test_smoke_reads_right_where_part_of_the_yard_left_the_picture(risen):
    trace, smokes = risen

    assert np.mean(trace.opacity_pct[smokes]) == pytest.approx(100 * (1 - THROUGH), abs=1)
    assert np.mean(np.abs(trace.opacity_pct[~smokes])) < 1


def test_its_interval_holds_the_truth(risen):
    trace, smokes = risen
    true = np.where(smokes, 100 * (1 - THROUGH), 0.0)

    held = (trace.opacity_low_pct <= true) & (true <= trace.opacity_high_pct)

    assert held.mean() > 0.93


def test_a_section_that_left_the_picture_gives_no_reading_and_says_so(tmp_path):
    path, _ = wandering(tmp_path / "gone.mp4", (150.0, 190.0), 50)

    trace = examine(path, exit_px=(150.0, 190.0), diameter_px=ACROSS).trace

    gone = trace.time_s > STILL_S + 1.1
    assert np.isfinite(trace.opacity_pct[trace.time_s < STILL_S]).all()
    assert np.isnan(trace.opacity_pct[gone]).all()
    assert np.isnan(trace.transmittance[gone]).all()
    late = trace.doubts[int(np.argmax(gone))]
    assert "section_outside" in {doubt.name for doubt in late}
