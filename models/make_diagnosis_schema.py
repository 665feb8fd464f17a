"""Write models/diagnosis.schema.json: what `smokecase diagnose --json` prints, version 1.

python models/make_diagnosis_schema.py
"""

import json
from pathlib import Path

SHARE = {"type": "number", "minimum": 0, "maximum": 1}
TEXT = {"type": "string"}
NUMBER = {"type": "number"}


def record(**fields):
    """Return an object with exactly these fields."""
    return {
        "type": "object",
        "properties": fields,
        "required": list(fields),
        "additionalProperties": False,
    }


def listed(item):
    """Return a list of one kind of item."""
    return {"type": "array", "items": item}


def or_null(item):
    """Return an item that may be absent."""
    return {"anyOf": [item, {"type": "null"}]}


REASON = record(
    finding=TEXT, question=TEXT, told=TEXT, decibans=NUMBER,
    strength={"enum": ["hardly at all", "a little", "clearly", "strongly", "very strongly"]},
)  # fmt: skip
WEIGHT = record(
    name=TEXT,
    title=TEXT,
    family=TEXT,
    makes_smoke={"type": "boolean"},
    weight=SHARE,
    low=SHARE,
    high=SHARE,
    reasons=listed(REASON),
)
PROPOSAL = record(
    check=TEXT, question=TEXT, how=TEXT, reason=TEXT, minutes=NUMBER, wait_days=NUMBER,
    money=NUMBER, danger={"enum": [0, 1, 2, 3]}, tools=TEXT, caution=TEXT, value=NUMBER,
    cost=NUMBER, outcomes=listed({"$ref": "#/$defs/outcome"}),
)  # fmt: skip
OUTCOME = record(
    state=TEXT, words=TEXT, chance=SHARE, leads=TEXT, leads_weight=SHARE, act=TEXT,
    then=or_null({"$ref": "#/$defs/proposal"}),
)  # fmt: skip
FOG = record(
    minutes=listed(NUMBER), chance=listed(SHARE), outlet_degc=listed(NUMBER),
    length_m=listed(listed(NUMBER)), opacity_pct=listed(listed(NUMBER)),
    dew_point={"type": "object"}, weather_told={"type": "boolean"},
)  # fmt: skip
WAY = record(
    name={"enum": ["repair", "replace", "drive_on"]}, words=TEXT, expected=NUMBER, low=NUMBER,
    high=NUMBER, nothing=SHARE, otherwise=listed(NUMBER),
)  # fmt: skip
WORTH = record(
    ways=listed(WAY), currency=TEXT, dominant=TEXT, dominant_share=SHARE,
    break_even=or_null(NUMBER), words=TEXT, forbidden={"type": "boolean"},
)  # fmt: skip
SCHEMA = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "smokecase diagnosis, version 1",
    "description": "Weights are chances from 0 to 1 with 95 % bounds; several causes may be there "
    "at once, so weights need not sum to 1. Values and costs are money in the user's own unit.",
    **record(
        version={"const": 1},
        screening_note=TEXT,
        engine={"type": "object", "additionalProperties": TEXT},
        families={**listed(WEIGHT), "minItems": 8, "maxItems": 8},
        causes=listed(WEIGHT),
        findings=listed(
            record(
                name=TEXT, source={"enum": ["answer", "result", "clip"]}, told=TEXT,
                likelihood=listed(SHARE),
            )
        ),
        set_aside=listed(TEXT),
        stop_signs=listed(
            record(
                name=TEXT, forbids={"enum": ["run", "drive", "rev"]}, words=TEXT, reason=TEXT,
                remedy=TEXT,
            )
        ),
        contradictions=listed(TEXT),
        unexplained=listed(record(finding=TEXT, told=TEXT, chance=SHARE)),
        sensitivity=listed(
            record(finding=TEXT, told=TEXT, leading_without=TEXT, weight_without=SHARE)
        ),
        rival=or_null(record(first=TEXT, second=TEXT, fact=TEXT, words=TEXT, distance=SHARE)),
        next_checks=listed({"$ref": "#/$defs/proposal"}),
        questions_first=listed(
            record(
                question=TEXT, words=TEXT, why=TEXT, how=TEXT, states=listed(listed(TEXT)),
                bits=NUMBER, value=NUMBER,
            )
        ),
        fog_forecast=or_null(FOG),
        worth=or_null(WORTH),
        notes=listed(TEXT),
        cautions=listed(TEXT),
        knowledge={"type": "string", "pattern": "^[0-9a-f]{64}$"},
    ),
    "$defs": {"proposal": PROPOSAL, "outcome": OUTCOME},
}  # fmt: skip

if __name__ == "__main__":
    path = Path(__file__).parent / "diagnosis.schema.json"
    path.write_text(json.dumps(SCHEMA, indent=1) + "\n")
    print(f"{path.name} written")
