"""The trained colour model: optical features in, weights of black, blue and white out.

The file `models/colour_model.npz` holds plain arrays (one small network), nothing that could
run; `models/colour_model.json` is its card and names its SHA-256, which is held against the file
before use. Made by `models/make_colour_model.py` with scikit-learn; evaluated here by ten lines
of numpy, so that measuring a clip need not load that library.
"""

import io
import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smokecase.errors import ModelError
from smokecase.model_files import find_model, fingerprint

Floats = NDArray[np.float64]

NAME = "colour_model"
COLOURS = ("black", "blue", "white")
# what the network tells apart: pure smokes, and mixtures with the larger part first
CLASSES = (
    "black", "blue", "white", "black blue", "black white", "blue black", "blue white",
    "white black", "white blue",
)  # fmt: skip
# in this order; u: standard uncertainty
FEATURES = (
    "ln_reflectance",  # of the veil in green, against white
    "u_ln_reflectance",
    "slope",  # Angstrom exponent of the optical depth
    "u_slope",  # all told: what its own fit leaves out is in it
    "tint",  # ln of blue over red of the veil, against white
    "u_tint",
    "ln_misfit",  # of the windows to one smoke; about 0 where one smoke fits
)


# (classes, 3) which colour is the largest in each class
FIRST = np.array([[name.split()[0] == colour for colour in COLOURS] for name in CLASSES], float)


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourWeights:
    """What the model makes of one smoke."""

    shares: tuple[float, float, float]  # expected share of the optical depth, as `COLOURS`
    chances: tuple[float, float, float]  # that it has the largest share
    mixed: float  # chance that it is a mixture of two colours


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColourModel:
    """A small network over the features, and what its classes mean."""

    low: Floats  # (f,) range of the training data; features beyond are taken at its edge
    high: Floats
    centre: Floats  # (f,)
    scale: Floats
    layers: tuple[tuple[Floats, Floats], ...]  # weights and offsets
    sharpness: float  # what calibration multiplies the logits with
    shares: Floats  # (classes, 3) mean share of each colour
    named_from: float  # chance from which a colour is named

    def classes(self, features: Floats) -> Floats:
        """Chance of each of `CLASSES`, shape (n, classes), for features of shape (n, f)."""
        x = (np.clip(features, self.low, self.high) - self.centre) / self.scale
        *hidden, last = self.layers
        for weights, offsets in hidden:
            x = np.tanh(x @ weights + offsets)
        logits = self.sharpness * (x @ last[0] + last[1])
        odds = np.exp(logits - logits.max(axis=-1, keepdims=True))
        return np.asarray(odds / odds.sum(axis=-1, keepdims=True))

    def weigh(self, features: Floats) -> ColourWeights:
        """Weigh the colours of one smoke; features of shape (f,), in the order of `FEATURES`."""
        p = self.classes(features[None])[0]
        return ColourWeights(
            shares=tuple(float(x) for x in p @ self.shares),  # type: ignore[arg-type]
            chances=tuple(float(x) for x in p @ FIRST),  # type: ignore[arg-type]
            mixed=float(p[len(COLOURS) :].sum()),
        )


@lru_cache(maxsize=1)
def load_colour_model() -> ColourModel:
    """Read the model that came with the program, once.

    Raises
    ------
    ModelError
        If a file is missing, was changed, or is not what this program expects.
    """
    return read_colour_model(find_model(f"{NAME}.npz"), find_model(f"{NAME}.json"))


def read_colour_model(path: Path, card: Path) -> ColourModel:
    """Read a model after its file was held against the card.

    Raises
    ------
    ModelError
        If the file was changed or is not what this program expects.
    """
    remedy = "install smokecase again, or make it again with models/make_colour_model.py"
    told = json.loads(card.read_text(encoding="utf-8"))
    if fingerprint(path) != told["sha256"]:
        what = "this model file is not the one its card describes"
        raise ModelError(what, where=path.name, remedy=remedy)
    if told["features"] != list(FEATURES) or told["classes"] != list(CLASSES):
        what = "this model was made for other features"
        raise ModelError(what, where=path.name, remedy=remedy)
    with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as file:
        arrays = {name: np.asarray(file[name], np.float64) for name in file.files}
    for array in arrays.values():
        array.setflags(write=False)
    count = sum(key.startswith("weights_") for key in arrays)
    return ColourModel(
        low=arrays["low"], high=arrays["high"], centre=arrays["centre"], scale=arrays["scale"],
        layers=tuple((arrays[f"weights_{i}"], arrays[f"offsets_{i}"]) for i in range(count)),
        sharpness=float(arrays["sharpness"]), shares=arrays["shares"],
        named_from=float(arrays["named_from"]),
    )  # fmt: skip
