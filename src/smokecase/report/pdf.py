"""Sets a report as a PDF on A4 with its fonts inside; the same report gives the same bytes."""

import io
from datetime import datetime
from pathlib import Path
from typing import Any

from smokecase.languages import say
from smokecase.report.contents import Bars, Block, Items, Picture, Report, Table, Text, tell_bar

MARGIN_MM, LINE = 18.0, 1.42
INK, SOFT, RULE = (22, 32, 42), (86, 97, 106), (185, 193, 198)
FILL = (163, 173, 180)  # of a bar: light enough for the interval drawn over it
SIZES = {"plain": 10.0, "lead": 11.5, "small": 8.5, "stop": 10.5, "note": 9.0}
MM_PER_POINT = 25.4 / 72.0
ANNOUNCED_MM = 48.0
PAGE_NO_MM = 28.0  # room for the page's number beside the note under it
TALLEST_MM = 125.0  # a picture is made narrower rather than higher than this


def to_pdf(report: Report, *, made: datetime) -> bytes:
    """Set a report as PDF.

    Parameters
    ----------
    report : Report
    made : datetime
        Stands in the file as the time of its making.
    """
    sheet = _new_sheet(report, made)
    sheet.add_page()
    sheet.set_font("DejaVu", "B", 18)
    _write(sheet, report.title, 18)
    sheet.set_font("DejaVu", "", 9)
    sheet.set_text_color(*SOFT)
    _write(sheet, f"{report.subtitle}; {report.made}", 9)
    sheet.ln(2)
    _text(sheet, Text(f"{report.note} {report.brackets}", (), "note"))
    for i, section in enumerate(report.sections):
        if section.new_page and i:
            sheet.add_page()
        _heading(sheet, section.title, first=section.new_page)
        for n, block in enumerate(section.blocks):
            following = section.blocks[n + 1] if n + 1 < len(section.blocks) else None
            # a line that announces a list stands on the page of that list
            if isinstance(following, Items) and sheet.get_y() > sheet.h - ANNOUNCED_MM:
                sheet.add_page()
            _block(sheet, block, report.language)
    sheet.ln(3)
    _text(sheet, Text(report.closing, (), "small"))
    return bytes(sheet.output())


def _new_sheet(report: Report, made: datetime) -> Any:
    import matplotlib as mpl
    from fpdf import FPDF

    class Sheet(FPDF):
        def footer(self) -> None:
            self.set_y(-14)
            self.set_font("DejaVu", "", 7.5)
            self.set_text_color(*SOFT)
            room = self.w - 2 * MARGIN_MM - PAGE_NO_MM
            size = min(7.5, 7.5 * room / self.get_string_width(report.note))
            self.set_font("DejaVu", "", size)
            self.cell(room, 4, report.note)
            words = say("page {n} of {all}", report.language)
            self.cell(0, 4, words.format(n=self.page_no(), all="{nb}"), align="R")

    sheet = Sheet(format="A4", unit="mm")
    fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"  # free, and shipped with the plots' library
    for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
        sheet.add_font("DejaVu", style, fonts / name)
    sheet.set_creation_date(made)
    sheet.set_title(report.title)
    sheet.set_lang(report.language)
    sheet.set_producer("smokecase")
    sheet.set_margins(MARGIN_MM, 16, MARGIN_MM)
    sheet.set_auto_page_break(True, 20)
    return sheet


def _write(sheet: Any, text: str, size: float, *, left: float = 0.0) -> None:
    sheet.set_x(MARGIN_MM + left)
    width = sheet.w - 2 * MARGIN_MM - left
    sheet.multi_cell(width, size * MM_PER_POINT * LINE, _together(text), align="L", new_x="LMARGIN",
                     new_y="NEXT")  # fmt: skip


def _together(text: str) -> str:
    """Keep a number and its percent sign on one line."""
    return text.replace(" %", "\N{NO-BREAK SPACE}%")


def _heading(sheet: Any, title: str, *, first: bool) -> None:
    if not first:
        if sheet.get_y() > sheet.h - 60:
            sheet.add_page()
        sheet.ln(4)
    sheet.set_draw_color(*INK)
    sheet.set_line_width(0.5)
    sheet.line(MARGIN_MM, sheet.get_y(), sheet.w - MARGIN_MM, sheet.get_y())
    sheet.ln(1.5)
    sheet.set_text_color(*INK)
    sheet.set_font("DejaVu", "B", 13)
    sheet.start_section(title)
    _write(sheet, title, 13)
    sheet.ln(1.5)


def _block(sheet: Any, block: Block, lang: str) -> None:
    if isinstance(block, Text):
        _text(sheet, block)
    elif isinstance(block, Items):
        for line in block.lines:
            sheet.set_text_color(*INK)
            sheet.set_font("DejaVu", "", SIZES["plain"])
            top = sheet.get_y()
            if top > sheet.h - 28:
                sheet.add_page()
                top = sheet.get_y()
            sheet.set_xy(MARGIN_MM + 1, top)
            sheet.cell(4, SIZES["plain"] * MM_PER_POINT * LINE, "\u2022")
            _write(sheet, line, SIZES["plain"], left=5)
        sheet.ln(1.5)
    elif isinstance(block, Table):
        _table(sheet, block)
    elif isinstance(block, Picture):
        _picture(sheet, block)
    else:
        _bars(sheet, block, lang)


def _rests(entries: tuple[int, ...]) -> str:
    return f" [{', '.join(str(n) for n in entries)}]" if entries else ""


def _text(sheet: Any, block: Text) -> None:
    size = SIZES[block.style]
    sheet.set_text_color(*(SOFT if block.style == "small" else INK))
    sheet.set_font("DejaVu", "B" if block.style in ("lead", "stop") else "", size)
    text = block.text + _rests(block.entries)
    if block.style not in ("stop", "note"):
        _write(sheet, text, size)
        sheet.ln(1.8)
        return
    pad = 3.0
    width = sheet.w - 2 * MARGIN_MM - 2 * pad
    line = size * MM_PER_POINT * LINE
    tall = line * len(sheet.multi_cell(width, line, text, dry_run=True, output="LINES")) + 2 * pad
    if sheet.get_y() + tall > sheet.h - 20:
        sheet.add_page()
    top = sheet.get_y()
    sheet.set_draw_color(*(INK if block.style == "stop" else RULE))
    if block.style == "stop":
        sheet.set_line_width(0.9)
        sheet.rect(MARGIN_MM, top, sheet.w - 2 * MARGIN_MM, tall)
    else:
        sheet.set_line_width(1.2)
        sheet.line(MARGIN_MM, top + pad - 1, MARGIN_MM, top + tall - pad + 1)
    sheet.set_xy(MARGIN_MM + pad, top + pad)
    sheet.multi_cell(width, line, text, align="L")
    sheet.set_xy(MARGIN_MM, top + tall + 2)


def _table(sheet: Any, table: Table) -> None:
    from fpdf.enums import TableBordersLayout
    from fpdf.fonts import FontFace

    sheet.set_font("DejaVu", "", SIZES["small"])
    sheet.set_text_color(*SOFT)
    if sheet.get_y() > sheet.h - 45:
        sheet.add_page()
    _write(sheet, table.caption + _rests(table.entries), SIZES["small"])
    sheet.set_text_color(*INK)
    sheet.set_draw_color(*RULE)
    sheet.set_line_width(0.2)
    sheet.set_fill_color(255, 255, 255)  # cells take the colour of the last filled shape otherwise
    sheet.set_font("DejaVu", "", SIZES["small"])
    wide = sheet.w - 2 * MARGIN_MM
    with sheet.table(
        col_widths=[wide * share for share in table.shares], width=wide, align="LEFT",
        text_align="LEFT", borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        headings_style=FontFace(emphasis="BOLD"), line_height=SIZES["small"] * MM_PER_POINT * LINE,
        padding=(0.8, 2, 0.8, 0), v_align="TOP", wrapmode="WORD",
    ) as grid:  # fmt: skip
        for cells in (table.head, *table.rows):
            row = grid.row()
            for cell in cells:
                row.cell(_breakable(cell))
    sheet.ln(3)


def _breakable(cell: str) -> str:
    """Cell with long fingerprints cut in two, so that they fit their column."""
    if len(cell) == 64 and " " not in cell:
        return f"{cell[:32]} {cell[32:]}"
    return _together(cell)


def _picture(sheet: Any, picture: Picture) -> None:
    from PIL import Image

    with Image.open(io.BytesIO(picture.data)) as image:
        wide_px, tall_px = image.size
    wide = (sheet.w - 2 * MARGIN_MM) * picture.width_share
    tall = wide * tall_px / wide_px
    if tall > TALLEST_MM:
        wide, tall = wide * TALLEST_MM / tall, TALLEST_MM
    if sheet.get_y() + tall + 12 > sheet.h - 20:
        sheet.add_page()
    sheet.image(io.BytesIO(picture.data), x=MARGIN_MM, w=wide, h=tall, alt_text=picture.alt)
    sheet.ln(1)
    sheet.set_text_color(*SOFT)
    sheet.set_font("DejaVu", "", SIZES["small"])
    _write(sheet, picture.caption + _rests(picture.entries), SIZES["small"])
    sheet.ln(2)


def _bars(sheet: Any, block: Bars, lang: str) -> None:
    sheet.set_text_color(*INK)
    sheet.set_font("DejaVu", "", SIZES["plain"])
    _write(sheet, block.caption + _rests(block.entries), SIZES["plain"])
    sheet.ln(1)
    words_wide, line = 92.0, 4.3
    x0 = MARGIN_MM + words_wide + 32
    full = sheet.w - MARGIN_MM - x0
    for bar in block.bars:
        if sheet.get_y() > sheet.h - 30:
            sheet.add_page()
        top = sheet.get_y()
        sheet.set_font("DejaVu", "", 9)
        wide = words_wide - 2
        lines = sheet.multi_cell(wide, line, bar.label, dry_run=True, output="LINES")
        row = line * len(lines) + 2.1
        sheet.set_xy(MARGIN_MM, top + 1.05)
        sheet.multi_cell(wide, line, bar.label, align="L")
        sheet.set_font("DejaVu", "B", 9)
        sheet.set_xy(MARGIN_MM + words_wide, top)
        sheet.cell(30, row, tell_bar(bar, lang))
        sheet.set_draw_color(*RULE)
        sheet.set_line_width(0.2)
        sheet.rect(x0, top + row / 2 - 1.9, full, 3.8)
        sheet.set_fill_color(*FILL)
        sheet.rect(x0, top + row / 2 - 1.9, full * bar.weight, 3.8, style="F")
        sheet.set_draw_color(0, 0, 0)
        sheet.set_line_width(0.4)
        low, high, middle = x0 + full * bar.low, x0 + full * bar.high, top + row / 2
        sheet.line(low, middle, high, middle)
        for x in (low, high):
            sheet.line(x, middle - 2.4, x, middle + 2.4)
        sheet.set_xy(MARGIN_MM, top + row)
    sheet.ln(3)
