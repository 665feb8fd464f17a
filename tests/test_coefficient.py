"""Smoke per metre from an examination, checked against published pairs and by closed form.

Opacity pairs: shared/reference/03_opacity_k_pairs.csv (UN R24 and SAE J1667 lengths).
"""

import csv
import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from made_traces import make_examination, make_trace
from smokecase.cli import main
from smokecase.coefficient import path_from_pipe, pipe_from_backdrop, trace_coefficient
from smokecase.measured import Measured
from smokecase.report.folder import write_folder

TIMES = np.arange(20) / 10


def smoky(opacity, centre=None, colour=(1.0, 0.0, 0.0, 0.0)):
    from dataclasses import replace

    trace = make_trace(TIMES, np.full(20, float(opacity)))
    centre = opacity if centre is None else centre
    return make_examination(
        replace(trace, centre_line_pct=np.full(20, float(centre))), colour=colour
    )


def metres(value, u=0.0):
    return Measured(value=value, u=u, unit="m")


@pytest.mark.parametrize(("opacity", "length", "k"), [(50, 0.43, 1.61197), (20, 0.1, 2.231436)])
def test_published_pairs_come_out_of_a_trace(opacity, length, k):
    row = next(trace_coefficient(smoky(opacity), metres(length)))

    assert_allclose(row.k.value, k, atol=1e-6)
    assert row.k.low < k < row.k.high


def test_the_same_path_gives_the_same_opacity():
    row = next(trace_coefficient(smoky(50), metres(0.43), standard_m=0.43))

    assert_allclose(row.standard_opacity.value, 50, atol=1e-9)


def test_the_centre_line_counts_for_k_and_the_section_for_ringelmann():
    row = next(trace_coefficient(smoky(40, centre=60), metres(0.1)))

    assert_allclose(row.k.value, -math.log(0.4) / 0.1)
    assert_allclose(row.ringelmann.value, 2.0)


def test_only_black_smoke_has_a_ringelmann_number():
    white = smoky(40, colour=(0.1, 0.0, 0.9, 0.0))

    assert next(trace_coefficient(white, metres(0.1))).ringelmann is None


def test_a_round_even_plume_shows_its_width():
    # a round plume 0.8 d wide in a section 1.1 d wide: mean depth is pi/4 of the centre, in 0.8/1.1
    tau = 0.5
    filled = math.pi / 4 * 0.8 / 1.1
    clip = smoky(100 * (1 - math.exp(-tau * filled)), centre=100 * (1 - math.exp(-tau)))

    path = path_from_pipe(clip, Measured(value=60.0, u=0.5, unit="mm"))

    assert_allclose(path.value, 0.8 * 0.060, rtol=1e-6)
    assert 0.1 < path.u / path.value < 0.3


def test_a_plume_that_fills_the_section_has_no_width():
    assert path_from_pipe(smoky(50, centre=50.5), Measured(value=60.0, u=0.5, unit="mm")) is None


def test_the_backdrops_scale_is_carried_to_the_plume():
    from dataclasses import replace

    clip = replace(
        smoky(50),
        diameter_px=40.0,
        settings={"backdrop_mm_per_px": 2.0, "u_backdrop_mm_per_px": 0.02},
    )

    pipe = pipe_from_backdrop(clip, behind_m=metres(0.4, 0.1), distance_m=metres(2.0, 0.2))

    # similar triangles: 40 px of 2 mm each, the plume a fifth nearer than the board
    assert_allclose(pipe.value, 40 * 2 * 0.8)
    assert_allclose(pipe.u / pipe.value, np.hypot(0.01, np.hypot(0.1, 0.2 * 0.2) / 2 / 0.8))


def test_without_a_backdrop_there_is_no_scale(tmp_path, capsys):
    write_folder(smoky(50, centre=80), tmp_path / "out")

    assert main(["coefficient", str(tmp_path / "out")]) == 5
    assert "no printed backdrop was found" in capsys.readouterr().err


def test_the_command_writes_the_table(tmp_path, capsys):
    write_folder(smoky(50), tmp_path / "out")

    assert main(["coefficient", str(tmp_path / "out"), "--path-mm", "430"]) == 0

    said = capsys.readouterr().out
    assert "k = 1.61 1/m" in said or "k = 1.6 1/m" in said
    assert "indicative" in said
    assert "screening evidence" in said
    with (tmp_path / "out" / "coefficient.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 20
    assert_allclose(float(rows[0]["k_per_m"]), 1.61197, atol=6e-5)


def test_a_width_that_cannot_be_told_is_one_sentence(tmp_path, capsys):
    write_folder(smoky(50, centre=50.5), tmp_path / "out")

    assert main(["coefficient", str(tmp_path / "out"), "--pipe-mm", "60"]) == 5
    assert capsys.readouterr().err.endswith(
        "the plume's width cannot be told from this examination; give its depth with --path-mm.\n"
    )
