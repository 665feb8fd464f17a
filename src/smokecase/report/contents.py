"""What a report says, in order: sections of blocks, which the page and the PDF set alike.

Each block knows the entries of the ledger that it rests on.
"""

from dataclasses import dataclass, field

from smokecase.languages import ENGLISH, say, text
from smokecase.readings import SCREENING

Entries = tuple[int, ...]

BRACKETS = text("Numbers in square brackets name the entries of the case that a sentence rests on.")


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph."""

    text: str
    entries: Entries = ()
    style: str = "plain"  # plain, lead, small, stop, note


@dataclass(frozen=True, slots=True)
class Items:
    """A list; one line each."""

    lines: tuple[str, ...]
    entries: Entries = ()


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a head line; the first column names the row."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str
    shares: tuple[float, ...]  # of the width, summing to 1
    entries: Entries = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG or JPEG with words for those who cannot see it."""

    data: bytes = field(repr=False)
    alt: str
    caption: str
    entries: Entries = ()
    width_share: float = 1.0

    @property
    def form(self) -> str:
        """Which of the two, by its first bytes."""
        return "png" if self.data.startswith(b"\x89PNG") else "jpeg"


@dataclass(frozen=True, slots=True)
class Bar:
    """A weight with its interval, as shares."""

    label: str
    weight: float
    low: float
    high: float


def tell_bar(bar: Bar, language: str) -> str:
    """Write a bar's weight with its 95 % interval, in percent."""
    value, low, high = (f"{100 * share:.0f}" for share in (bar.weight, bar.low, bar.high))
    return say(f"{value} % ({low} to {high})", language)


@dataclass(frozen=True, slots=True)
class Bars:
    """Weights as bars with their interval."""

    bars: tuple[Bar, ...]
    caption: str
    entries: Entries = ()


Block = Text | Items | Table | Picture | Bars


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with what stands under it."""

    title: str
    blocks: tuple[Block, ...]
    new_page: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """All that is said, in order."""

    title: str
    subtitle: str
    made: str  # when, in words
    sections: tuple[Section, ...]
    closing: str  # stands under everything
    language: str = ENGLISH  # all that is said is in it already, but for what stands on every page

    @property
    def note(self) -> str:
        """What stands on every page."""
        return say(SCREENING, self.language)

    @property
    def brackets(self) -> str:
        """What the numbers in square brackets are."""
        return say(BRACKETS, self.language)
