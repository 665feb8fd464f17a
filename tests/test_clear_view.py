"""Clips that smoke at once; smoke was laid over an invented yard by Koschmieder's law."""

import numpy as np
import pytest
from tests.made_clips import write_clip

from smokecase.doubts import NO_CLEAN_PLATE, SHORT_PLATE, SMOKE_FROM_START
from smokecase.examination import examine
from smokecase.optics.light import to_srgb8

HEIGHT, WIDTH, FPS, SECONDS = 240, 360, 25, 5
EXIT, ACROSS, VEIL = (150.0, 90.0), 24.0, 0.08


def smoking(path, clear_frames):
    """Soot falls from the pipe's end, now thinner, now denser, after so many clear pictures."""
    rng = np.random.default_rng(21)
    clear = np.zeros((HEIGHT, WIDTH, 3))
    for cell, weight in ((3, 0.5), (6, 0.3), (12, 0.2)):
        grain = rng.uniform(0.1, 0.5, (HEIGHT // cell + 1, WIDTH // cell + 1))
        clear += weight * np.kron(grain, np.ones((cell, cell)))[:HEIGHT, :WIDTH, None]
    x, y = (round(v) for v in EXIT)
    slab = (slice(y + 1, y + 80), slice(x - 20, x + 20))
    through = rng.uniform(0.4, 0.75, FPS * SECONDS)
    through[:clear_frames] = 1.0
    pictures = []
    for share in through:
        light = clear.copy()
        light[slab] = share * clear[slab] + (1 - share) * VEIL
        codes = to_srgb8(light.astype(np.float32)) + rng.normal(0, 1.0, light.shape)
        pictures.append(np.clip(codes, 0, 255).astype(np.uint8))
    return write_clip(path, pictures, fps=FPS), 100.0 * (1.0 - through)


def test_one_clear_picture_before_the_smoke_is_enough_to_compare_with(tmp_path):
    path, true = smoking(tmp_path / "at_once.mp4", clear_frames=1)

    found = examine(path, exit_px=EXIT, diameter_px=ACROSS)

    assert found.refused is None
    assert SHORT_PLATE in found.doubts
    assert not found.doubts & {SMOKE_FROM_START, NO_CLEAN_PLATE}
    assert np.mean(np.abs(found.trace.opacity_pct - true)) < 3.0
    assert found.timing.onset_s == pytest.approx(1 / FPS, abs=0.1)


def test_smoke_without_any_clear_picture_is_said_to_be_there_from_the_start(tmp_path):
    path, _ = smoking(tmp_path / "before.mp4", clear_frames=0)

    found = examine(path, exit_px=EXIT, diameter_px=ACROSS)

    assert found.doubts >= {SMOKE_FROM_START, NO_CLEAN_PLATE}
    assert SHORT_PLATE not in found.doubts
