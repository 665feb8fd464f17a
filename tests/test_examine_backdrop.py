"""A clip with the printed backdrop through the same door as any other."""

import numpy as np
import pytest

from board_scene import hang, print_sheet
from made_clips import write_clip
from smokecase.examination import examine
from smokecase.report.backdrop import write_backdrop


@pytest.fixture(scope="module")
def filmed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("yard")
    write_backdrop(folder / "board.pdf")
    yard = hang(print_sheet(folder / "board.pdf"), np.random.default_rng(5), s_curve=0.1)
    side = 1.1 * yard.diameter_px
    x, y = yard.exit_px[0] + 0.95 * yard.diameter_px, yard.exit_px[1]
    x0, y0, x1, y1 = np.round([x - side / 2, y - side / 2, x + side / 2, y + side / 2]).astype(int)
    pictures, truth = [], []
    for n in range(32):
        through, veil = np.ones_like(yard.plate), np.zeros(3)
        if n >= 16:
            through, veil = yard.plume(0.5 + 0.2 * np.sin(n / 4), veil=0.05)
        pictures.append(yard.expose(through, veil))
        truth.append(100 * (1 - through[y0:y1, x0:x1, 1].mean()))
    write_clip(folder / "smoke.mp4", pictures, fps=15)
    return yard, folder / "smoke.mp4", np.array(truth)


def test_the_backdrop_is_found_and_carries_the_reading(filmed):
    yard, path, truth = filmed

    trace = examine(path, exit_px=yard.exit_px, diameter_px=yard.diameter_px).trace

    error = trace.opacity_pct - truth
    assert np.abs(error).mean() < 1.5  # the bar for clips with a backdrop
    inside = (trace.opacity_low_pct <= truth) & (truth <= trace.opacity_high_pct)
    assert inside.mean() > 0.88
