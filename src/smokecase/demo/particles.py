"""What the particles of invented smoke do to light, looked up in a table made by Mie theory.

The table is `models/droplet_optics.npz`, made by `models/make_droplet_optics.py`. It is the
renderer's own: the measuring rooms have theirs, so that an error in one shows.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from smokecase.model_files import find_model

Floats = NDArray[np.float64]

WAVELENGTHS_UM = np.array([0.610, 0.545, 0.460])  # centres of red, green, blue
COLOURS = ("black", "blue", "white", "none")
# smoke as asked for: the parts it is made of, by kind of part
MIXTURES = {
    "black": ("black",),
    "blue": ("blue",),
    "fuel": ("fuel",),
    "coolant": ("coolant",),
    "condensation": ("condensation",),
    "oil_and_soot": ("blue", "black"),
    "fuel_and_soot": ("fuel", "black"),
    "fuel_and_oil": ("fuel", "blue"),
    "fuel_and_fog": ("fuel", "condensation"),
    "oil_and_fog": ("blue", "condensation"),
}
_PARTICLE = {"black": "soot", "blue": "oil_mist", "fuel": "fuel_mist",
             "coolant": "water_fog", "condensation": "water_fog"}  # fmt: skip
_COLOUR = {"black": "black", "blue": "blue", "fuel": "white", "coolant": "white",
           "condensation": "white"}  # fmt: skip
# count median diameter [um]; oil and fuel mist sizes: common practice, no source
_SIZE_UM = {"blue": (0.10, 0.32), "fuel": (0.45, 1.3), "coolant": (1.0, 6.0),
            "condensation": (0.9, 5.0)}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One kind of particle in the smoke."""

    kind: str  # black, blue, fuel, coolant, condensation
    particle: str
    colour: str
    share: float  # of the smoke's green optical depth as it leaves the pipe [0 to 1]
    diameter_um: float  # count median; for soot of the primary spheres
    spread: float  # geometric standard deviation of the sizes; soot: spheres in an agglomerate
    tau_ratio: Floats  # (3,) optical depth over that of green
    albedo: Floats  # (3,)
    asymmetry: Floats  # (3,)

    @property
    def slope(self) -> float:
        """Angstrom exponent of its optical depth over the three channels."""
        return spectral_slope(self.tau_ratio)


def spectral_slope(tau: Floats) -> float:
    """``-d ln(tau) / d ln(wavelength)``, least squares over red, green and blue."""
    return float(-np.polyfit(np.log(WAVELENGTHS_UM), np.log(tau), 1)[0])


def draw_part(rng: np.random.Generator, kind: str, share: float) -> Part:
    """One part of a kind, its particle sizes drawn over their plausible range."""
    if kind == "black":
        sphere, count = (
            rng.uniform(0.022, 0.038),
            float(np.exp(rng.uniform(np.log(80), np.log(400)))),
        )
        size, spread = sphere, count
    else:
        size = float(np.exp(rng.uniform(*np.log(_SIZE_UM[kind]))))
        spread = float(rng.uniform(1.3, 1.7))
    return make_part(kind, share, size, spread)


def make_part(kind: str, share: float, diameter_um: float, spread: float) -> Part:
    """One part of a kind with given particles (see `Part` for what they mean for soot)."""
    if kind == "black":
        value = _look_up("soot", np.log(spread), diameter_um)
    else:
        name = {"blue": "oil", "fuel": "fuel"}.get(kind, "water")
        value = _look_up(name, np.log(diameter_um), spread)
    extinction, albedo, asymmetry = value
    return Part(
        kind=kind, particle=_PARTICLE[kind], colour=_COLOUR[kind], share=share,
        diameter_um=diameter_um, spread=spread, tau_ratio=extinction / extinction[1],
        albedo=np.minimum(albedo, 1.0), asymmetry=asymmetry,
    )  # fmt: skip


@lru_cache(maxsize=1)
def _table() -> dict[str, Floats]:
    with np.load(find_model("droplet_optics.npz"), allow_pickle=False) as file:
        return {name: file[name] for name in file.files}


def _look_up(name: str, first: float, second: float) -> Floats:
    """Bilinear in the table's two axes; shape (3 quantities, 3 channels)."""
    table = _table()
    if name == "soot":
        axes = np.log(table["primaries"]), table["primary_um"]
    else:
        axes = np.log(table["diameter_um"]), table["spread"]
    values = table[name].copy()
    values[:, :, 0] = np.log(values[:, :, 0])  # efficiencies span decades
    (i, a), (j, b) = (_place(axis, x) for axis, x in zip(axes, (first, second), strict=True))
    low = values[i, j] * (1 - b) + values[i, j + 1] * b
    high = values[i + 1, j] * (1 - b) + values[i + 1, j + 1] * b
    found: Floats = low * (1 - a) + high * a
    found[0] = np.exp(found[0])
    return found


def _place(axis: Floats, x: float) -> tuple[int, float]:
    x = float(np.clip(x, axis[0], axis[-1]))
    i = int(np.clip(np.searchsorted(axis, x) - 1, 0, len(axis) - 2))
    return i, (x - axis[i]) / (axis[i + 1] - axis[i])
