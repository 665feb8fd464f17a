"""A question or check as its block says: its chances for every cause, its bench, its bands."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from smokecase.causes.block import Block
from smokecase.causes.knowledge import (
    Bench,
    Cause,
    Context,
    Family,
    Floats,
    Part,
    Quantity,
    Question,
)
from smokecase.causes.units import UNITS


def to_question(
    block: Block,
    causes: Mapping[str, Cause],
    families: Mapping[str, Family],
    contexts: Mapping[str, Context],
    parts: Mapping[str, Part],
) -> Question:
    """Make a question of its block, whether a person, a clip or a check answers it.

    Parameters
    ----------
    block : Block
        A ``[[question]]``, ``[[measured]]`` or ``[[check]]``.
    causes, families, contexts, parts : mapping
        What it may name, as far as it was read.

    Raises
    ------
    KnowledgeError
        If its chances are no probabilities, a number lies out of bounds, it names a cause, part,
        unit or state that is not there, or says not where it comes from.
    """
    states = block.take("states", dict)
    count = len(states)
    base = _row(block, "base", block.plain.get("base"), count)
    if block.take("combine", str) not in ("max", "smoke", "one"):
        msg = f'combine = "{block.plain["combine"]}"'
        raise block.fail(msg, 'use "max", "smoke" or "one"', "combine")
    rows: dict[str, Floats] = {}
    # a family's row first, so that a cause's own row replaces it
    entries = list(_rows(block, causes, families))
    for is_family in (True, False):
        for key, name, value in entries:
            if (name in families) is is_family:
                row = _row(block, key, value, count)
                members = [c.name for c in causes.values() if name in (c.family, c.name)]
                rows |= dict.fromkeys(members, row)
    for key, allowed in (("fuel", contexts["fuel"].states), ("needs", parts),
                         ("installation", contexts["installation"].states)):  # fmt: skip
        for name in block.words(key):
            if name not in allowed:
                msg = f'{key} names "{name}", which is not listed'
                raise block.fail(msg, "mend it", key)
    same = block.take("same_as", str, "")
    return Question(
        name=block.take("name", str),
        kind=block.table,
        question=block.take("question", str),
        why=block.take("why", str),
        how=block.take("how", str),
        states=tuple(states),
        words=tuple(str(w) for w in states.values()),
        combine=block.take("combine", str),
        base=base,
        given=rows,
        reliable=block.number("reliable", 0, 0.999),
        answerable=block.number("answerable", 0, 1, 1.0),
        spread=block.number("spread", 1, 10),
        several=block.take("several", bool, False),
        instead_of=(*block.words("instead_of"), *((same,) if same else ())),
        fuel=block.words("fuel"),
        installation=block.words("installation"),
        needs=block.words("needs"),
        origin=block.origin(),
        origins=block.take("origins", dict, {}),
        bench=_bench(block, tuple(states)) if block.table == "check" else None,
    )


def _rows(
    block: Block, causes: Mapping[str, Cause], families: Mapping[str, Family]
) -> Iterator[tuple[str, str, Any]]:
    for key, value in block.take("given", dict, {}).items():
        for name in (part.strip() for part in key.split(",")):
            if name not in causes and name not in families:
                what = (
                    f'{block.table} "{block.plain["name"]}" names the cause "{name}", '
                    "which is not listed"
                )
                raise block.fail(what, "add the cause or mend the name", key)
            yield key, name, value


def _row(block: Block, key: str, value: Any, states: int) -> Floats:
    if isinstance(value, (int, float)) and states == 2:
        value = [1 - value, value]
    if not isinstance(value, list) or len(value) != states:
        what = f'"{key}" has not one chance for each of the {states} states'
        raise block.fail(what, "write as many numbers as there are states", key)
    if not all(isinstance(chance, (int, float)) and 0 <= chance <= 1 for chance in value):
        msg = f'"{key}" holds {str(value)[:200]}, which are no probabilities'
        raise block.fail(msg, "use numbers from 0 to 1", key)
    row = np.array(value, dtype=np.float64)
    if abs(row.sum() - 1) > 1e-6:
        msg = f'"{key}" sums to {row.sum():g}'
        raise block.fail(msg, "the chances must sum to 1", key)
    row /= row.sum()
    row.setflags(write=False)
    return row


def _bench(block: Block, states: tuple[str, ...]) -> Bench:
    quantity = block.take("quantity", dict, {})
    return Bench(
        minutes=block.number("minutes", 0, 10000),
        wait_days=block.number("wait_days", 0, 100, 0.0),
        money=block.number("money", 0, 1e6),
        danger=int(block.number("danger", 0, 3)),
        engine=_mode(block),
        tools=block.take("tools", str),
        caution=block.take("caution", str),
        after=block.words("after"),
        settles=block.words("settles"),
        quantity=_quantity(block, quantity, states) if quantity else None,
    )


def _mode(block: Block) -> str:
    mode = str(block.take("engine", str, "off"))
    if mode not in ("off", "crank", "idle", "rev", "drive"):
        remedy = "use off, crank, idle, rev or drive"
        what = f'engine = "{mode}"'
        raise block.fail(what, remedy, "engine")
    return mode


def _quantity(block: Block, plain: dict[str, Any], states: tuple[str, ...]) -> Quantity:
    dimension, unit = plain.get("dimension", ""), plain.get("unit", "")
    if dimension not in UNITS or unit not in UNITS[dimension]:
        what = f'the unit "{unit}" of dimension "{dimension}" is not known'
        raise block.fail(what, "mend dimension and unit", "unit")
    bands = {k: (float(v[0]), float(v[1])) for k, v in plain.get("bands", {}).items()}
    for name, (low, high) in bands.items():
        if name not in states or low >= high:
            msg = f'band "{name}" is no state or no range'
            raise block.fail(msg, "mend it", "bands")
    low, high = plain["range"]
    return Quantity(
        kind=plain["kind"],
        dimension=dimension,
        unit=unit,
        low=float(low),
        high=float(high),
        u=float(plain["u"]),
        u_rel=float(plain.get("u_rel", 0.0)),
        bands=bands,
        least={k: float(v) for k, v in plain.get("least", {}).items()},
        spread_pct=float(plain.get("spread_pct", 0.0)),
        good=tuple(plain.get("good", (0.0, 0.0))),
        take=plain.get("take", "highest"),
        magnitude=bool(plain.get("magnitude", False)),
    )
