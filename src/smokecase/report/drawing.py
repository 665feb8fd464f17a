"""Flat drawings in millimetres that become a PDF page or an SVG file alike."""

import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from smokecase.errors import WriteError

Colour = tuple[int, int, int]  # sRGB, 0 to 255
INK: Colour = (0, 0, 0)
MM_PER_POINT = 25.4 / 72.0  # definition of the point in ISO 32000-1


@dataclass(frozen=True, slots=True)
class Area:
    """A filled polygon."""

    points_mm: tuple[tuple[float, float], ...]
    fill: Colour


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line through points."""

    points_mm: tuple[tuple[float, float], ...]
    width_mm: float
    colour: Colour = INK


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text on a baseline."""

    x_mm: float
    y_mm: float
    size_mm: float
    text: str
    bold: bool = False
    colour: Colour = INK
    align: str = "left"  # left, middle, right


@dataclass(slots=True)
class Page:
    """What stands on one page, back to front."""

    width_mm: float
    height_mm: float
    shapes: list[Area | Stroke | Words] = field(default_factory=list)

    def box(self, x: float, y: float, width: float, height: float, fill: Colour) -> None:
        """Fill a rectangle."""
        corners = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
        self.shapes.append(Area(corners, fill))

    def line(self, *points_mm: tuple[float, float], width: float, colour: Colour = INK) -> None:
        """Draw a line through points."""
        self.shapes.append(Stroke(points_mm, width, colour))

    def text(self, x: float, y: float, size: float, text: str, **more: object) -> None:
        """Set one line of text, its baseline at y."""
        self.shapes.append(Words(x, y, size, text, **more))  # type: ignore[arg-type]  # as Words


def write_pdf(pages: Sequence[Page], path: Path, *, title: str) -> None:
    """Write pages as one PDF, in true size, the same bytes each time.

    Raises
    ------
    WriteError
        If the file cannot be written.
    """
    from datetime import UTC, datetime

    from fpdf import FPDF

    pdf = FPDF(unit="mm")
    pdf.set_creation_date(datetime(2000, 1, 1, tzinfo=UTC))  # fixed: same words, same bytes
    pdf.set_title(title)
    pdf.set_auto_page_break(False)
    for page in pages:
        # fpdf2 swaps the two for landscape, so portrait is said and the true size is given
        pdf.add_page(orientation="P", format=(page.width_mm, page.height_mm))
        for shape in page.shapes:
            _draw(pdf, shape)
    _write(path, bytes(pdf.output()))


def _draw(p: Any, shape: Area | Stroke | Words) -> None:  # an fpdf.FPDF, which loads late
    if isinstance(shape, Area):
        p.set_fill_color(*shape.fill)
        p.polygon(list(shape.points_mm), style="F")
    elif isinstance(shape, Stroke):
        p.set_draw_color(*shape.colour)
        p.set_line_width(shape.width_mm)
        p.polyline(list(shape.points_mm))
    else:
        p.set_font("helvetica", "B" if shape.bold else "", shape.size_mm / MM_PER_POINT)
        p.set_text_color(*shape.colour)
        wide = p.get_string_width(shape.text)
        shift = {"left": 0.0, "middle": wide / 2, "right": wide}[shape.align]
        p.text(shape.x_mm - shift, shape.y_mm, shape.text)


def write_svg(page: Page, path: Path, *, title: str) -> None:
    """Write one page as SVG, in true size.

    Raises
    ------
    WriteError
        If the file cannot be written.
    """
    w, h = f"{page.width_mm:g}", f"{page.height_mm:g}"
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" '
        # crisp: no pale seams where two patches touch
        f'viewBox="0 0 {w} {h}" shape-rendering="crispEdges">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{w}" height="{h}" fill="#ffffff"/>',
        *(_svg(shape) for shape in page.shapes),
        "</svg>",
    ]
    _write(path, ("\n".join(lines) + "\n").encode())


def _svg(shape: Area | Stroke | Words) -> str:
    def code(colour: Colour) -> str:
        return "#{:02x}{:02x}{:02x}".format(*colour)

    if isinstance(shape, Words):
        anchor = {"left": "start", "middle": "middle", "right": "end"}[shape.align]
        weight = ' font-weight="bold"' if shape.bold else ""
        return (
            f'<text x="{shape.x_mm:g}" y="{shape.y_mm:g}" font-size="{shape.size_mm:g}" '
            f'font-family="Helvetica, Arial, sans-serif"{weight} text-anchor="{anchor}" '
            f'fill="{code(shape.colour)}">{escape(shape.text)}</text>'
        )
    points = " ".join(f"{x:g},{y:g}" for x, y in shape.points_mm)
    if isinstance(shape, Area):
        return f'<polygon points="{points}" fill="{code(shape.fill)}"/>'
    return (
        f'<polyline points="{points}" fill="none" stroke="{code(shape.colour)}" '
        f'stroke-width="{shape.width_mm:g}"/>'
    )


def _write(path: Path, content: bytes) -> None:
    """Write a whole file beside its place, then move it there: the old one or the new one."""
    try:
        handle, aside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
            Path(aside).chmod(0o644)
            Path(aside).replace(path)
        except BaseException:
            Path(aside).unlink(missing_ok=True)
            raise
    except OSError as error:
        what = f"the file could not be written ({error.strerror})"
        raise WriteError(
            what, where=path.name, remedy="choose another folder with --out"
        ) from error
