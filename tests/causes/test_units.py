"""Numbers with units, against the conversions of shared/reference/08_unit_conversions.csv."""
# ruff: noqa: E501 (tables of cases and finished messages stand one a line)

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from smokecase.causes.units import UNITS, convert, convert_width, read_amounts
from smokecase.errors import AnswersError

REFERENCE = Path(__file__).parents[2] / "shared" / "reference" / "08_unit_conversions.csv"
NAMES = {"deg F": ("temperature", "degF"), "deg C": ("temperature", "degC")}


def conversions():
    with REFERENCE.open(newline="") as file:
        for row in csv.DictReader(file):
            _, unit = NAMES.get(row["from_unit"], ("pressure", row["from_unit"]))
            dimension, to = NAMES.get(row["to_unit"], ("pressure", row["to_unit"]))
            printed = row["to_value"]
            # "rounded, as printed": one in the last digit printed (some are cut), or 0.3 % where tens were rounded
            half = 1.01 * 10.0 ** -len(printed.partition(".")[2])
            loose = max(half, 0.003 * float(printed)) if "printed" in row["note"] else 0.0
            yield float(row["from_value"]), unit, float(printed), to, dimension, loose


@pytest.mark.parametrize(
    ("number", "unit", "expected", "to", "dimension", "loose"), list(conversions())
)
def test_conversions_as_printed(number, unit, expected, to, dimension, loose):
    assert convert(number, unit, to, dimension) == pytest.approx(expected, rel=2e-5, abs=loose)


@pytest.mark.parametrize(
    ("text", "dimension", "numbers", "unit"),
    [
        ("5 inHg", "pressure", [5.0], "inHg"),
        ("17kPa", "pressure", [17.0], "kPa"),
        ('5 "hg', "pressure", [5.0], "inHg"),
        ("28 27 19 28 bar", "pressure", [28, 27, 19, 28], "bar"),
        ("28, 27, 19, 28 bar", "pressure", [28, 27, 19, 28], "bar"),
        ("28,27,19 psi", "pressure", [28, 27, 19], "psi"),
        ("27,5 28,0 bar", "pressure", [27.5, 28.0], "bar"),
        ("27,5 bar", "pressure", [27.5], "bar"),
        ("-0.35 bar", "pressure", [-0.35], "bar"),
        ("0.8 \u2126", "resistance", [0.8], "ohm"),
        ("-3 \u00b0C", "temperature", [-3.0], "degC"),
        ("26 F", "temperature", [26.0], "degF"),
        ("0.7 l/1000 km", "oil_use", [0.7], "L/1000 km"),
        ("85 %", "share", [85.0], "%"),
        ("1.5e2 mbar", "pressure", [150.0], "mbar"),
    ],
)
def test_amounts_as_people_write_them(text, dimension, numbers, unit):
    assert read_amounts(text, dimension, where="here") == (numbers, unit)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "tight",
            'gauge: "tight" holds no number; write a number and a unit, for example "5 kPa".',
        ),
        ("5", 'gauge: "5" has no unit; add the unit, for example "5 bar".'),
        ("5 degC", 'gauge: "degC" is no unit of pressure; use one of kPa, Pa, hPa, mbar, bar, MPa'),
    ],
)
def test_messages_for_numbers_that_cannot_be_read(text, message):
    with pytest.raises(AnswersError) as caught:
        read_amounts(text, "pressure", where="gauge")

    assert str(caught.value).startswith(message)


@given(
    st.floats(-1e4, 1e4),
    st.sampled_from(sorted(UNITS["pressure"])),
    st.sampled_from(sorted(UNITS["pressure"])),
)
def test_there_and_back_again(number, unit, other):
    there = convert(number, unit, other, "pressure")

    assert convert(there, other, unit, "pressure") == pytest.approx(number, rel=1e-9, abs=1e-9)


def test_a_difference_has_no_offset():
    assert convert_width(9, "degF", "degC", "temperature") == pytest.approx(5)
