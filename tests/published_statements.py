"""The published statements of 09_smoke_diagnosis.csv as answers, for tests and benchmarks."""

import csv
import tomllib
from dataclasses import dataclass
from pathlib import Path

REFERENCE = Path(__file__).parents[1] / "shared" / "reference"
FAMILY = {
    "normal": "nothing_wrong",
    "condensation": "condensation",
    "unburnt_fuel": "unburnt_fuel",
    "coolant": "coolant",
    "oil": "oil",
    "overfuelling": "overfuelling",
}
WHEN = {
    "cold_start": "cold_start",
    "warm_idle": "warm_idle",
    "acceleration": "acceleration",
    "overrun": "overrun",
    "load": "load",
    "continuous": "always",
    "no_load_high_speed": "high_speed",
}
COLOUR = {"bluish-white": "bluish_white"}


@dataclass(frozen=True)
class Statement:
    row: str
    source: str
    families: tuple[str, ...]
    answers: dict


def statements():
    signs = tomllib.loads((Path(__file__).parent / "published_statements.toml").read_text())
    with (REFERENCE / "09_smoke_diagnosis.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            classes = row["cause_class"].split("|")
            if not set(classes) <= set(FAMILY):
                continue  # fault, method, no_fuel: no family is named
            answers = {}
            engine = row["engine"]
            if "diesel" in engine:
                answers["fuel"] = "diesel"
            elif engine == "petrol":
                answers["fuel"] = "petrol"
            for word, place in (("marine", "boat"), ("generator", "generator")):
                if word in engine:
                    answers["installation"] = place
            if row["smoke_colour"] != "any":
                answers["smoke_colour"] = COLOUR.get(row["smoke_colour"], row["smoke_colour"])
            if row["condition"] in WHEN:
                answers["smoke_when"] = WHEN[row["condition"]]
            answers |= signs.get(row["row"], {})
            families = tuple(FAMILY[c] for c in classes)
            yield Statement(row["row"], row["source"], families, answers)
