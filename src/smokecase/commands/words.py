"""`smokecase words`: which texts of a language are still missing, for those who translate."""

import argparse
import json
import sys

from smokecase.english import english_texts, obsolete, untranslated
from smokecase.languages import ENGLISH, LANGUAGES


def add(parser: argparse.ArgumentParser) -> None:
    """Name the words of the command."""
    others = [language for language in LANGUAGES if language != ENGLISH]
    parser.add_argument("language", choices=others, help="the language to look at")
    parser.add_argument(
        "--toml", action="store_true",
        help="print the missing texts as lines for the catalogue, to be filled in",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """List what is missing and what is left over."""
    missing = untranslated(args.language)
    lines = _as_toml(missing) if args.toml else _told(args.language, missing)
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


def _told(language: str, missing: dict[str, list[str]]) -> list[str]:
    lines = [f"{LANGUAGES[language]}: texts said of those that there are"]
    for section, every in english_texts().items():
        said = len(every) - len(missing[section])
        lines.append(f"  {section:10} {said:4d} of {len(every):4d}")
    for section, texts in missing.items():
        if texts:
            lines += ["", f"missing, {section}:", *(f"  {english}" for english in texts)]
    left = obsolete(language)
    if left:
        lines += [
            "",
            "left over, standing nowhere any more:",
            *(f"  {english}" for english in left),
        ]
    return lines


def _as_toml(missing: dict[str, list[str]]) -> list[str]:
    """One section each; a JSON string is a TOML string too."""
    lines: list[str] = []
    for section, texts in missing.items():
        if texts:
            lines += [f"[{section}]", *(f'{json.dumps(t, ensure_ascii=False)} = ""' for t in texts)]
    return lines
