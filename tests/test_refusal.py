"""When a clip is refused as a whole: nothing that was not read is called clear."""

import numpy as np
import pytest

from made_clips import write_clip, yard
from smokecase.doubts import EXPOSURE_UNCHECKED, MOVING_CAMERA, SHAKY, SHORT_PLATE, SMOKE_OPEN
from smokecase.examination import examine
from smokecase.plume.smoke_or_not import AtPipe
from smokecase.refusal import unsteady
from smokecase.report.story import tell_story


@pytest.mark.parametrize(
    ("doubts", "told"),
    [
        (set(), False),
        ({SHAKY}, False),  # what shakes can still lie true
        ({EXPOSURE_UNCHECKED, SHORT_PLATE}, False),
        ({SHAKY, EXPOSURE_UNCHECKED}, True),
        ({MOVING_CAMERA, EXPOSURE_UNCHECKED}, True),
    ],
)
def test_a_view_is_unsteady_where_even_its_clear_parts_seem_changed(doubts, told):
    assert unsteady(doubts) is told


@pytest.mark.parametrize(
    ("dim", "lift", "name"), [(0.1, 0, "too_dark"), (0.2, 240, "saturated")], ids=["night", "glare"]
)
def test_nothing_is_called_free_of_smoke_where_smoke_could_hide_all_over(tmp_path, dim, lift, name):
    views = (
        np.clip(frame * dim + lift, 0, 255).astype(np.uint8)
        for frame in yard(90, width=320, height=180)
    )
    path = write_clip(tmp_path / "hidden.mp4", views)

    found = examine(path)

    assert found.exit_px is None
    assert found.colour.colour_open
    assert found.colour.none < 0.75
    (doubt,) = (d for d in found.doubts if d.name == name)
    assert found.refused == doubt.words


def test_a_still_yard_by_day_is_called_free_of_smoke_though_no_pipe_is_seen(tmp_path):
    path = write_clip(tmp_path / "yard.mp4", yard(90, width=320, height=180))

    found = examine(path)

    assert found.exit_px is None
    assert found.colour.none > 0.9
    assert not found.colour.colour_open


@pytest.mark.parametrize(("rank", "refused"), [(0.1, None), (0.01, SMOKE_OPEN.words)])
def test_what_was_read_stands_where_smoke_is_open_but_not_likely(
    tmp_path, monkeypatch, rank, refused
):
    at_pipe = AtPipe(change_rank=rank, flicker_rank=rank)
    monkeypatch.setattr("smokecase.scene.look_at_pipe", lambda *_: at_pipe)
    path = write_clip(tmp_path / "yard.mp4", yard(90, width=320, height=180))

    found = examine(path, exit_px=(150, 120), diameter_px=30)

    assert (at_pipe.smoke > 0.5) is bool(refused)
    assert at_pipe.smoke > 0.25
    assert found.refused == refused
    assert found.colour.colour_open
    assert SMOKE_OPEN in found.doubts
    assert found.trace.colour[:, 3].max() < 0.75
    read = np.isfinite(found.trace.opacity_pct)
    np.testing.assert_allclose(found.trace.colour.sum(axis=1), 1.0)
    assert read.mean() == (0.0 if refused else 1.0)
    if refused:
        assert np.isnan(found.trace.transmittance).all()
    else:
        assert found.trace.opacity_low_pct.max() <= 0.0 <= found.trace.opacity_high_pct.min()
        assert tell_story(found).startswith(
            "Whether there is smoke cannot be told. The highest reading of the measuring section is"
        )


def turned_away(frames, rng):
    """A yard from a hand; after two thirds of the time the phone looks at something else."""
    elsewhere = rng.integers(40, 200, (23, 40)).astype(np.uint8).repeat(8, 0).repeat(8, 1)
    for i, frame in enumerate(yard(frames, width=320, height=180)):
        seen = frame if i < 0.66 * frames else elsewhere[:180, :, None].repeat(3, axis=2)
        yield np.roll(seen, rng.integers(-4, 5, 2), axis=(0, 1))


def test_a_clip_is_not_called_free_of_smoke_when_the_phone_turned_away(tmp_path):
    views = turned_away(90, np.random.default_rng(5))

    found = examine(write_clip(tmp_path / "away.mp4", views), exit_px=(150, 120), diameter_px=30)

    assert found.refused == SHAKY.words
    assert found.colour.colour_open
    assert found.colour.none < 0.75


def leaves(count=75, *, width=320, height=176):
    """Frames of an invented yard in which the leaves of half the view stir in the wind."""
    rng = np.random.default_rng(9)
    sizes = (height // 8, width // 8)
    ground = rng.integers(60, 140, (*sizes, 1)).repeat(3, -1)
    colours = np.array([[40, 70, 30], [110, 150, 70], [200, 215, 225], [25, 40, 20]])
    tree = colours[rng.integers(0, 4, sizes)]
    for n in range(count):
        if n > 15 and n % 2 == 0:
            stirs = rng.random(sizes) < 0.5
            tree = np.where(stirs[..., None], colours[rng.integers(0, 4, sizes)], tree)
        view = ground.copy()
        view[:, : sizes[1] // 2] = tree[:, : sizes[1] // 2]
        yield view.repeat(8, 0).repeat(8, 1).astype(np.uint8)


def test_a_tree_in_the_wind_is_no_smoke_where_no_pipe_is_seen(tmp_path):
    found = examine(write_clip(tmp_path / "tree.mp4", leaves()))

    assert found.exit_px is None
    assert found.timing.onset_s is None
    assert found.colour.word == "no smoke"
