"""Says a text that was put together from parts, such as a sentence with numbers in it.

The program builds such texts in English. A catalogue holds each as a template with numbered gaps,
``Smoke is first seen at {1} s.``; what stands in a gap is said in turn. A template's gap never
reaches over the end of a sentence, and a text that fits none stays as it is.
"""

import re
from collections.abc import Callable, Mapping

GAP = re.compile(r"\{(\d)\}")
SENTENCE_ENDS = re.compile(r"(?<=[.!?]) +(?=[A-ZÄÖÜ\"“„])")
AROUND = " ,;"  # what may stand before and after a piece of a sentence
BETWEEN = ("; ", ", ", " or ", " and ")  # what stands between the parts of a list
FEW_LETTERS = 12
PLAIN = re.compile(r"[^a-z]*|\S*[._\d]\S*|[^a-z ]*\d[^a-z]*( ?[a-zA-Z°/%]{1,3})?")


class Templates:
    """The templates of one language.

    Parameters
    ----------
    catalogue : mapping
        Every text of a language by its English one.

    Examples
    --------
    >>> german = Templates({"seen at {1} s": "bei {1} s gesehen", "early": "früh", ", ": ", "})
    >>> german.say("seen at 4.0 s, early")
    'bei 4.0 s gesehen, früh'
    """

    def __init__(self, catalogue: Mapping[str, str]) -> None:
        self._whole = catalogue
        found = [(english, said) for english, said in catalogue.items() if GAP.search(english)]
        found.sort(key=lambda pair: -len(GAP.sub("", pair[0])))  # what says most comes first
        self._templates = [(_pattern(english), said) for english, said in found]

    def say(self, english: str) -> str | None:
        """Say a text; None where the language has no words for it."""
        known = self._whole.get(english)
        if known is not None:
            return known
        bare = english.strip(AROUND)
        if not bare:
            return None
        if bare != english:
            return _changed(english, bare, self.say)
        sentences = SENTENCE_ENDS.split(bare)
        if len(sentences) > 1:
            said = [self.say(sentence) for sentence in sentences]
            if all(one is None for one in said):
                return None
            return " ".join(one or old for one, old in zip(said, sentences, strict=True))
        said_whole = self._by_template(bare) or self._by_parts(bare)
        if said_whole is None and bare.endswith("."):
            return _changed(english, bare[:-1], self.say)
        return said_whole

    def _by_template(self, english: str) -> str | None:
        for pattern, said in self._templates:
            match = pattern.fullmatch(english)
            if match is not None:
                parts = {f"{{{name[1:]}}}": part for name, part in match.groupdict().items()}
                pieces = re.split(r"(\{\d\})", said)
                return "".join(self._or_same(parts[p]) if p in parts else p for p in pieces)
        return None

    def _or_same(self, english: str) -> str:
        said = self.say(english)
        return english if said is None else said

    def _by_parts(self, english: str) -> str | None:
        """Say the parts of a list, where each is known or needs no words."""
        for between in BETWEEN:
            parts = english.split(between)
            if len(parts) < 2:
                continue
            said = [self.say(part) for part in parts]
            known = [
                one is not None or PLAIN.fullmatch(p) for one, p in zip(said, parts, strict=True)
            ]
            if any(one is not None for one in said) and all(known):
                word = between.strip()
                joint = between.replace(word, self._whole.get(word, word))
                return joint.join(one or old for one, old in zip(said, parts, strict=True))
        name, colon, rest = english.partition(": ")  # a clip's name, and what it shows
        said_rest = self.say(rest) if colon else None
        return f"{self._or_same(name)}: {said_rest}" if said_rest is not None else None


def _changed(english: str, bare: str, say: Callable[[str], str | None]) -> str | None:
    said = say(bare)
    return None if said is None else english.replace(bare, said)


def _pattern(english: str) -> re.Pattern[str]:
    """Match what fits a template; the gaps of one that says little hold no list."""
    pieces = GAP.split(english)
    gap = "[^,;]*?" if len(GAP.sub("", english)) < FEW_LETTERS else ".*?"
    made = [
        re.escape(piece) if place % 2 == 0 else f"(?P<g{piece}>{gap})"
        for place, piece in enumerate(pieces)
    ]
    return re.compile("".join(made), re.DOTALL)
