"""Where a visitor is: the case, the step and the clip, as they stand in the page's address."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any
from urllib.parse import urlencode

STEPS = ("home", "bring", "mark", "look", "tell", "weigh", "check", "compare", "case", "report")
OPENED = 32  # letters of a case's number
MOST_MINE = 100  # cases that a browser keeps in mind


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The page's address, taken apart; nothing in it is trusted."""

    case: str = ""  # its full number: who has it may open the case
    step: str = "home"
    clip: int = 0  # entry of the clip that is shown; 0: the latest
    other: int = 0  # entry of the clip beside it
    about: str = ""  # question or check that is open
    trial: str = ""  # state that is tried for it

    @classmethod
    def read(cls, told: Mapping[str, Any]) -> "Place":
        """Read an address or an event; what makes no sense is left out."""
        case = str(told.get("case") or "")
        if not _is_number_of_case(case):
            case = ""
        step = str(told.get("step") or "")
        return cls(
            case=case,
            step=step if case and step in STEPS else "bring" if case else "home",
            clip=_number(told.get("clip")),
            other=_number(told.get("other")),
            about=str(told.get("about") or "")[:60],
            trial=str(told.get("trial") or "")[:200],
        )

    def at(self, step: str, **more: Any) -> "Place":
        """Return another step of the same case; what was open is closed."""
        return replace(self, step=step, **{"about": "", "trial": "", **more})

    @property
    def address(self) -> str:
        """What stands after the page's own address."""
        told = {f.name: getattr(self, f.name) for f in fields(self)}
        told = {name: value for name, value in told.items() if value and value != "home"}
        return f"?{urlencode(told)}"


def numbers_of(told: Any) -> frozenset[str]:
    """Read the numbers of the cases that a browser has been to; what makes no sense is left out."""
    listed = told[:MOST_MINE] if isinstance(told, list) else []
    return frozenset(n for n in map(str, listed) if _is_number_of_case(n))


def _is_number_of_case(text: str) -> bool:
    return len(text) == OPENED and set(text) <= set("0123456789abcdef")


def _number(told: Any) -> int:
    text = str(told or "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 7 else 0
