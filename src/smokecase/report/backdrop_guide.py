"""The page that goes with the backdrop: where to hang it and how to film, in small drawings."""

import math
from collections.abc import Callable

from smokecase.optics.target import Sheet
from smokecase.report.drawing import Area, Colour, Page

LINE: Colour = (60, 66, 72)
SOFT: Colour = (196, 202, 208)
SMOKE: Colour = (168, 172, 178)
RUST: Colour = (150, 78, 40)
At = Callable[[float, float], tuple[float, float]]  # drawing millimetres to page millimetres

STEPS = (
    "1  Print at 100 %, never 'fit to page', on matt paper. Check the ruler with a steel rule.",
    "2  Stick the sheet flat on card or a box. Glossy film or wet paper mirrors the sky.",
    "3  Hang it upright 20 to 50 cm behind the plume, so that the plume crosses the checks.",
    "    Leave the grey steps and at least two of the square markers free of smoke.",
    "4  Put the phone on something firm, {distance:g} m from the sheet, square to it; no zoom.",
    "5  Keep sheet and plume in the same light, best an even shade. No shadow edge on the sheet.",
    "6  Tap the white of the sheet and hold until exposure locks. White must not be blown out.",
    "7  Film three seconds before the starter turns: all else is compared with these.",
)
SELF_CHECK = (
    "Check the set-up before the engine runs",
    "a  Film five seconds without smoke.  smokecase selfcheck CLEAR.mp4  must read 0 %.",
    "b  Film again with a grey film or gauze of known transmission before the checks, say 50 %:",
    "    smokecase selfcheck CLEAR.mp4 --film FILM.mp4 --passes 50  must read it.",
)
CAUTIONS = (
    "Exhaust gas kills: outdoors only, stay upwind, never film from inside the plume.",
    "Pipe and silencer burn skin and paper: keep the sheet clear of hot metal and the gas jet.",
    "Keep hands, hair, cords and sheet away from fan, belts and wheels. Brake on, wheels chocked.",
    "If the engine runs away, or fuel or coolant sprays: stand clear. Local rules come first.",
    "Camera readings are screening evidence: no certified meter value, no legal smoke test.",
)


def draw_guide(sheet: Sheet, *, sheets: int, distance_m: float) -> Page:
    """How to hang and film the backdrop, on a page of the sheet's paper."""
    page = Page(sheet.width_mm, sheet.height_mm)
    scale = sheet.width_mm / 297.0
    left, top = 14.0 * scale, 18.0 * scale

    def at(x: float, y: float) -> tuple[float, float]:
        return left + x * scale, top + y * scale

    page.text(*at(0, 0), 6.0 * scale, "How to hang the backdrop and film before it", bold=True)
    many = f"; the {sheets} sheets hang side by side, gaps do not matter" if sheets > 1 else ""
    words = f"Drawn for {distance_m:g} m from phone to sheet, patches {sheet.cell_mm:g} mm{many}."
    page.text(*at(0, 6), 3.2 * scale, words, colour=LINE)
    _from_the_side(page, at, scale, distance_m)
    _through_the_phone(page, at, scale)
    _over_time(page, at, scale)
    y = 84.0
    for words in STEPS:
        page.text(*at(0, y), 3.7 * scale, words.format(distance=distance_m))
        y += 5.4
    y += 2.0
    for i, words in enumerate(SELF_CHECK):
        page.text(*at(0, y), 3.7 * scale, words, bold=i == 0)
        y += 5.4
    y += 2.0
    page.text(*at(0, y), 3.7 * scale, "Cautions", bold=True, colour=RUST)
    for words in CAUTIONS:
        y += 5.0
        page.text(*at(0, y), 3.7 * scale, words)
    return page


def _disc(page: Page, centre: tuple[float, float], radius: float, fill: Colour) -> None:
    turn = [2 * math.pi * i / 32 for i in range(32)]
    points = tuple(
        (centre[0] + radius * math.cos(a), centre[1] + radius * math.sin(a)) for a in turn
    )
    page.shapes.append(Area(points, fill))


def _plume(page: Page, at: At, scale: float, x: float, y: float, step: float) -> None:
    for i in range(7):
        centre = at(x + step * i, y - 0.25 * i + (0.8 if i % 2 else -0.5))
        _disc(page, centre, (1.9 + 0.45 * i) * scale, SMOKE)


def _from_the_side(page: Page, at: At, scale: float, distance_m: float) -> None:
    page.text(*at(0, 16), 3.4 * scale, "From above", bold=True)
    page.line(at(0, 70), at(82, 70), width=0.3 * scale, colour=SOFT)
    page.box(*at(14, 24), 50 * scale, 1.6 * scale, LINE)  # the sheet, edge on
    page.text(*at(66, 26), 2.9 * scale, "sheet")
    page.box(*at(8, 34), 14 * scale, 4 * scale, SOFT)  # the pipe
    page.text(*at(8, 43), 2.9 * scale, "pipe")
    _plume(page, at, scale, 24, 36, 4.6)
    page.line(at(58, 27.5), at(58, 33), width=0.3 * scale, colour=RUST)
    page.text(*at(60, 33), 2.9 * scale, "20 to 50 cm", colour=RUST)
    page.box(*at(34, 63), 10 * scale, 2.4 * scale, LINE)  # the phone
    page.text(*at(46, 66), 2.9 * scale, "phone, on something firm")
    for x in (15, 63):
        page.line(at(39, 63), at(x, 26), width=0.2 * scale, colour=SOFT)
    page.line(at(39, 41), at(39, 61), width=0.3 * scale, colour=RUST)
    page.text(*at(40.5, 54), 2.9 * scale, f"{distance_m:g} m in all", colour=RUST)
    _disc(page, at(6, 64), 2.6 * scale, (226, 178, 60))
    page.text(*at(0, 70.5 - 1.5), 2.9 * scale, "sun behind you")


def _through_the_phone(page: Page, at: At, scale: float) -> None:
    page.text(*at(94, 16), 3.4 * scale, "Through the phone", bold=True)
    corners = (at(94, 20), at(176, 20), at(176, 68), at(94, 68), at(94, 20))
    page.line(*corners, width=0.5 * scale, colour=LINE)
    side = 4.6
    for row in range(8):
        for column in range(12):
            x, y = 116 + column * side, 25 + row * side
            marker = row in (0, 6) and column in (0, 5, 10)
            taken = (row < 2 or row > 5) and column in (0, 1, 5, 6, 10, 11)
            if marker:
                page.box(*at(x + 0.9, y + 0.9), 7.4 * scale, 7.4 * scale, LINE)
                page.box(*at(x + 3.2, y + 3.2), 2.6 * scale, 2.6 * scale, (255, 255, 255))
            elif not taken and (row + column) % 2:
                shade = LINE if 2 <= row <= 5 else SOFT
                page.box(*at(x, y), side * scale, side * scale, shade)
    page.box(*at(94.3, 40), 15 * scale, 6 * scale, SOFT)
    _plume(page, at, scale, 112, 43, 5.4)
    page.text(*at(94, 73), 2.9 * scale, "the plume crosses the checks; markers and greys stay free")


def _over_time(page: Page, at: At, scale: float) -> None:
    page.text(*at(190, 16), 3.4 * scale, "Over time", bold=True)
    page.line(at(190, 60), at(268, 60), width=0.4 * scale, colour=LINE)
    parts = (
        (190, 16, "3 s clear", SOFT),
        (206, 10, "start", RUST),
        (216, 52, "a minute running", SMOKE),
    )
    for x, width, words, fill in parts:
        page.box(*at(x, 52), (width - 0.8) * scale, 8 * scale, fill)
        page.text(*at(x, 65), 2.9 * scale, words)
    heights = (0.5, 0.5, 0.5, 0.5, 1, 12, 18, 15, 11, 9, 7.5, 6.5, 6, 5.6, 5.4, 5.2, 5.1)
    curve = [at(190 + 4.8 * i, 50 - h) for i, h in enumerate(heights)]
    page.line(*curve, width=0.5 * scale, colour=LINE)
    page.text(*at(224, 31), 2.9 * scale, "smoke")
