"""Pairs from an unbiased path tracer: scattered light, the plume's shadow, and known opacity.

Source of the truth: transmittance integrated along every camera ray, independently of the renderer
and of this project (`tests/data/pathtraced/README.md`). The bars are those of the first real job.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from benchmarks.obvious import read_pair, to_grey
from smokecase.examination import examine
from smokecase.video.clip import open_clip

PAIRS = Path(__file__).parent / "data" / "pathtraced"
PLUME_PCT = 2.0


def examined(name):
    through = np.load(PAIRS / f"{name}.npz")["T"][..., 1] / 65535.0
    found = examine(PAIRS / f"{name}_smoke.png", plate=PAIRS / f"{name}_clear.png")
    return name, 100.0 * (1.0 - through), found


@pytest.fixture(scope="module")
def front_lit():
    """Oil mist up to 80 %, the sun behind the camera."""
    return examined("pt02")


@pytest.fixture(scope="module")
def back_lit():
    """Fuel mist up to 60 %, the sun behind the plume."""
    return examined("pt05")


@pytest.fixture(params=["front_lit", "back_lit"])
def pair(request):
    return request.getfixturevalue(request.param)


def test_opacity_inside_the_plume_is_within_four_percent_on_average(pair):
    _, true, found = pair
    plume = (true > PLUME_PCT) & np.isfinite(found.opacity_map.opacity_pct)

    error = found.opacity_map.opacity_pct - true

    assert plume.sum() > 0.9 * (true > PLUME_PCT).sum()  # hardly a pixel is left without answer
    assert np.abs(error[plume]).mean() <= 4.0


def test_the_interval_of_a_pixel_holds_its_truth(pair):
    _, true, found = pair
    seen = found.opacity_map
    plume = (true > PLUME_PCT) & np.isfinite(seen.opacity_pct)

    inside = (seen.low_pct <= true) & (true <= seen.high_pct)

    assert inside[plume].mean() >= 0.88


def test_clear_air_reads_near_nothing(pair):
    _, true, found = pair
    clear = (true <= PLUME_PCT) & np.isfinite(found.opacity_map.opacity_pct)

    assert np.abs(found.opacity_map.opacity_pct[clear]).mean() <= 2.0


def test_both_obvious_methods_are_beaten(pair):
    name, true, found = pair
    smoke, clear = (
        to_grey(next(iter(open_clip(PAIRS / f"{name}_{which}.png").frames())).codes)
        for which in ("smoke", "clear")
    )
    plume = (true > PLUME_PCT) & np.isfinite(found.opacity_map.opacity_pct)

    ours = np.abs(found.opacity_map.opacity_pct - true)[plume].mean()
    grey, contrast = (np.abs(read - true)[plume].mean() for read in read_pair(smoke, clear))

    assert ours < 0.5 * min(grey, contrast)


def test_only_the_plume_before_the_sun_is_said_to_be_back_lit(front_lit, back_lit):
    assert "back_lit" not in {d.name for d in front_lit[2].doubts}
    assert "back_lit" in {d.name for d in back_lit[2].doubts}


def test_the_index_tells_what_the_pairs_are():
    entries = {e["id"]: e for e in json.loads((PAIRS / "index.json").read_text())}

    assert entries["pt02"]["light"] == "sun_front"
    assert entries["pt05"]["light"] == "sun_back"
