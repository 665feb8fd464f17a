"""What an invented clip shall show, and what is left to chance."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from smokecase.demo.camera import FAMILIES as PHONES
from smokecase.demo.engine import ENVELOPES
from smokecase.demo.light import FAMILIES as LIGHTS
from smokecase.demo.motion import FAMILIES as HOLDS
from smokecase.demo.nuisances import NAMES
from smokecase.demo.particles import MIXTURES
from smokecase.demo.scene import FAMILIES as SCENES

TROUBLES = ("veil_like_plate", "smoke_from_start", "blown_out", "too_dark", "too_shaky")
# what a clip of a kind comes from; the rest of the table is even
_KINDS = {"none": 0.13, "black": 0.17, "blue": 0.17, "fuel": 0.13, "coolant": 0.11,
          "condensation": 0.07, "oil_and_soot": 0.06, "fuel_and_soot": 0.05,
          "fuel_and_oil": 0.04, "fuel_and_fog": 0.04, "oil_and_fog": 0.03}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """Families of one clip; None is drawn from the seed."""

    smoke: str | None = None  # none, or a name of `particles.MIXTURES`
    envelope: str | None = None
    tau0_green: float | None = None  # peak optical depth at the mouth
    scene: str | None = None
    light: str | None = None
    phone: str | None = None
    hold: str | None = None
    nuisances: tuple[str, ...] | None = None
    trouble: str | None = None  # one of TROUBLES or "nothing"
    title: str = ""  # of the scenario, where there is one
    words: str = ""  # what is invented about it
    sound: bool = False  # whether the engine is heard
    # single fields of `Coding`, `Engine`, `Phone` and `Jet` that a story sets
    coding: dict[str, Any] = field(default_factory=dict)
    engine: dict[str, Any] = field(default_factory=dict)
    camera: dict[str, Any] = field(default_factory=dict)
    jet: dict[str, Any] = field(default_factory=dict)
    scenes: tuple[str, ...] = tuple(SCENES)  # families to draw from
    phones: tuple[str, ...] = tuple(PHONES)
    troubles_share: float = 0.12

    def __post_init__(self) -> None:
        known = {"smoke": ("none", *MIXTURES), "envelope": ENVELOPES,
                 "scene": tuple(SCENES), "light": LIGHTS,
                 "phone": tuple(PHONES), "hold": HOLDS,
                 "trouble": ("nothing", *TROUBLES)}  # fmt: skip
        for name, choices in known.items():
            asked = getattr(self, name)
            if asked is not None and asked not in choices:
                msg = f"{name} must be one of {', '.join(choices)} (got {asked})"
                raise ValueError(msg)
        for asked in self.nuisances or ():
            if asked not in NAMES:
                msg = f"nuisances must be of {', '.join(NAMES)} (got {asked})"
                raise ValueError(msg)


def fill(wish: Wish, rng: np.random.Generator) -> Wish:
    """Draw everything that is still open, in a fixed order."""
    smoke = str(rng.choice(list(_KINDS), p=list(_KINDS.values())))
    trouble = str(rng.choice(TROUBLES)) if rng.random() < wish.troubles_share else "nothing"
    place = str(rng.choice(list(wish.scenes)))
    lit = str(rng.choice(LIGHTS[:-1], p=[0.28, 0.17, 0.17, 0.13, 0.14, 0.11]))
    phone = str(rng.choice(list(wish.phones)))
    hold = str(rng.choice(HOLDS[:-1], p=[0.42, 0.42, 0.09, 0.07]))
    shape = str(rng.choice(ENVELOPES, p=[0.26, 0.28, 0.18, 0.12, 0.08, 0.08]))
    tau0 = float(np.exp(rng.uniform(np.log(0.08), np.log(2.4))))
    extra = [n for n in NAMES if rng.random() < 0.055]
    many = [n for n in NAMES if rng.random() < 0.2]
    full = replace(
        wish, smoke=wish.smoke or smoke, trouble=wish.trouble or trouble,
        scene=wish.scene or place, light=wish.light or lit, phone=wish.phone or phone,
        hold=wish.hold or hold, envelope=wish.envelope or shape, tau0_green=wish.tau0_green or tau0,
    )  # fmt: skip
    # smoke-free clips live from what else happens
    names = many if full.smoke == "none" else extra
    names += _at_home(str(full.scene), rng)
    full = _fit_together(full, wish)
    if full.nuisances is None:
        full = replace(full, nuisances=tuple(dict.fromkeys(names)))
    return full


def drawn(value: str | None) -> str:
    """Give a family of a filled wish as a plain word.

    Raises
    ------
    ValueError
        If it is still open.
    """
    if value is None:
        msg = "this wish is not filled; call fill first"
        raise ValueError(msg)
    return value


def _at_home(place: str, rng: np.random.Generator) -> list[str]:
    """Nuisances that belong to a scene."""
    chance = rng.random()
    if place == "people_behind":
        return ["people_standing"]
    if place == "snow" and chance < 0.25:
        return ["snowfall"]
    return ["leaves"] if place == "hedge" and chance < 0.5 else []


def _fit_together(full: Wish, asked: Wish) -> Wish:
    """Let what was drawn agree; what was asked for stays."""
    changes: dict[str, str | float] = {}
    if full.smoke == "none" and full.trouble in ("veil_like_plate", "smoke_from_start"):
        changes["trouble"] = "nothing"
    trouble = changes.get("trouble", full.trouble)
    if full.scene == "night_lamp" and trouble != "veil_like_plate":
        changes["light"] = "lamp"
    if trouble == "veil_like_plate":
        changes |= {"light": "overcast", "envelope": "persist"}  # one veil for the whole clip
    if trouble == "smoke_from_start":
        changes |= {"envelope": "persist", "tau0_green": max(full.tau0_green or 0.0, 0.3)}
    if trouble == "too_shaky":
        changes["hold"] = "violent"
    open_ = {k: v for k, v in changes.items() if k == "trouble" or getattr(asked, k) is None}
    return replace(full, **open_)  # type: ignore[arg-type]  # each value is of its field's type
