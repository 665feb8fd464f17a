"""One ``[[table]]`` of a knowledge file, which knows its place for messages."""

import re
from pathlib import Path
from typing import Any

from smokecase.errors import KnowledgeError


class Block:
    """One ``[[table]]`` of a file, which knows its place for messages."""

    def __init__(self, path: Path, text: str, table: str, index: int, plain: dict[str, Any]):
        self.path, self.text, self.table, self.index, self.plain = path, text, table, index, plain

    def line(self, key: str = "") -> int:
        """Line of a key within this block, or of the block's head."""
        seen, inside, head = -1, False, 1
        for number, row in enumerate(self.text.splitlines(), start=1):
            stripped = row.strip()
            if stripped.startswith("[["):
                if inside:
                    break
                if stripped.startswith(f"[[{self.table}]]"):
                    seen += 1
                    if seen == self.index:
                        inside, head = True, number
            elif inside and key and re.match(rf'"?{re.escape(key)}"?\s*=', stripped):
                return number
        return head

    def fail(self, what: str, remedy: str, key: str = "") -> KnowledgeError:
        """Make a message about this block."""
        where = f"{self.path.name}, line {self.line(key)}"
        return KnowledgeError(what, where=where, remedy=remedy)

    def take(self, key: str, kind: type | tuple[type, ...], default: Any = None) -> Any:
        """Return a field of the right type; missing only where there is a default."""
        if key not in self.plain:
            if default is None:
                name = self.plain.get("name", "")
                what = f'{self.table} "{name}" has no {key}'
                raise self.fail(what, f"add a line {key} = ...")
            return default
        value = self.plain[key]
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            msg = f"{key} = {value!r} is of the wrong kind"
            raise self.fail(msg, "see the file's head", key)
        return value

    def number(self, key: str, low: float, high: float, default: float | None = None) -> float:
        """Return a number within bounds."""
        value = float(self.take(key, (int, float), default))
        if not low <= value <= high:
            msg = f"{key} = {value:g} lies outside {low:g} to {high:g}"
            raise self.fail(msg, "mend it", key)
        return value

    def words(self, key: str) -> tuple[str, ...]:
        """Return a list of words, empty when missing."""
        return tuple(self.take(key, list, []))

    def origin(self) -> str:
        """Who says so: never empty."""
        origin = str(self.plain.get("origin", "")).strip()
        if not origin:
            what = f'{self.table} "{self.plain.get("name", "")}" names no origin'
            raise self.fail(what, 'add origin = "..." (a source, or "common practice, no source")')
        return origin
