"""The tables and the page of a batch, made from its ledger: whole, or the old ones stay."""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from smokecase.batch.ledger import Ledger
from smokecase.batch.places import file_name, shown
from smokecase.readings import SCREENING

if TYPE_CHECKING:
    import pyarrow as pa

CLIPS, PAGE = "clips.parquet", "clips.html"
ROWS_AT_ONCE = 5000

# columns of clips.parquet: name, kind, what it holds; `low` and `high` are 95 % bounds
COLUMNS: tuple[tuple[str, str, str], ...] = (
    ("clip", "text", "file name"),
    ("url", "text", "where it lies"),
    ("sha256", "text", "fingerprint of its content"),
    ("size_bytes", "whole", "size [bytes]"),
    ("state", "text", "`done`, `set_aside` or `waiting`"),
    ("reason", "text", "why it was set aside, in a sentence"),
    ("same_as", "text", "an earlier clip of the same content and answers; measured once"),
    ("told", "text", "what the manifest tells of it, as JSON"),
    ("notes", "text", "what it carries along, as JSON"),
    ("readings", "text", "file of its readings, below the folder"),
    ("source", "text", "`clip`, `animation` or `still`"),
    ("width", "whole", "of the upright picture [px]"),
    ("height", "whole", "of the upright picture [px]"),
    ("duration_s", "number", "measured time [s]"),
    ("frames", "whole", "pictures measured"),
    ("lost_packets", "whole", "damaged packets that were left out"),
    ("refused", "text", "why no opacity is given; empty where it is"),
    ("peak_pct", "number", "opacity at the densest moment [%]"),
    ("peak_low_pct", "number", "its 95 % interval, lower end; empty where open [%]"),
    ("peak_high_pct", "number", "its 95 % interval, upper end; empty where open [%]"),
    ("onset_s", "number", "first visible smoke [s]"),
    ("peak_s", "number", "densest moment [s]"),
    ("half_fall_s", "number", "from the peak to half of it [s]"),
    ("tenth_fall_s", "number", "from the peak to a tenth [s]"),
    ("settled_pct", "number", "opacity towards the end [%]"),
    ("visible_share", "number", "share of the time with visible smoke [0 to 1]"),
    ("longest_visible_s", "number", "longest spell without a break [s]"),
    ("puff_hz", "number", "puffs a second [1/s]"),
    ("u_puff_hz", "number", "its standard uncertainty [1/s]"),
    ("black", "number", "weight of the colour [0 to 1]"),
    ("blue", "number", "weight of the colour [0 to 1]"),
    ("white", "number", "weight of the colour [0 to 1]"),
    ("none", "number", "weight of no smoke [0 to 1]"),
    ("colour_open", "truth", "true where the colour cannot be told"),
    ("colour_word", "text", "plain word for the colour"),
    ("cranking_s", "number", "time on the starter, by the sound [s]"),
    ("cranking_s_low", "number", "its 95 % interval [s]"),
    ("cranking_s_high", "number", "its 95 % interval [s]"),
    ("idle_speed_per_min", "number", "idle speed, by the sound [1/min]"),
    ("idle_speed_per_min_low", "number", "its 95 % interval [1/min]"),
    ("idle_speed_per_min_high", "number", "its 95 % interval [1/min]"),
    ("uneven_firing", "number", "off-firing over firing energy [1]"),
    ("uneven_firing_low", "number", "its 95 % interval [1]"),
    ("uneven_firing_high", "number", "its 95 % interval [1]"),
    ("weak_cylinder", "number", "weight that one cylinder is weak [0 to 1]"),
    ("hunting", "number", "weight that the idle swings slowly [0 to 1]"),
    ("doubts", "text", "names of the doubts, with blanks between"),
    ("family", "text", "heaviest family of causes, by name"),
    ("family_title", "text", "the same in words"),
    ("family_weight", "number", "its weight [0 to 1]"),
    ("family_low", "number", "its 95 % interval [0 to 1]"),
    ("family_high", "number", "its 95 % interval [0 to 1]"),
    ("cause", "text", "heaviest cause of the smoke, by name"),
    ("cause_title", "text", "the same in words"),
    ("cause_weight", "number", "its weight [0 to 1]"),
    ("cause_low", "number", "its 95 % interval [0 to 1]"),
    ("cause_high", "number", "its 95 % interval [0 to 1]"),
    ("stop_signs", "text", "what must not be done with this engine, and why"),
    ("next_check", "text", "the check worth its time"),
    ("next_check_caution", "text", "what to mind in it"),
    ("smokecase", "text", "version that measured it"),
    ("knowledge", "text", "fingerprint of the knowledge files"),
    ("wall_s", "number", "time that measuring it took [s]"),
    ("cpu_s", "number", "processor time [s]"),
    ("peak_memory_mb", "number", "most memory held at once [MB]"),
)


def write_tables(ledger: Ledger) -> None:
    """Write ``clips.parquet`` and ``clips.html``, each aside first, then renamed.

    Raises
    ------
    OSError
        If the disk does not take them; the old ones stay.
    """
    from smokecase.report.batch_page import BatchPage

    _write_parquet(ledger)
    page = BatchPage(picture_of=lambda key: _picture(ledger, key))
    for row in plain_rows(ledger):
        page.add(row)
    _in_place(ledger.folder / PAGE, page.to_html().encode("utf-8"))


def plain_rows(ledger: Ledger) -> Iterator[dict[str, Any]]:
    """Rows with the names of `COLUMNS`, and the key of the work beside them."""
    import json

    for row in ledger.rows():
        row["clip"] = file_name(row["url"])
        row["url"] = shown(row["url"])
        if row["state"] == "done":
            row["readings"] = str(ledger.path_of("readings", row["key"]).relative_to(ledger.folder))
        row["told"] = json.dumps(row["told"], ensure_ascii=False) if row["told"] else None
        row["notes"] = json.dumps(row["notes"], ensure_ascii=False) if row["notes"] else None
        row["same_as"] = shown(row["same_as"]) if row["same_as"] else None
        yield row


def schema() -> "pa.Schema":
    """Form of ``clips.parquet``."""
    import pyarrow as pa

    kinds = {"text": pa.string(), "whole": pa.int64(), "number": pa.float64(), "truth": pa.bool_()}
    parts = [pa.field(name, kinds[kind], metadata={"holds": words})
             for name, kind, words in COLUMNS]  # fmt: skip
    return pa.schema(parts, metadata={"screening_note": SCREENING})


def _write_parquet(ledger: Ledger) -> None:
    import pyarrow as pa
    from pyarrow import parquet

    form = schema()
    aside = ledger.folder / f".{CLIPS}.partial"
    try:
        with parquet.ParquetWriter(aside, form, compression="zstd") as out:
            held: list[dict[str, Any]] = []
            for row in plain_rows(ledger):
                held.append({name: row.get(name) for name in form.names})
                if len(held) == ROWS_AT_ONCE:
                    out.write_table(pa.Table.from_pylist(held, form))
                    held = []
            out.write_table(pa.Table.from_pylist(held, form))
        _sync(aside)
        aside.replace(ledger.folder / CLIPS)
    finally:
        aside.unlink(missing_ok=True)


def _in_place(target: Path, content: bytes) -> None:
    aside = target.with_name(f".{target.name}.partial")
    try:
        aside.write_bytes(content)
        _sync(aside)
        aside.replace(target)
    finally:
        aside.unlink(missing_ok=True)


def _sync(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _picture(ledger: Ledger, key: str) -> bytes | None:
    try:
        return ledger.path_of("pictures", key).read_bytes()
    except OSError:
        return None  # a picture is shown where it is there; the numbers do not hang on it
