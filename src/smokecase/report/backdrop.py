"""Draws the printable backdrop: its sheets in true size, and a page on how to hang and film it."""

from pathlib import Path

from smokecase.errors import WriteError
from smokecase.optics.target import (
    FOOT_MM,
    MAX_SHEETS,
    Marker,
    Sheet,
    grid_for_distance,
    lay_out_sheet,
)
from smokecase.report.backdrop_guide import draw_guide
from smokecase.report.drawing import INK, Colour, Page, write_pdf, write_svg

PAPER_WHITE: Colour = (255, 255, 255)
TITLE = "smokecase backdrop"


def write_backdrop(
    path: Path, *, paper: str = "A4", sheets: int = 1, distance_m: float = 2.0
) -> list[Path]:
    """Write the backdrop as PDF (sheets, then the guide) and each sheet as SVG beside it.

    Parameters
    ----------
    path : Path
        The PDF; the SVG files take its name with the sheet's number.
    paper : str
        A key of `optics.target.PAPERS_MM`.
    sheets : int
        How many to hang side by side, 1 to `MAX_SHEETS`.
    distance_m : float
        From camera to backdrop; decides how large the patches are. [m]

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    WriteError
        If the paper is too small for the distance, or a file cannot be written.
    ValueError
        If paper, number of sheets or distance is out of range.
    """
    if not 1 <= sheets <= MAX_SHEETS:
        msg = f"sheets must be 1 to {MAX_SHEETS} (got {sheets})"
        raise ValueError(msg)
    grid = grid_for_distance(paper, distance_m)
    if grid is None:
        what = f"patches that fit on {paper} are too small to be read from {distance_m:g} m"
        remedy = "film from nearer" if paper == "A3" else "take --paper A3, or film from nearer"
        raise WriteError(what, where="backdrop", remedy=remedy)
    laid = [lay_out_sheet(paper, grid, n) for n in range(1, sheets + 1)]
    pages = [draw_sheet(sheet, of=sheets) for sheet in laid]
    guide = draw_guide(laid[0], sheets=sheets, distance_m=distance_m)
    write_pdf([*pages, guide], path, title=TITLE)
    written = [path]
    for sheet, page in zip(laid, pages, strict=True):
        beside = path.with_name(f"{path.stem}-{sheet.number}.svg")
        write_svg(page, beside, title=f"{TITLE}, sheet {sheet.number} of {sheets}")
        written.append(beside)
    return written


def draw_sheet(sheet: Sheet, *, of: int = 1) -> Page:
    """One sheet in true size."""
    page = Page(sheet.width_mm, sheet.height_mm)
    for cell in sheet.cells:
        if cell.kind != "white":
            red, green, blue = (_code(share) for share in cell.share)
            page.box(cell.x_mm, cell.y_mm, sheet.cell_mm, sheet.cell_mm, (red, green, blue))
    for marker in sheet.markers:
        _draw_marker(page, marker)
    _draw_ruler(page, sheet)
    x, y = sheet.width_mm - 10.0, sheet.height_mm - 4.0
    words = f"{TITLE}   sheet {sheet.number} of {of}   {sheet.paper}, patches {sheet.cell_mm:g} mm"
    page.text(x, y, 2.8, words, align="right")
    return page


def _code(share: float) -> int:
    """SRGB code of a share of the paper's light. Source: IEC 61966-2-1."""
    encoded = 12.92 * share if share <= 0.0031308 else 1.055 * share ** (1 / 2.4) - 0.055
    return round(255 * encoded)


def _draw_marker(page: Page, marker: Marker) -> None:
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)
    modules = cv2.aruco.generateImageMarker(dictionary, marker.identity, 6)  # border included
    size = marker.side_mm / 6
    page.box(marker.x_mm, marker.y_mm, marker.side_mm, marker.side_mm, INK)
    for row in range(6):
        for column in range(6):
            if modules[row, column]:
                x, y = marker.x_mm + column * size, marker.y_mm + row * size
                page.box(x, y, size, size, PAPER_WHITE)


def _draw_ruler(page: Page, sheet: Sheet) -> None:
    left = (sheet.width_mm - sheet.ruler_mm) / 2 - 14.0
    y = sheet.height_mm - FOOT_MM
    page.line((left, y), (left + sheet.ruler_mm, y), width=0.2)
    for mm in range(0, int(sheet.ruler_mm) + 1, 5):
        tick = 3.0 if mm % 50 == 0 else 2.0 if mm % 10 == 0 else 1.2
        page.line((left + mm, y), (left + mm, y + tick), width=0.2)
        if mm % 50 == 0:
            page.text(left + mm, y + 6.0, 2.6, str(mm), align="middle")
    words = f"Lay a steel rule here: 0 to {sheet.ruler_mm:g} must be {sheet.ruler_mm:g} mm."
    page.text(left, y + 10.0, 2.8, words)
