"""Texts put together from parts are said by templates; what has no words stays as it is."""

import pytest

from smokecase.assembled import Templates
from smokecase.errors import ClipError
from smokecase.languages import say, say_error

WORDS = {
    "Smoke is first seen at {1} s.": "Der erste Rauch ist bei {1} s zu sehen.",
    "It is densest at {1} s, {2}": "Am dichtesten ist er bei {1} s, {2}",
    "where it blocks {1} of the light.": "dort hält er {1} des Lichts zurück.",
    "{1} % ({2} to {3})": "{1} % ({2} bis {3})",
    "open": "offen",
    "measured {1}": "gemessen {1}",
    "white": "weiß",
    "black": "schwarz",
    "or": "oder",
    "{1} took away {2}": "{2} wurde von {1} weggenommen",
}


@pytest.fixture(scope="module")
def german():
    return Templates(WORDS)


@pytest.mark.parametrize(
    ("english", "said"),
    [
        ("Smoke is first seen at 5.6 s.", "Der erste Rauch ist bei 5.6 s zu sehen."),
        # sentences are said one by one, and what stands in a gap in turn
        (
            "Smoke is first seen at 5 s. It is densest at 6 s, "
            "where it blocks 9 % (1 to open) of the light.",
            "Der erste Rauch ist bei 5 s zu sehen. Am dichtesten ist er bei 6 s, "
            "dort hält er 9 % (1 bis offen) des Lichts zurück.",
        ),
        # gaps may change places
        ("Ina took away 3", "3 wurde von Ina weggenommen"),
        # a clip's name stays, whatever it looks like; lists are said part by part
        ("my clip.mp4: measured white", "my clip.mp4: gemessen weiß"),
        ("a.mp4: measured white; b: measured black", "a.mp4: gemessen weiß; b: gemessen schwarz"),
        ("white or black", "weiß oder schwarz"),
        # a full stop behind it changes nothing
        ("measured white.", "gemessen weiß."),
    ],
)  # fmt: skip
def test_a_text_of_parts_is_said(german, english, said):
    assert german.say(english) == said


@pytest.mark.parametrize("english", ["", "  ", "nothing of it is known", "white or purple stripes"])
def test_what_has_no_words_is_left_alone(german, english):
    assert german.say(english) is None


def test_a_long_list_whose_parts_are_unknown_stays_as_it_is(german):
    # a list whose parts are unknown must not be tried in every combination
    assert german.say("; ".join(f"some words, and {n} or others" for n in range(60))) is None


def test_an_error_is_said_with_its_place_and_remedy():
    error = ClipError("there is no picture in it", where="idle.mp4",
                      remedy="convert it to H.264 and try again")  # fmt: skip

    assert say_error(error, "de") == (
        "idle.mp4: es ist kein Bild darin; in H.264 umwandeln und noch einmal versuchen."
    )
    assert say_error(error, "en") == str(error)
    assert say("49 % (18 to 77)", "de") == "49 % (18 bis 77)"
