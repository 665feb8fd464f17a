"""Makes `colour_model.npz` and its card `colour_model.json`: black, blue or white smoke.

Run again with ``python models/make_colour_model.py``; a few minutes on one core, the same seed
gives the same file.

Tens of thousands of smokes are drawn from the optics tables of `models/droplet_optics.npz` (soot,
oil mist, fuel mist, water fog, and mixtures of two), in drawn daylight, dusk and lamp light
(`smokecase.demo.light`), over wide ranges of particle size and thickness. Each gets the errors
that measuring adds: they were learnt from invented clips that were rendered, coded and measured
(`models/colour_measured.csv`, made by `models/measure_colour_clips.py`), heavy tails and all. A
small network learns from that which colours a smoke is made of and which of them is the larger.
It is calibrated on the measured clips that taught the errors, and judged on measured clips of
families of scene and phone that were never used.
"""

import csv
import hashlib
import json
import sys
from dataclasses import replace
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

import numpy as np
from colour_figures import draw_confusion, draw_reliability, write_page
from scipy.optimize import minimize, minimize_scalar
from scipy.stats import t as student
from sklearn.model_selection import train_test_split
from sklearn.neural_network import MLPClassifier

import smokecase.demo.light as lighting
from smokecase.demo.particles import MIXTURES, WAVELENGTHS_UM, draw_part, spectral_slope
from smokecase.plume.colour_model import CLASSES, COLOURS, FEATURES, FIRST, read_colour_model

HERE = Path(__file__).parent
EXAMPLES = HERE.parent / "examples"
SEED = 20_261_125
SMOKES = 60_000
HIDDEN = (32, 16)
NAMED_FROM = 0.8  # chance of being right from which a colour is named: 4 in 5 at the least
ALIKE = 0.5  # ln of the veil over which clips count as alike
TAUGHT = "known"  # set of `colour_measured.csv` that errors and calibration are learnt from
SETS = {"known": "measured clips that taught the errors",
        "unseen": "measured clips, unseen families", "practice": "practice clips",
        "pathtraced": "path-traced pairs"}  # fmt: skip
# the table's soot has exponents of 1.2 to 1.5 and albedos of 0.12 to 0.25; grown and fresh soot
# have 0.8 to 1.4 (Bond and Bergstrom 2006, memory) and as little as a third of that light
SOOT_FLATTER, SOOT_DARKER = (-0.1, 0.5), (0.3, 1.1)
# opaque shreds of dense soot take all colours alike: its exponent, seen over many, falls as far as
# nought (Beer's law averaged over a patchy plume); this share of soots
SHREDS = 0.35
# a plume hangs in the car's shade, or is seen before the light: ln of its light over the yard's
# (path-traced pale plumes lie 0.1 to 0.9 below a white card)
DIM = (-0.6, 0.2)
# share of steady, little compressed clips and pairs, whose slope errs by its own doubt and no more
# (the taught clips are harder than most: few bits, walking, rain); that doubt
CLEAN, U_SLOPE_CLEAN = 0.35, (0.35, 0.5)
MIXED_FROM = 0.02  # share of the second colour from which a smoke is a mixture
TAILS = 8.0  # degrees of freedom of Student's t: every clip may hold dust, rain or a lamp
# families of mixture as often as a colour of each is the largest: the weights mean even odds
MIX = {"black": 0.29, "blue": 0.24, "fuel": 0.12, "coolant": 0.10, "condensation": 0.06,
       "oil_and_soot": 0.07, "fuel_and_soot": 0.03, "fuel_and_oil": 0.04, "fuel_and_fog": 0.02,
       "oil_and_fog": 0.03}  # fmt: skip
LIGHT_SHARES = (0.26, 0.16, 0.16, 0.13, 0.13, 0.11, 0.05)  # as `lighting.FAMILIES`
U_GUESSED_WHITE = 0.45  # what the measuring side believes of a guessed white (ln)
WHITE_KNOWN = 0.3  # share of clips with a sheet, a marked white or sky


def draw_smokes(rng, n):
    """Draw true optics of n smokes: ln veil over white (n, 3), slope (n,), shares (n, 3)."""
    ln_veil, slope, shares = np.empty((n, 3)), np.empty(n), np.zeros((n, 3))
    names = list(MIX)
    ones = np.ones((16, 16), np.float32)
    for k in range(n):
        kinds = MIXTURES[str(rng.choice(names, p=list(MIX.values())))]
        family = str(rng.choice(lighting.FAMILIES, p=LIGHT_SHARES))
        light = lighting.draw_light(rng, family, (32, 32), np.arange(3) / 3.0, (16, 16))
        split = [1.0] if len(kinds) == 1 else [u := rng.uniform(0.2, 0.8), 1.0 - u]
        parts = tuple(_part(rng, kind, float(s)) for kind, s in zip(kinds, split, strict=True))
        # half its peak is what a plume shows on average
        depth = 0.5 * float(np.exp(rng.uniform(np.log(0.08), np.log(2.4))))
        tau = np.array(split, np.float32)[:, None, None] * (depth * ones)
        passed, added = lighting.glow(
            tau, parts, light, sun_share=float(light.drift.mean()),
            field=ones * float(light.field.mean()), width_px=20 * ones,
        )  # fmt: skip
        ln_veil[k] = np.log((added / (1.0 - passed))[8, 8] / light.white)
        slope[k] = spectral_slope(np.sum([p.share * p.tau_ratio for p in parts], axis=0))
        ln_veil[k] += rng.uniform(*DIM)
        for part in parts:
            shares[k, COLOURS.index(part.colour)] += part.share
        if shares[k, 0] > 0.5 and rng.random() < SHREDS:
            slope[k] *= rng.random()
        if sys.stderr.isatty() and k % 500 == 0:
            sys.stderr.write(f"\r{100 * k / n:3.0f} %  drawing smokes ")
    return ln_veil, slope, shares


def _part(rng, kind, share):
    """Draw one part; soot over the whole published range of its exponent and albedo."""
    part = draw_part(rng, kind, share)
    if kind != "black":
        return part
    bent = (WAVELENGTHS_UM / WAVELENGTHS_UM[1]) ** rng.uniform(*SOOT_FLATTER)
    darker = rng.uniform(*SOOT_DARKER)
    return replace(part, tau_ratio=part.tau_ratio * bent, albedo=part.albedo * darker)


# -- what measuring adds --------------------------------------------------------------------


def read_measured(path):
    """Rows of `colour_measured.csv` as columns."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    text = {"clip", "set", "scene", "phone", "light", "smoke", "nuisances"}
    return {
        name: np.array([r[name] for r in rows]) if name in text
        else np.array([float(r[name] or "nan") for r in rows])
        for name in rows[0]
    }  # fmt: skip


def spread_of(spread, u, ln_misfit):
    """Scale of an error from its own doubt and from how badly one smoke fits the windows."""
    return np.hypot(spread["factor"] * u, spread["floor"]) * np.exp(
        spread["growth"] * np.maximum(ln_misfit, 0.0)
    )


def fit_spread(error, u, ln_misfit):
    """Factor, floor and growth with the misfit that make Student's t fit the errors best."""

    def named(p):
        return {"factor": np.exp(p[0]), "floor": np.exp(p[1]), "growth": p[2]}

    def cost(p):
        scale = spread_of(named(p), u, ln_misfit)
        # the priors: doubts are right within a tenth, errors grow with the misfit's root
        before = 0.5 * ((p[0] / 0.35) ** 2 + ((p[1] - np.log(0.25)) / 0.7) ** 2)
        before += 0.5 * ((p[2] - 0.5) / 0.3) ** 2
        return before - np.sum(student.logpdf(error / scale, TAILS) - np.log(scale))

    found = minimize(cost, [0.0, np.log(0.25), 0.5], method="Nelder-Mead")
    return {k: float(v) for k, v in named(found.x).items()}


def learn_errors(measured):
    """How far features lie from the truth on measured clips, and how their own doubts spread."""
    ln_misfit, u_level = measured["ln_misfit"], measured["u_ln_veil"]
    level = measured["ln_reflectance"] - measured["true_ln_reflectance"]
    slope = measured["slope"] - measured["true_slope"]
    tint = measured["tint"] - measured["true_tint"]
    bias = float(np.median(level))
    doubts = [np.log(u_level), np.log(measured["u_slope"]), np.log(measured["u_tint"]), ln_misfit]
    return {
        "level": fit_spread(level - bias, u_level, ln_misfit),
        "level_bias": bias,
        "slope": fit_spread(slope, measured["u_slope"], ln_misfit),
        "tint": fit_spread(tint, measured["u_tint"], ln_misfit),
        # a tint taken for slope: both move together against the truth
        "slope_on_tint": float(np.corrcoef(_ranks(slope), _ranks(tint))[0, 1]),
        "doubts": np.column_stack(doubts),
        "true_level": measured["true_ln_reflectance"],
    }


def _ranks(values):
    return np.argsort(np.argsort(values)).astype(float)


def add_errors(rng, ln_veil, slope, errors):
    """Features as measured, shape (n, f), in the order of `FEATURES`."""
    n = len(slope)
    # doubts drawn from those of measured clips with a veil alike, smeared: the logarithm of a
    # veil near black is known worse than that of a bright one
    alike = np.exp(-np.abs(ln_veil[:, 1:2] - errors["true_level"]) / ALIKE)
    heap = np.cumsum(alike, axis=1)
    which = (rng.random((n, 1)) * heap[:, -1:] > heap).sum(axis=1)
    doubts = errors["doubts"][which] + rng.normal(0.0, 0.25, (n, 4))
    (u_level, u_slope, u_tint), ln_misfit = np.exp(doubts[:, :3]).T, doubts[:, 3]
    known = rng.random(n) < WHITE_KNOWN
    u_white = np.where(known, np.exp(rng.uniform(np.log(0.07), np.log(0.2), n)), U_GUESSED_WHITE)
    # the floor holds the guessed white; a known one errs by its own doubt, the veil as before
    level = dict(errors["level"])
    level["floor"] = np.where(known, np.hypot(u_white, 0.25), level["floor"])
    clean = rng.random(n) < CLEAN
    u_slope = np.where(clean, np.exp(rng.uniform(*np.log(U_SLOPE_CLEAN), n)), u_slope)
    u_of_slope = np.where(clean, u_slope, spread_of(errors["slope"], u_slope, ln_misfit))
    first, second, third = rng.standard_t(TAILS, (3, n))
    of_level = spread_of(level, u_level, ln_misfit) * third
    of_level += np.where(known, 0.0, errors["level_bias"])
    r = errors["slope_on_tint"]
    of_slope = u_of_slope * first
    of_tint = spread_of(errors["tint"], u_tint, ln_misfit)
    of_tint *= r * first + np.sqrt(1.0 - r**2) * second
    true_tint = ln_veil[:, 2] - ln_veil[:, 0]
    return np.column_stack([
        ln_veil[:, 1] + of_level, np.hypot(u_level, u_white),
        np.clip(slope + of_slope, -1.5, 4.0), u_slope, true_tint + of_tint, u_tint, ln_misfit,
    ])  # fmt: skip


def features_of(measured):
    """Features of measured clips, shape (n, f)."""
    return np.column_stack([measured[name] for name in FEATURES])


# -- training and calibration ---------------------------------------------------------------


def class_of(shares):
    """Give the number of each smoke's class in `CLASSES`."""
    order = np.argsort(-shares, axis=1)
    names = [
        COLOURS[a] if s[b] < MIXED_FROM else f"{COLOURS[a]} {COLOURS[b]}"
        for (a, b, _), s in zip(order, shares, strict=True)
    ]
    return np.array([CLASSES.index(name) for name in names])


def train(features, shares):
    """Arrays of the file: range, scale, network, and what its classes mean."""
    low, high = np.quantile(features, [0.01, 0.99], axis=0)
    x = np.clip(features, low, high)
    centre, scale = x.mean(axis=0), x.std(axis=0)
    label = class_of(shares)
    network = MLPClassifier(
        HIDDEN, activation="tanh", alpha=1e-3, early_stopping=True, n_iter_no_change=12,
        batch_size=256, learning_rate_init=2e-3, random_state=SEED,
    )  # fmt: skip
    network.fit((x - centre) / scale, label)
    arrays = {
        "low": low, "high": high, "centre": centre, "scale": scale, "sharpness": np.array(1.0),
        "shares": np.array([shares[label == k].mean(axis=0) for k in range(len(CLASSES))]),
    }  # fmt: skip
    for i, (w, b) in enumerate(zip(network.coefs_, network.intercepts_, strict=True)):
        arrays[f"weights_{i}"], arrays[f"offsets_{i}"] = w, b
    return arrays


def logits_of(arrays, features):
    """Logits of the network, before any sharpness."""
    x = (np.clip(features, arrays["low"], arrays["high"]) - arrays["centre"]) / arrays["scale"]
    i = 0
    while f"weights_{i + 1}" in arrays:
        x = np.tanh(x @ arrays[f"weights_{i}"] + arrays[f"offsets_{i}"])
        i += 1
    return x @ arrays[f"weights_{i}"] + arrays[f"offsets_{i}"]


def chances_of(arrays, features, sharpness=None):
    """Chance of each class, shape (n, classes)."""
    z = float(arrays["sharpness"] if sharpness is None else sharpness) * logits_of(arrays, features)
    odds = np.exp(z - z.max(axis=1, keepdims=True))
    return odds / odds.sum(axis=1, keepdims=True)


def calibrate(arrays, features, shares):
    """Sharpness by the likelihood of the largest colour on measured clips."""
    largest = shares.argmax(axis=1)

    def cost(ln_s):
        chance = (chances_of(arrays, features, np.exp(ln_s)) @ FIRST)[
            np.arange(len(largest)), largest
        ]
        # the prior: the simulation is right within a tenth
        return -np.sum(np.log(chance)) + 0.5 * (ln_s / 0.1) ** 2

    found = minimize_scalar(cost, bounds=(np.log(0.3), np.log(2.0)), method="bounded")
    return float(np.exp(found.x))


# -- how good it is ---------------------------------------------------------------------------


def judge(model, features, shares):
    """Figures on one set of smokes."""
    p = model.classes(features)
    chance, told = p @ FIRST, p @ model.shares
    top, largest = told.argmax(axis=1), shares.argmax(axis=1)
    sure = chance[np.arange(len(top)), top]
    named, right = sure >= model.named_from, top == largest
    return {
        "smokes": len(shares),
        "named": float(named.mean()),
        "right_of_named": float(right[named].mean()) if named.any() else None,
        "right_of_all": float(right.mean()),
        "calibration_error": calibration_error(sure, right),
        "calibration_error_named": calibration_error(sure[named], right[named]),
        "weights_off": float(np.abs(told - shares).mean()),
    }


def calibration_error(sure, right, bins=5):
    """Sum up the calibration error over bins of equal numbers; None for fewer than 20 smokes."""
    if len(sure) < 20:
        return None
    order = np.array_split(np.argsort(sure), bins)
    return float(sum(len(b) * abs(sure[b].mean() - right[b].mean()) for b in order) / len(sure))


def main():
    """Train, calibrate, judge, write the model, its card and its pictures."""
    measured = read_measured(HERE / "colour_measured.csv")
    taught = measured["set"] == TAUGHT
    mine = {name: column[taught] for name, column in measured.items()}
    rng = np.random.default_rng(SEED)
    ln_veil, slope, shares = draw_smokes(rng, SMOKES)
    errors = learn_errors(mine)
    features = add_errors(rng, ln_veil, slope, errors)
    learn, test = train_test_split(np.arange(SMOKES), test_size=0.2, random_state=SEED)
    arrays = train(features[learn], shares[learn])
    true = np.column_stack([measured[f"true_{c}"] for c in COLOURS])
    own = features_of(measured)
    arrays["sharpness"] = np.array(calibrate(arrays, own[taught], true[taught]))
    arrays["named_from"] = np.array(NAMED_FROM)
    path, card_path = HERE / "colour_model.npz", HERE / "colour_model.json"
    write_arrays(path, arrays)
    card = {
        "version": 1,
        "what": "black, blue or white smoke from the veil's reflectance, the spectral slope and "
        "the tint, with their uncertainties",
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "made_by": "python models/make_colour_model.py",
        "features": list(FEATURES),
        "classes": list(CLASSES),
        "named_from": float(arrays["named_from"]),
        "data": {
            "simulated_smokes": SMOKES,
            "measured_clips": int(taught.sum()),
            "held_out_clips": int((~taught).sum()),
            "mixtures": MIX,
            "errors_of_measuring": {
                k: v for k, v in errors.items() if k not in ("doubts", "true_level")
            },
        },
        "ranges": {
            name: [round(float(a), 3), round(float(b), 3)]
            for name, a, b in zip(FEATURES, arrays["low"], arrays["high"], strict=True)
        },
    }
    card_path.write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
    model = read_colour_model(path, card_path)
    sets = {"simulated, held out": (features[test], shares[test])}
    for name, words in SETS.items():
        here = measured["set"] == name
        if here.any():
            sets[words] = own[here], true[here]
    card["figures"] = {name: judge(model, *pair) for name, pair in sets.items()}
    card["figures_by_condition"] = by_condition(model, own, true, measured)
    card["limits"] = LIMITS
    card_path.write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
    draw_reliability(EXAMPLES / "colour_reliability.png", model, sets)
    draw_confusion(EXAMPLES / "colour_confusion.png", model, sets)
    write_page(EXAMPLES / "colour.md", card)
    for name, figures in card["figures"].items():
        sys.stdout.write(f"{name}: {figures}\n")


LIMITS = [
    "Learnt from computed smoke: no real tailpipe was filmed for it.",
    "Fuel mist and water fog look alike; both are white.",
    "Without a printed sheet or a marked white the light's level is guessed from the brightest "
    "things in view, within a factor of 1.6; soot and oil mist are then often left open.",
    "Before a background darker than the smoke a bluish light and blue smoke look the same.",
    "Dust, mist or rain in the view adds its own veil; coloured lamps shift the tint.",
    "Weights are made against even odds of black, blue and white.",
    "Practice clips and path-traced pairs were measured for this page with an earlier state of the "
    "program, and the share of clean clips was chosen with them in view; accuracy.md tells what "
    "the present state names in them.",
]


def by_condition(model, own, true, measured):
    """Figures for every scene, phone, light and smoke with enough measured clips."""
    out = {}
    for kind in ("light", "scene", "phone", "smoke"):
        for value in sorted(set(measured[kind])):
            here = (measured[kind] == value) & np.isin(measured["set"], ["known", "unseen"])
            if here.sum() >= 4:
                out[f"{kind}: {value}"] = judge(model, own[here], true[here])
    return out


def write_arrays(path, arrays):
    """Write a file whose bytes depend on the arrays alone (no time stamps)."""
    with ZipFile(path, "w", ZIP_DEFLATED) as file:
        for name in sorted(arrays):
            with file.open(ZipInfo(f"{name}.npy"), "w") as part:
                np.lib.format.write_array(
                    part, np.asarray(arrays[name], np.float64), allow_pickle=False
                )


if __name__ == "__main__":
    main()
