"""Says a text in the reader's language: a catalogue per language, keyed by the English texts.

English is written where it stands (page, doubts, knowledge files); ``models/words/de.toml`` and the
like hold the same texts in another language. A text that is put together from parts stands there as
templates with numbered gaps (`assembled.py`). What a catalogue lacks is said in English;
`smokecase words` lists those.
"""

import tomllib
from collections.abc import Mapping
from functools import cache, lru_cache
from pathlib import Path
from types import MappingProxyType

from smokecase.assembled import Templates
from smokecase.errors import KnowledgeError, SmokecaseError, printable
from smokecase.model_files import find_model

ENGLISH = "en"
# each language by its tag (RFC 5646), named in itself
LANGUAGES = {"en": "English", "de": "Deutsch"}


def say(english: str, language: str) -> str:
    """Say an English text in a language.

    Values go in afterwards, by name: ``say("{n} clips", language).format(n=3)``.

    Parameters
    ----------
    english : str
        The text as it stands in the program or in a knowledge file.
    language : str
        One of `LANGUAGES`.

    Returns
    -------
    str
        The text in that language; in English where the catalogue lacks it.

    Raises
    ------
    KnowledgeError
        If the language's catalogue cannot be used.
    """
    if language == ENGLISH or not english:
        return english
    return _said(english, language)


@lru_cache(maxsize=4096)
def _said(english: str, language: str) -> str:
    said = _templates(language).say(english)
    return english if said is None else said


@cache
def _templates(language: str) -> Templates:
    return Templates(catalogue(language))


def say_error(error: Exception, language: str) -> str:
    """Say an error as one sentence in a language: where, what is wrong, what to do."""
    if language == ENGLISH or not isinstance(error, SmokecaseError):
        return str(error)
    where = f"{say(error.where, language)}: " if error.where else ""
    remedy = f"; {say(error.remedy, language)}" if error.remedy else ""
    return printable(f"{where}{say(error.what, language)}{remedy}.")


def text(english: str) -> str:
    """Mark an English text that stands in a table and is said later; gives it back unchanged."""
    return english


@cache
def catalogue(language: str) -> Mapping[str, str]:
    """Every text of a language by its English one, from ``models/words/``.

    Raises
    ------
    KnowledgeError
        If the file cannot be read, or two of its sections contradict one another.
    """
    if language not in LANGUAGES or language == ENGLISH:
        what = f'there is no catalogue for the language "{language}"'
        remedy = f"take one of {', '.join(LANGUAGES)}"
        raise KnowledgeError(what, where="words", remedy=remedy)
    path = find_model(f"words/{language}.toml")
    found: dict[str, str] = {}
    for section, texts in read_catalogue(path).items():
        for english, said in texts.items():
            if found.setdefault(english, said) != said:
                what = f'"{english[:60]}" is said in two ways'
                remedy = "keep one of them"
                raise KnowledgeError(what, where=f"{path.name}, [{section}]", remedy=remedy)
    return MappingProxyType(found)


def read_catalogue(path: Path) -> dict[str, dict[str, str]]:
    """Read a catalogue file: for each section, texts by their English ones.

    Raises
    ------
    KnowledgeError
        If it is no TOML, or holds anything but texts in sections.
    """
    try:
        sections = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        what = f"this catalogue cannot be read ({error})"
        raise KnowledgeError(what, where=path.name, remedy="mend that line") from error
    for section, texts in sections.items():
        plain = isinstance(texts, dict) and all(
            isinstance(said, str) and said.strip() for said in texts.values()
        )
        if not plain:
            what = "a section may hold texts only, and none may be empty"
            remedy = 'write each as "English" = "text in this language"'
            raise KnowledgeError(what, where=f"{path.name}, [{section}]", remedy=remedy)
    return sections


def pick_language(wanted: str) -> str:
    """Pick the language that a browser asks for first among those we have.

    Parameters
    ----------
    wanted : str
        The request's ``Accept-Language``; may be empty.

    Returns
    -------
    str
        One of `LANGUAGES`; English where none fits.

    Source
    ------
    RFC 9110, 12.5.4 (Accept-Language with quality values), RFC 4647, 3.4 (lookup by cutting
    the tag shorter).

    Examples
    --------
    >>> pick_language("fr-FR, de-AT;q=0.8, en;q=0.5")
    'de'
    >>> pick_language("fr")
    'en'
    """
    best, best_weight = ENGLISH, 0.0
    for part in wanted.split(","):
        tag, *settings = (piece.strip().lower() for piece in part.split(";"))
        weight = 1.0
        for setting in settings:
            if setting.startswith("q="):
                try:
                    weight = float(setting[2:])
                except ValueError:
                    weight = 0.0
        language = tag.split("-")[0]
        if language in LANGUAGES and weight > best_weight:
            best, best_weight = language, weight
    return best
