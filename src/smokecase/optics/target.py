"""The printed backdrop: where its patches lie and how much of the light each gives back.

A sheet is a grid of square cells: a field of black and white cells in the middle, where the
plume passes, and above and below it a band of two rows with the markers, grey steps and
coloured cells between them. Sheets hang side by side as they come: every one carries its own
markers, which tell paper, grid and number, so that nothing need be typed in or cut to fit.

All lengths are millimetres on the paper, x right, y down, from its top left corner.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# landscape sheets: ISO 216 A series; letter 11 in by 8.5 in, ANSI/ASME Y14.1
PAPERS_MM = {"A4": (297.0, 210.0), "A3": (420.0, 297.0), "letter": (279.4, 215.9)}
GRIDS = {"near": (12, 8), "far": (8, 6)}  # columns and rows of cells
MAX_SHEETS = 6  # of one paper and grid: the ids of the marker dictionary are shared out
MARKER_SHARE = 0.8  # of its two cells a marker fills; the rest is its quiet border
MARGIN_MM = 10.0  # home printers leave some 3 to 8 mm white; common practice, no source
FOOT_MM = 14.0  # strip below the cells for ruler and words

# a cell should cover 12 pixels of a full HD picture whose field is 65 degrees wide:
# 12 * 2 tan(32.5 deg) / 1920 = 8 mm for each metre; and not fewer than 4 at working size
CELL_MM_PER_METRE = 8.0

# grey steps and colours: share of the paper's light, red, green, blue, as ordered from the
# printer (sRGB values are written); what a real printer gives differs by some tenths of it
GREYS = (0.06, 0.12, 0.21, 0.34, 0.50, 0.72)
COLOURS = (
    (0.50, 0.09, 0.05),  # brick
    (0.10, 0.26, 0.09),  # moss
    (0.08, 0.16, 0.42),  # slate
    (0.72, 0.46, 0.07),  # ochre
    (0.28, 0.28, 0.28),  # two neutrals
    (0.60, 0.60, 0.60),
)
BLACK, WHITE = 0.0, 1.0  # as ordered; ink gives back 2 to 8 % of the light in truth


@dataclass(frozen=True, slots=True)
class Cell:
    """One evenly printed square."""

    x_mm: float  # left
    y_mm: float  # top
    kind: str  # black, white, grey, colour
    share: tuple[float, float, float]  # of the paper's light, as ordered from the printer


@dataclass(frozen=True, slots=True)
class Marker:
    """One square marker of the ArUco dictionary 4x4, 250."""

    x_mm: float
    y_mm: float
    side_mm: float
    identity: int

    def corners_mm(self) -> Floats:
        """Corners clockwise from the top left, shape (4, 2)."""
        x, y, s = self.x_mm, self.y_mm, self.side_mm
        return np.array([[x, y], [x + s, y], [x + s, y + s], [x, y + s]])


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One printed sheet, landscape."""

    paper: str
    grid: str
    number: int  # 1 to MAX_SHEETS
    width_mm: float
    height_mm: float
    cell_mm: float
    x_mm: float  # top left corner of the grid
    y_mm: float
    columns: int
    rows: int
    cells: tuple[Cell, ...]
    markers: tuple[Marker, ...]
    ruler_mm: float  # length of the printed ruler

    def field_corners_mm(self) -> Floats:
        """Corners where four cells of the black-and-white field meet, shape (n, 2)."""
        columns = np.arange(1, self.columns)
        rows = np.arange(3, self.rows - 2)
        x, y = np.meshgrid(columns, rows)
        return np.stack(
            [self.x_mm + x.ravel() * self.cell_mm, self.y_mm + y.ravel() * self.cell_mm], axis=1
        )

    def outline_mm(self) -> Floats:
        """Corners of the grid clockwise from the top left, shape (4, 2)."""
        right, bottom = (
            self.x_mm + self.columns * self.cell_mm,
            self.y_mm + self.rows * self.cell_mm,
        )
        return np.array(
            [[self.x_mm, self.y_mm], [right, self.y_mm], [right, bottom], [self.x_mm, bottom]]
        )


@lru_cache(maxsize=64)
def lay_out_sheet(paper: str, grid: str = "near", number: int = 1) -> Sheet:
    """One sheet of the backdrop.

    Raises
    ------
    ValueError
        If the paper or grid is unknown, or the number is not 1 to `MAX_SHEETS`.
    """
    if paper not in PAPERS_MM:
        msg = f"paper must be one of {', '.join(PAPERS_MM)} (got {paper})"
        raise ValueError(msg)
    if grid not in GRIDS:
        msg = f"grid must be one of {', '.join(GRIDS)} (got {grid})"
        raise ValueError(msg)
    if not 1 <= number <= MAX_SHEETS:
        msg = f"number must be 1 to {MAX_SHEETS} (got {number})"
        raise ValueError(msg)
    width, height = PAPERS_MM[paper]
    columns, rows = GRIDS[grid]
    fits = ((width - 2 * MARGIN_MM) / columns, (height - 2 * MARGIN_MM - FOOT_MM) / rows)
    cell = float(math.floor(min(fits)))  # whole millimetres, easy to check with a rule
    x0 = (width - columns * cell) / 2
    places = _marker_columns(columns)
    first = _first_identity(paper, grid, number)
    inset = cell * (1 - MARKER_SHARE)  # of two cells
    markers = tuple(
        Marker(
            x0 + c * cell + inset, MARGIN_MM + r * cell + inset, 2 * cell * MARKER_SHARE, first + i
        )
        for i, (r, c) in enumerate((r, c) for r in (0, rows - 2) for c in places)
    )
    return Sheet(
        paper=paper,
        grid=grid,
        number=number,
        width_mm=width,
        height_mm=height,
        cell_mm=cell,
        x_mm=x0,
        y_mm=MARGIN_MM,
        columns=columns,
        rows=rows,
        cells=_cells(columns, rows, x0, cell),
        markers=markers,
        ruler_mm=200.0,
    )


def _marker_columns(columns: int) -> tuple[int, ...]:
    return (0, columns // 2 - 1, columns - 2) if columns >= 12 else (0, columns - 2)


def _first_identity(paper: str, grid: str, number: int) -> int:
    kind = list(PAPERS_MM).index(paper) * len(GRIDS) + list(GRIDS).index(grid)
    return (kind * MAX_SHEETS + number - 1) * 6  # at most six markers on a sheet


def sheet_of_marker(identity: int) -> Sheet | None:
    """Find the sheet that carries a marker; None where no sheet does."""
    kind, rest = divmod(identity, MAX_SHEETS * 6)
    if not 0 <= kind < len(PAPERS_MM) * len(GRIDS):
        return None
    paper = list(PAPERS_MM)[kind // len(GRIDS)]
    grid = list(GRIDS)[kind % len(GRIDS)]
    sheet = lay_out_sheet(paper, grid, rest // 6 + 1)
    return sheet if identity in {m.identity for m in sheet.markers} else None


def _cells(columns: int, rows: int, x0: float, cell: float) -> tuple[Cell, ...]:
    taken = {c + i for c in _marker_columns(columns) for i in (0, 1)}
    free = [c for c in range(columns) if c not in taken]
    left = [c for c in free if c < columns // 2]
    right = [c for c in free if c >= columns // 2]
    special = dict(zip(_block(left, 0), [("grey", (g,) * 3) for g in GREYS], strict=False))
    special |= dict(
        zip(_block(left, rows - 2), [("grey", (g,) * 3) for g in GREYS[::-1]], strict=False)
    )
    special |= dict(zip(_block(right, 0), [("colour", c) for c in COLOURS], strict=False))
    cells = []
    for row in range(rows):
        for column in range(columns):
            if column in taken and (row < 2 or row >= rows - 2):
                continue
            plain = ("black", (BLACK,) * 3) if (row + column) % 2 else ("white", (WHITE,) * 3)
            kind, share = special.get((row, column), plain)
            cells.append(Cell(x0 + column * cell, MARGIN_MM + row * cell, kind, share))
    return tuple(cells)


def _block(columns: list[int], row: int) -> list[tuple[int, int]]:
    """Cells of two rows between two markers, in reading order."""
    return [(r, c) for r in (row, row + 1) for c in columns]


def grid_for_distance(paper: str, distance_m: float) -> str | None:
    """Find the finest grid whose cells are wide enough at a filming distance; None if none is.

    Raises
    ------
    ValueError
        If `distance_m` is not above zero.
    """
    if not distance_m > 0:
        msg = f"distance_m must be above zero (got {distance_m})"
        raise ValueError(msg)
    for grid in GRIDS:
        if lay_out_sheet(paper, grid).cell_mm >= CELL_MM_PER_METRE * distance_m:
            return grid
    return None
