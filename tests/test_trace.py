"""The trace turns into the promised table, and its columns hold together."""

import numpy as np
import pytest

from made_examinations import an_examination
from smokecase.trace import COLOURS, SmokeTrace


def test_the_table_has_the_promised_columns_in_order():
    first = ["time_s", "opacity_pct", "opacity_low_pct", "opacity_high_pct", "centre_line_pct",
             "plume_p95_pct", *COLOURS, "doubts"]  # fmt: skip

    assert list(an_examination().to_table()[0])[: len(first)] == first


def test_arrays_are_read_only():
    with pytest.raises(ValueError, match="read-only"):
        an_examination().trace.opacity_pct[0] = 1.0


def test_columns_of_one_trace_are_equally_long():
    trace = an_examination().trace
    columns = {name: getattr(trace, name) for name in SmokeTrace.__dataclass_fields__}

    with pytest.raises(ValueError, match="column area_px has 1 rows, time_s has 80"):
        SmokeTrace(**columns | {"area_px": np.zeros(1)})
