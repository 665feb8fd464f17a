"""Speed and firing frequency against shared/reference/08_firing_frequency.csv (its SOURCES.md)."""

import csv
from pathlib import Path

import pytest
from numpy.testing import assert_allclose
from scipy.signal import resample_poly

from made_engines import as_track
from smokecase.demo.engine_note import Engine, engine_note
from smokecase.sound.listening import listen_to
from smokecase.sound.speed import speed_per_min

TABLE = Path(__file__).parents[2] / "shared" / "reference" / "08_firing_frequency.csv"
ROWS = [
    {k: float(v) for k, v in row.items()}
    for row in csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines())
]


@pytest.mark.parametrize(
    "row", ROWS, ids=lambda r: f"{r['cylinders']:.0f}x{r['speed_per_min']:.0f}"
)
def test_speed_follows_from_the_firing_frequency(row):
    speed = speed_per_min(row["firing_frequency_hz"], int(row["cylinders"]), int(row["strokes"]))

    assert_allclose(speed, row["speed_per_min"], rtol=1e-5)  # the table gives four decimals


@pytest.mark.parametrize(
    "row",
    [r for r in ROWS if r["speed_per_min"] in (750.0, 800.0)],
    ids=lambda r: f"{r['strokes']:.0f}-stroke {r['cylinders']:.0f}x{r['speed_per_min']:.0f}",
)
def test_an_invented_engine_at_the_tables_speed_is_heard_at_its_firing_frequency(row):
    engine = Engine(
        cylinders=int(row["cylinders"]), strokes=int(row["strokes"]), duration_s=7.0,
        crank_s=None, runs_s=None, idle_per_min=row["speed_per_min"], wander_pct=0.3,
    )  # fmt: skip
    note = engine_note(engine, seed=int(row["cylinders"]))
    track = as_track(0.1 * resample_poly(note.sound, 80, 441))

    reading = listen_to(track, cylinders=engine.cylinders, strokes=engine.strokes).reading

    assert reading.firing_hz.value == pytest.approx(row["firing_frequency_hz"], rel=0.01)
    assert reading.idle_speed.value == pytest.approx(row["speed_per_min"], rel=0.01)
    assert reading.cranking_time is None  # it ran already
