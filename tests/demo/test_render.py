"""Whole clips: same seed same clip, complete truth, and truth that the picture bears out."""

import json
import sys
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.testing import assert_allclose

sys.path.insert(0, str(Path(__file__).parents[1]))

from smokecase.demo.encode import MARK
from smokecase.demo.render import render
from smokecase.demo.sets import known_families, make_set, unseen_families
from smokecase.demo.truth import section_px
from smokecase.demo.wish import Wish
from tiny_clips import LOSSLESS, PLAIN_CAMERA, tiny_clip

SOOT = {"smoke": "black", "envelope": "persist", "tau0_green": 0.9, "scene": "board",
        "camera": PLAIN_CAMERA, "coding": LOSSLESS}  # fmt: skip
PER_FRAME = {
    "time_s", "opacity_area_mean", "opacity_p95", "opacity_near_pipe", "area_fraction",
    "visible_length_px", "gain_r", "gain_g", "gain_b", "illumination", "shake_dx", "shake_dy",
    "shake_rot_deg", "engine_rpm", "exit_clipped", "near_pipe_share",
}  # fmt: skip
SMOKE = {
    "kind", "components", "alpha_ext", "albedo_rgb", "veil_reflectance_rgb", "tau0_green",
    "envelope", "colour_class", "colour_weights", "emission_onset_s", "visible_onset_s", "peak_s",
    "time_to_half_s", "time_to_tenth_s", "decay_tau_s", "clears", "puff_hz",
    "detaches_at_diameters", "evaporates_at_diameters", "dissipation_distance_px",
}  # fmt: skip
WHOLE = {
    "version", "clip", "file", "width", "height", "frames", "duration_s", "nominal_fps",
    "variable_frame_rate", "codec", "has_audio", "rotation_deg_clockwise", "engine", "pipe",
    "near_pipe_box_px", "smoke", "scene", "camera", "measurability", "refusal_expected",
    "refusal_reason", "families", "conditions", "seed", "wish", "invented", "per_frame",
}  # fmt: skip


def frames(path):
    with av.open(str(path)) as file:
        return [(float(f.time), f.to_ndarray(format="gray")) for f in file.decode(video=0)]


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    """Soot before a black-and-white board, by a camera that changes nothing."""
    return tiny_clip(tmp_path_factory.mktemp("board"), 4, **SOOT)


def test_same_seed_same_clip(board, tmp_path):
    path, truth = board

    again, same = tiny_clip(tmp_path, 4, **SOOT)

    assert same == truth
    for (t, one), (u, other) in zip(frames(path), frames(again), strict=True):
        assert t == u
        assert np.array_equal(one, other)


def test_another_seed_another_clip(board, tmp_path):
    _, truth = board

    _, other = tiny_clip(tmp_path, 5, smoke="black", scene="board")

    assert other["pipe"]["exit_px"] != truth["pipe"]["exit_px"]


def test_every_field_of_the_truth_is_there(board):
    path, _ = board
    truth = json.loads(path.with_suffix(".truth.json").read_text())

    assert truth.keys() >= WHOLE
    assert truth["smoke"].keys() >= SMOKE
    assert truth["per_frame"].keys() >= PER_FRAME
    for name, values in truth["per_frame"].items():
        assert values is None or len(values) == truth["frames"], name
    assert sum(truth["smoke"]["colour_weights"].values()) == pytest.approx(1.0)


def test_maps_and_masks_tell_the_same_as_the_frames(board):
    path, truth = board
    with np.load(path.with_suffix(".truth.npz"), allow_pickle=False) as arrays:
        n, h, w = arrays["mask_shape"]
        masks = np.array([np.unpackbits(bits)[: h * w] for bits in arrays["mask_bits"]])
        last, which = arrays["opacity_half_percent"][-1] / 2, int(arrays["map_frame"][-1])

    assert (n, h, w) == (truth["frames"], 45, 80)
    assert_allclose(masks.mean(axis=1), truth["per_frame"]["area_fraction"], atol=0.02)
    x0, y0, x1, y1 = (round(v / 4) for v in truth["near_pipe_box_px"])
    # cells of four pixels at the rim of a box of four cells
    assert_allclose(
        last[y0:y1, x0:x1].mean(), truth["per_frame"]["opacity_near_pipe"][which], atol=8
    )


def test_the_clips_own_times_are_the_true_ones(board):
    path, truth = board

    assert_allclose([t for t, _ in frames(path)], truth["per_frame"]["time_s"], atol=1e-4)


def test_the_contrast_of_the_board_falls_as_the_truth_says(board):
    # two backgrounds: T is the slope of the smoky picture on the clear one, in linear light
    # (IEC 61966-2-1 curve written out here); grey pixels, so luma is enough
    path, truth = board
    light = [np.where(g > 0.04045, ((g + 0.055) / 1.055) ** 2.4, g / 12.92)
             for g in (picture / 255 for _, picture in frames(path))]  # fmt: skip
    x0, y0, x1, y1 = truth["near_pipe_box_px"]
    opacity = np.array(truth["per_frame"]["opacity_near_pipe"])
    smoky = np.nonzero(opacity > 10)[0]
    plate = light[0][y0:y1, x0:x1].ravel()

    seen = [100 * (1 - np.polyfit(plate, light[k][y0:y1, x0:x1].ravel(), 1)[0]) for k in smoky]

    assert len(smoky) > 15
    # a slope over a box in which T varies is no plain mean: a few points each, less on average
    assert_allclose(np.mean(seen), opacity[smoky].mean(), atol=3.0)
    assert np.corrcoef(seen, opacity[smoky])[0, 1] > 0.9


def test_a_clip_is_marked_as_invented(board):
    path, truth = board
    with av.open(str(path)) as file:
        assert file.metadata["comment"] == MARK
    assert truth["invented"] == MARK


def test_without_smoke_nothing_is_opaque(tmp_path):
    _, truth = tiny_clip(tmp_path, 6, smoke="none", seconds=1.0,
                         nuisances=("passer_by", "shadow", "rain"))  # fmt: skip

    assert max(truth["per_frame"]["opacity_p95"]) == 0
    assert truth["smoke"]["colour_class"] == "none"
    assert truth["smoke"]["visible_onset_s"] is None


def test_smoke_from_the_start_is_there_in_the_first_frame_and_refused(tmp_path):
    _, truth = tiny_clip(
        tmp_path, 7, smoke="fuel", trouble="smoke_from_start", seconds=0.6, engine={}
    )

    assert truth["per_frame"]["opacity_near_pipe"][0] > 5
    assert truth["refusal_expected"] == "yes"
    assert truth["refusal_reason"] == "smoke_from_start"


def test_a_wall_of_the_smokes_own_colour_has_no_contrast_with_it(tmp_path):
    _, truth = tiny_clip(tmp_path, 8, smoke="fuel", trouble="veil_like_plate", tau0_green=0.6,
                         scene="plaster_wall", envelope="persist")  # fmt: skip

    assert truth["measurability"]["mean_relative_contrast_plate_veil"] < 0.08
    assert truth["measurability"]["plate_relative_std"] < 0.03
    assert truth["refusal_expected"] == "yes"


def test_a_portrait_clip_is_stored_lying_and_marked_to_be_turned(tmp_path):
    path, truth = tiny_clip(tmp_path, 9, size=(180, 320), smoke="black", seconds=0.6,
                            coding=LOSSLESS | {"rotation_deg": 90})  # fmt: skip
    with av.open(str(path)) as file:
        frame = next(file.decode(video=0))

    assert (frame.width, frame.height) == (320, 180)
    assert frame.rotation % 360 == 270  # av counts against the clock
    assert (truth["width"], truth["height"]) == (180, 320)


def test_a_moving_camera_takes_the_section_with_it(tmp_path):
    _, truth = tiny_clip(tmp_path, 10, smoke="black", hold="walking", seconds=1.0)
    rows = truth["per_frame"]

    moved = np.hypot(np.ptp(rows["exit_x"]), np.ptp(rows["exit_y"]))
    assert moved > 1.0
    assert_allclose(truth["pipe"]["exit_px"], [rows["exit_x"][0], rows["exit_y"][0]], atol=1e-5)


def test_the_section_is_where_its_definition_puts_it():
    # side 1.1 diameters, centre 0.95 diameters along the outflow, rounded to whole pixels
    box = section_px(np.array([100.0, 50.0]), 20.0, 0.0)

    assert box == (108, 39, 130, 61)


def test_a_sounding_clip_puffs_at_half_the_turns_of_its_engine(tmp_path):
    path, truth = tiny_clip(tmp_path, 11, smoke="fuel", envelope="puffs", sound=True, seconds=3.0)
    with av.open(str(path)) as file:
        assert file.streams.audio[0].sample_rate == 48_000
    late = np.array(truth["per_frame"]["time_s"]) > 2.5

    assert truth["has_audio"]
    speed = np.mean(np.array(truth["per_frame"]["engine_rpm"])[late])
    assert_allclose(truth["smoke"]["puff_hz"], speed / 120, rtol=0.05)


def test_a_set_goes_on_where_it_was_stopped(tmp_path, monkeypatch):
    made = []

    def light_render(seed, out_dir, **_):
        made.append(seed)
        return tiny_clip(out_dir, seed, seconds=0.6, smoke="none")

    monkeypatch.setattr("smokecase.demo.sets.render", light_render)
    make_set(1, 50, tmp_path)
    paths = make_set(2, 50, tmp_path)

    assert made == [50, 51]
    assert [p.name for p in paths] == ["c000050.mp4", "c000051.mp4"]
    rows = [json.loads(line) for line in (tmp_path / "index.jsonl").read_text().splitlines()]
    assert [row["seed"] for row in rows] == [50, 51]


def test_known_and_unseen_families_share_nothing():
    known, unseen = known_families(), unseen_families()

    assert not set(known.scenes) & set(unseen.scenes)
    assert not set(known.phones) & set(unseen.phones)


def test_an_unknown_family_is_named_with_the_known_ones():
    with pytest.raises(ValueError, match=r"light must be one of overcast, .* \(got moon\)"):
        Wish(light="moon")


def test_an_odd_size_is_refused(tmp_path):
    with pytest.raises(ValueError, match=r"multiples of 4 .* \(got \(322, 180\), 2.0\)"):
        render(1, tmp_path, size=(322, 180), seconds=2.0)
