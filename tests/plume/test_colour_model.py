"""The model's file: held against its card, plain arrays only, evaluated as scikit-learn does."""

import json
import shutil

import numpy as np
import pytest
from numpy.testing import assert_allclose
from sklearn.neural_network import MLPClassifier

from smokecase.errors import ModelError
from smokecase.model_files import find_model
from smokecase.plume.colour_model import CLASSES, FEATURES, FIRST, ColourModel, load_colour_model
from smokecase.plume.colour_model import read_colour_model as read

FILES = ("colour_model.npz", "colour_model.json")


@pytest.fixture
def copies(tmp_path):
    return [shutil.copy(find_model(name), tmp_path / name) for name in FILES]


def test_a_changed_file_is_not_used(copies):
    path, card = copies
    damaged = bytearray(path.read_bytes())
    damaged[len(damaged) // 2] ^= 1
    path.write_bytes(damaged)

    with pytest.raises(ModelError, match=r"colour_model.npz: .* not the one its card describes"):
        read(path, card)


def test_a_model_of_other_features_is_not_used(copies):
    path, card = copies
    told = json.loads(card.read_text())
    card.write_text(json.dumps(told | {"features": ["hue"]}))

    with pytest.raises(ModelError, match="made for other features"):
        read(path, card)


def test_the_file_holds_numbers_only():
    with np.load(find_model("colour_model.npz"), allow_pickle=False) as file:
        kinds = {file[name].dtype for name in file.files}

    assert kinds == {np.dtype(np.float64)}


def test_weights_and_chances_sum_to_one_also_far_outside_the_training_data():
    model = load_colour_model()
    rng = np.random.default_rng(1)
    for features in rng.normal(0, 50, (20, len(FEATURES))):
        weights = model.weigh(features)

        assert_allclose(sum(weights.shares), 1.0, atol=1e-9)
        assert_allclose(sum(weights.chances), 1.0, atol=1e-9)
        assert 0.0 <= weights.mixed <= 1.0


def test_the_small_evaluator_agrees_with_the_library_that_trained_it():
    rng = np.random.default_rng(2)
    x = rng.normal(size=(400, len(FEATURES)))
    label = np.concatenate([np.arange(len(CLASSES)), rng.integers(len(CLASSES), size=391)])
    network = MLPClassifier((5, 4), activation="tanh", max_iter=30, random_state=0, tol=1.0)
    network.fit(x, label)
    model = ColourModel(
        low=np.full(len(FEATURES), -9.0), high=np.full(len(FEATURES), 9.0),
        centre=np.zeros(len(FEATURES)), scale=np.ones(len(FEATURES)),
        layers=tuple(zip(network.coefs_, network.intercepts_, strict=True)), sharpness=1.0,
        shares=FIRST, named_from=0.9,
    )  # fmt: skip

    assert_allclose(model.classes(x), network.predict_proba(x), atol=1e-12)


def test_the_card_says_how_it_was_made_and_how_good_it_is():
    card = json.loads(find_model("colour_model.json").read_text())

    assert card["made_by"] == "python models/make_colour_model.py"
    assert set(card["ranges"]) == set(FEATURES)
    for figures in card["figures"].values():
        assert figures["smokes"] > 0
        assert 0 <= figures["right_of_named"] <= 1
    assert len(card["limits"]) >= 4
