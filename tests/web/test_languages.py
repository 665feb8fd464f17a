"""Texts in the reader's language: found by the English ones, none missing, none left over."""

import re
from string import Formatter

import pytest

from smokecase import cli
from smokecase.doubts import NO_TEXTURE
from smokecase.english import SECTIONS, english_texts, obsolete, untranslated
from smokecase.errors import KnowledgeError
from smokecase.languages import LANGUAGES, catalogue, pick_language, read_catalogue, say, text

OTHERS = [language for language in LANGUAGES if language != "en"]


def test_english_is_said_as_it_stands():
    assert say("Go on", "en") == "Go on"
    assert text("Go on") == "Go on"


def test_a_text_is_said_in_german():
    assert say("Back", "de") == "Zurück"
    assert say(NO_TEXTURE.words, "de") != NO_TEXTURE.words


def test_a_text_that_is_missing_is_said_in_english():
    assert say("a text that stands nowhere", "de") == "a text that stands nowhere"


def test_a_language_that_is_not_there_is_refused_by_name():
    with pytest.raises(KnowledgeError) as told:
        catalogue("xx")

    assert str(told.value) == (
        'words: there is no catalogue for the language "xx"; take one of en, de.'
    )


@pytest.mark.parametrize(
    ("wanted", "picked"),
    [
        ("", "en"),
        ("de", "de"),
        ("de-CH", "de"),
        ("DE-at", "de"),
        ("en-GB,en;q=0.9,de;q=0.8", "en"),
        ("fr-FR,fr;q=0.9,de;q=0.4,en;q=0.3", "de"),
        ("fr", "en"),
        ("de;q=0", "en"),
        ("de;q=x,en;q=0.1", "en"),
        ("*", "en"),
        (",;,;q=", "en"),
    ],
)
def test_the_browsers_first_choice_among_ours_is_picked(wanted, picked):
    # quality values as in RFC 9110, 12.4.2 and 12.5.4: 1 where not named, 0 means not wanted
    assert pick_language(wanted) == picked


@pytest.mark.parametrize("language", OTHERS)
@pytest.mark.parametrize("section", SECTIONS)
def test_nothing_is_missing(language, section):
    assert untranslated(language)[section] == []


@pytest.mark.parametrize("language", OTHERS)
def test_nothing_is_left_over(language):
    assert obsolete(language) == []


@pytest.mark.parametrize("language", OTHERS)
def test_gaps_are_the_same_in_both(language):
    for english, said in catalogue(language).items():
        gaps = [sorted(name for _, name, _, _ in Formatter().parse(t) if name is not None)
                for t in (english, said)]  # fmt: skip
        assert gaps[0] == gaps[1], english


@pytest.mark.parametrize("language", OTHERS)
def test_numbers_options_and_ends_of_sentences_carry_over(language):
    for english, said in catalogue(language).items():
        assert re.findall(r"--[a-z-]+", english) == re.findall(r"--[a-z-]+", said), english
        assert said == said.strip(), english
        for end in ".?:":
            assert english.endswith(end) == said.endswith(end), english


def test_every_section_holds_what_it_is_named_after():
    texts = english_texts()

    assert (
        "Film three seconds without smoke first, then turn the key and go on for a minute."
        in (texts["page"])
    )
    assert NO_TEXTURE.remedy in texts["doubts"]
    assert "What does the engine burn?" in texts["engine"]
    assert "Which colour has the smoke?" in texts["questions"]
    assert "torch" in texts["checks"]
    assert "It has revved up by itself." in texts["stops"]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (
            '[page]\n"Back" = ""',
            "xx.toml, [page]: a section may hold texts only, and none may be empty",
        ),
        (
            '[page]\n"Back" = 3',
            "xx.toml, [page]: a section may hold texts only, and none may be empty",
        ),
        ('"Back" = "Zurück"', "xx.toml, [Back]: a section may hold texts only"),
        ("[page", "xx.toml: this catalogue cannot be read ("),
    ],
)
def test_a_catalogue_that_cannot_be_is_refused_with_its_place(tmp_path, content, told):
    (tmp_path / "xx.toml").write_text(content)

    with pytest.raises(KnowledgeError) as error:
        read_catalogue(tmp_path / "xx.toml")

    assert str(error.value).startswith(told)


def test_the_command_counts_what_is_said(capsys):
    assert cli.main(["words", "de"]) == 0

    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Deutsch: texts said of those that there are"
    counts = {line.split()[0]: line.split()[1:] for line in lines[1 : 1 + len(SECTIONS)]}
    assert list(counts) == list(SECTIONS)
    assert all(said == there for said, _, there in counts.values())
