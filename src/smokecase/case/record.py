"""A case: the story of one engine, told by entries that are only ever added.

An entry is never changed. A correction is a new entry that names the one it replaces, so who said
what, and when, stays readable; what holds now is worked out from all of them.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

from smokecase.errors import AnswersError
from smokecase.readings import Examination

# what an entry can be, and the fields its body must have
KINDS: dict[str, tuple[str, ...]] = {
    "opened": ("name", "engine"),
    "brought": ("name", "sha256"),  # a file put away and not yet measured
    "clip": ("name", "sha256", "readings_sha256", "circumstances"),
    "answer": ("question", "answer"),
    "result": ("check", "result"),
    "note": ("text",),
    "repair": ("text",),
    "report": ("name", "sha256"),
    "withdrawn": ("why",),
}
TABLES_OF_WORDS = ("engine", "circumstances")
WORDS = ("name", "question", "check", "text", "why")
LOADS = ("cranking", "cold start", "idle", "fast idle", "acceleration", "under load")
LIGHTS = ("sun behind", "sun from the side", "sun ahead", "overcast", "shade", "lamp")
ROLES = ("suspect", "healthy", "before", "after")
# lowest and highest that can be meant; outside it is a slip of the pen or of the unit
RANGES = {
    "standing_h": (0.0, 100_000.0),
    "coolant_degc": (-60.0, 150.0),
    "ambient_degc": (-60.0, 60.0),
    "humidity_pct": (0.0, 100.0),
    "pressure_hpa": (500.0, 1100.0),
    "latitude_deg": (-90.0, 90.0),
    "longitude_deg": (-180.0, 180.0),
    "view_azimuth_deg": (0.0, 360.0),
    "distance_m": (0.1, 1000.0),
    "pipe_diameter_mm": (3.0, 2000.0),
}
WORDS_OF_UNITS = {"h": "hours", "degc": "°C", "pct": "%", "hpa": "hPa", "deg": "degrees",
                  "m": "m", "mm": "mm"}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """Under what conditions a clip was filmed; None where nobody said.

    Raises
    ------
    AnswersError
        If a number cannot be meant, or a word is not one of those listed.
    """

    filmed_utc: str | None = None  # ISO 8601 with its offset
    role: str | None = None  # one of ROLES
    engine: str = ""  # empty: the case's own engine; else the words for another one
    standing_h: float | None = None  # time the engine stood before
    coolant_degc: float | None = None
    ambient_degc: float | None = None
    humidity_pct: float | None = None
    pressure_hpa: float | None = None
    load: str | None = None  # one of LOADS
    light: str | None = None  # one of LIGHTS, as seen from the camera
    camera: str = ""
    background: str = ""
    wind: str = ""
    place: str = ""
    observer: str = ""
    words: str = ""  # before or after what, and anything else
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    view_azimuth_deg: float | None = None  # where the camera looks, from north over east
    distance_m: float | None = None
    pipe_diameter_mm: float | None = None

    def __post_init__(self) -> None:
        for part in fields(self):
            value = getattr(self, part.name)
            wanted = (int, float) if part.name in RANGES else str
            if value is not None and (not isinstance(value, wanted) or isinstance(value, bool)):
                what = f'"{value}" is not {"a number" if part.name in RANGES else "words"}'
                raise AnswersError(what, where=_spoken(part.name), remedy="tell it again")
        for name, (low, high) in RANGES.items():
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and low <= value <= high):
                unit = WORDS_OF_UNITS[name.rpartition("_")[2]]
                what = f"{value:g} {unit} lies outside {low:g} to {high:g} {unit}"
                raise AnswersError(
                    what, where=_spoken(name), remedy="check the number and its unit"
                )
        for name, known in (("load", LOADS), ("light", LIGHTS), ("role", ROLES)):
            value = getattr(self, name)
            if value is not None and value not in known:
                what = f'"{value}" is not one of the words for it'
                raise AnswersError(what, where=_spoken(name), remedy=f"use {', '.join(known)}")

    def to_json(self) -> dict[str, Any]:
        """Only what was told."""
        told = {part.name: getattr(self, part.name) for part in fields(self)}
        return {name: value for name, value in told.items() if value not in (None, "")}

    @classmethod
    def from_json(cls, plain: Mapping[str, Any]) -> "Circumstances":
        """Undo `to_json`; a field of a later version is left out."""
        known = {part.name for part in fields(cls)}
        return cls(**{name: value for name, value in plain.items() if name in known})


def _spoken(name: str) -> str:
    stem, _, unit = name.rpartition("_")
    return (stem if unit in WORDS_OF_UNITS else name).replace("_", " ")


def _check_forms(entry: "Entry") -> None:
    """See that each field is of its kind: an entry may come from a file that anyone could change.

    Raises
    ------
    ValueError
        If one is not.
    """
    words = (entry.case_id, entry.time_utc, entry.author, entry.kind, entry.previous,
             entry.fingerprint)  # fmt: skip
    numbers = (entry.number, 1 if entry.replaces is None else entry.replaces)
    if not all(isinstance(word, str) for word in words):
        msg = "who, when or what it is are not words"
        raise ValueError(msg)
    if not all(type(n) is int for n in numbers) or not isinstance(entry.body, Mapping):
        msg = "its number or body has a wrong form"
        raise ValueError(msg)
    for name, value in entry.body.items():
        if name in TABLES_OF_WORDS and not (
            isinstance(value, Mapping) and all(isinstance(key, str) for key in value)
        ):
            msg = f"{name} is no table"
            raise ValueError(msg)
        if (name in WORDS or name.endswith("sha256")) and not isinstance(value, str):
            msg = f"{name} is not words"
            raise ValueError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of a case's ledger.

    Raises
    ------
    ValueError
        If the kind is unknown, the body lacks a field, or it replaces an entry that is not older.
    """

    case_id: str
    number: int  # 1 for the first of its case
    time_utc: str  # when it was entered, ISO 8601
    author: str  # who entered it
    kind: str  # one of KINDS
    body: Mapping[str, Any]
    replaces: int | None = None  # the entry that this one corrects or withdraws
    previous: str = ""  # fingerprint of the entry before; empty for the first
    fingerprint: str = ""

    def __post_init__(self) -> None:
        _check_forms(self)
        if self.kind not in KINDS:
            msg = f"kind must be one of {', '.join(KINDS)} (got {self.kind!r})"
            raise ValueError(msg)
        missing = [name for name in KINDS[self.kind] if name not in self.body]
        if missing:
            msg = f"entry {self.number} ({self.kind}) lacks {', '.join(missing)}"
            raise ValueError(msg)
        if self.replaces is not None and not 1 <= self.replaces < self.number:
            msg = f"entry {self.number} cannot replace entry {self.replaces}"
            raise ValueError(msg)
        if self.kind == "clip":
            try:
                Circumstances.from_json(self.body["circumstances"])
            except AnswersError as error:
                msg = f"its circumstances cannot be: {error}"
                raise ValueError(msg) from error

    @property
    def circumstances(self) -> Circumstances:
        """Circumstances of a clip; all unknown for other entries."""
        return Circumstances.from_json(self.body.get("circumstances", {}))

    def __str__(self) -> str:
        told = {
            "opened": lambda b: f"case opened: {b['name']}",
            "brought": lambda b: f"file brought, not yet measured: {b['name']}",
            "clip": lambda b: f"clip {b['name']}",
            "answer": lambda b: f"answer to {b['question']}: {b['answer']}",
            "result": lambda b: f"check {b['check']}: {b['result']}",
            "note": lambda b: f"note: {b['text']}",
            "repair": lambda b: f"repair: {b['text']}",
            "report": lambda b: f"{b['name']}",
            "withdrawn": lambda b: f"entry {self.replaces} withdrawn: {b['why']}",
        }[self.kind](self.body)
        if self.replaces is None or self.kind == "withdrawn":
            return told
        # a clip replaces the file that was brought, or tells more of how it was filmed
        word = "replaces" if self.kind == "clip" else "corrects"
        return f"{told} ({word} entry {self.replaces})"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One engine's story, as it stands on disk or unsaved.

    `examinations` holds what each clip gave, by the number of its entry. `damage` names, in
    sentences, what could not be read or was changed; the rest is there.
    """

    id: str
    name: str
    engine: Mapping[str, str]  # fuel, installation and parts, in the knowledge file's words
    entries: tuple[Entry, ...] = ()
    examinations: Mapping[int, Examination] = field(default_factory=dict)
    damage: tuple[str, ...] = ()

    @classmethod
    def unsaved(
        cls,
        *,
        examinations: Sequence[Examination] = (),
        answers: Mapping[str, str] | None = None,
        results: Mapping[str, str] | None = None,
        engine: Mapping[str, str] | None = None,
        name: str = "unsaved",
    ) -> "Case":
        """Make a case in memory from one sitting: clips, answers and check results."""
        bodies: list[tuple[str, dict[str, Any]]] = [
            ("opened", {"name": name, "engine": dict(engine or {})})
        ]
        for examination in examinations:
            clip = {"name": examination.clip, "sha256": examination.sha256}
            bodies.append(("clip", {**clip, "readings_sha256": "", "circumstances": {}}))
        bodies += [("answer", {"question": q, "answer": a}) for q, a in (answers or {}).items()]
        bodies += [("result", {"check": c, "result": r}) for c, r in (results or {}).items()]
        entries = tuple(
            Entry(case_id="unsaved", number=n, time_utc="", author="", kind=kind, body=body)
            for n, (kind, body) in enumerate(bodies, start=1)
        )
        by_number = {n: e for n, e in enumerate(examinations, start=2)}
        return cls(id="unsaved", name=name, engine=dict(engine or {}), entries=entries,
                   examinations=by_number)  # fmt: skip

    def in_force(self) -> tuple[Entry, ...]:
        """Entries that hold now: not replaced or withdrawn by a later one that itself holds."""
        gone = self.replaced()
        return tuple(e for e in self.entries if e.number not in gone and e.kind != "withdrawn")

    def replaced(self) -> frozenset[int]:
        """Numbers of the entries that do not hold any more, withdrawals among them.

        A correction keeps replacing what it replaced when it is corrected itself; one that is
        withdrawn lets it hold again.
        """
        corrected: set[int] = set()
        withdrawn: set[int] = set()
        for entry in reversed(self.entries):
            if entry.number not in withdrawn and entry.replaces is not None:
                (withdrawn if entry.kind == "withdrawn" else corrected).add(entry.replaces)
        return frozenset(corrected | withdrawn)

    def of_kind(self, kind: str) -> Iterator[Entry]:
        """Entries of one kind that hold now, oldest first."""
        return (e for e in self.in_force() if e.kind == kind)

    @property
    def answers(self) -> dict[str, str]:
        """Answer by question; of two to one question the later holds."""
        return {e.body["question"]: e.body["answer"] for e in self.of_kind("answer")}

    @property
    def results(self) -> dict[str, str]:
        """Check result by check, as it was given; of two the later holds."""
        return {e.body["check"]: e.body["result"] for e in self.of_kind("result")}

    @property
    def clips(self) -> dict[int, Examination]:
        """Examination of each clip that holds now and shows the case's own engine, by entry."""
        own = (e for e in self.of_kind("clip") if not e.circumstances.engine)
        return {e.number: self.examinations[e.number] for e in own if e.number in self.examinations}

    def up_to(self, number: int) -> "Case":
        """Case as it stood after entry `number`."""
        entries = tuple(e for e in self.entries if e.number <= number)
        held = {n: x for n, x in self.examinations.items() if n <= number}
        return Case(id=self.id, name=self.name, engine=self.engine, entries=entries,
                    examinations=held, damage=self.damage)  # fmt: skip

    def find_entry(self, number: int) -> Entry:
        """Entry of this number.

        Raises
        ------
        AnswersError
            If the case has none.
        """
        for entry in self.entries:
            if entry.number == number:
                return entry
        what = f"there is no entry {number}, the last one is {len(self.entries)}"
        raise AnswersError(what, where=f'case "{self.name}"', remedy="list the entries first")
