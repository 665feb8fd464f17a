"""Finds the printed backdrop in a picture: where each sheet hangs, how large, how surely.

Markers give a first view of a sheet; the corners where four patches meet then pin it down,
wrinkles included. A sheet that smoke half covers is found by what is left of it, and from one
frame to the next by where it was.

Coordinates are pixels of the picture that was searched, origin at the centre of the top left
pixel; `FoundSheet.scaled` carries them to a picture of another size.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.optics.target import Sheet, sheet_of_marker

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

CORNER_REACH = 0.3  # of a cell: how far a corner may lie from where the markers put it
MIN_AGREEMENT = 0.8  # share of the sampled patches that must be as dark or light as printed
MIN_CORNERS = 6
MIN_PAIRS = 10  # neighbours that must be seen as printed; chance gives half of them
MIN_CELL_PX = 4.0  # smaller cells have no inside left after blur
INSET = 0.22  # of a cell, left out along its edges: blur and half pixels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundSheet:
    """Where one sheet lies in the picture."""

    sheet: Sheet
    homography: Floats  # (3, 3) sheet millimetres to pixels
    bend: Floats  # (10, 2) cubic in the sheet's own place: what wrinkles add, in pixels
    u_px: float  # rms of what both leave, at markers and patch corners
    markers: int  # how many were seen
    corners: int  # patch corners used

    def to_picture(self, points_mm: Floats) -> Floats:
        """Pixels of points on the sheet, shape (n, 2)."""
        points = np.asarray(points_mm, np.float64).reshape(-1, 2)
        return _project(self.homography, points) + _bend_terms(self.sheet, points) @ self.bend

    def mm_per_px(self, point_mm: Floats | None = None) -> tuple[float, float]:
        """Scale on the sheet around a point (its middle), and its standard uncertainty.

        Mean of the two directions. [mm per px]
        """
        middle = self.sheet.outline_mm().mean(axis=0) if point_mm is None else point_mm
        reach = 2.0 * self.sheet.cell_mm
        steps = np.array([[-reach, 0], [reach, 0], [0, -reach], [0, reach]])
        px = self.to_picture(np.asarray(middle) + steps)
        wide, high = np.linalg.norm(px[1] - px[0]), np.linalg.norm(px[3] - px[2])
        scale = 2.0 * 2.0 * reach / (wide + high)
        # both ends are uncertain by u_px; a tilt makes the two directions differ, half of
        # which stays open for a length of unknown direction
        u = scale * np.hypot(self.u_px * np.sqrt(2) / wide, 0.25 * abs(wide - high) / wide)
        return float(scale), float(u)

    def scaled(self, factor: float) -> "FoundSheet":
        """Carry it to a picture `factor` times as large; pixel centres are kept in mind."""
        shift = 0.5 * factor - 0.5
        grow = np.array([[factor, 0, shift], [0, factor, shift], [0, 0, 1]])
        return replace(
            self,
            homography=grow @ self.homography,
            bend=self.bend * factor,
            u_px=self.u_px * factor,
        )


def find_sheets(
    picture: NDArray[np.uint8], previous: Sequence[FoundSheet] = ()
) -> list[FoundSheet]:
    """Find every sheet of the backdrop in one picture.

    Parameters
    ----------
    picture : ndarray of uint8, shape (h, w) or (h, w, 3)
        Code values as shown on a screen; the larger the better, 1280 pixels or more.
    previous : sequence of FoundSheet
        Where sheets lay in the frame before; helps where smoke hides the markers.

    Returns
    -------
    list of FoundSheet
        By sheet number; empty where none was found.
    """
    flat = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    grey = np.asarray(flat, np.uint8)
    seen = _find_markers(grey)
    by_sheet: dict[Sheet, dict[int, Floats]] = {}
    for identity, corners in seen.items():
        sheet = sheet_of_marker(identity)
        if sheet is not None:
            by_sheet.setdefault(sheet, {})[identity] = corners
    before = {found.sheet: found for found in previous}
    found = []
    for sheet in by_sheet.keys() | before.keys():
        start = _from_markers(sheet, by_sheet.get(sheet, {}))
        tries = [s for s in (start, before.get(sheet)) if s is not None]
        for first in tries:
            better = _refine(grey, first, by_sheet.get(sheet, {}))
            if better is not None:
                found.append(better)
                break
    return sorted(found, key=lambda f: (f.sheet.paper, f.sheet.grid, f.sheet.number))


def _find_markers(grey: Grey) -> dict[int, Floats]:
    """Corners (4, 2) of every marker by its number, from the picture and a clearer copy."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMax = 53
    parameters.adaptiveThreshConstant = 3  # smoke takes most of the contrast away
    parameters.minMarkerPerimeterRate = 0.01
    parameters.perspectiveRemovePixelPerCell = 8
    parameters.errorCorrectionRate = 1.0  # a false marker fails at the patches around it
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)
    detector = cv2.aruco.ArucoDetector(dictionary, parameters)
    # small markers are read best when enlarged and sharpened; beyond 3840 pixels it only costs
    factor = float(np.clip(3840 / max(grey.shape), 1.0, 3.0))
    large = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
    soft = cv2.GaussianBlur(large, (0, 0), 1.3 * factor)
    sharp = cv2.addWeighted(large, 2.5, soft, -1.5, 0)
    seen: dict[int, Floats] = {}
    for picture, size in ((grey, 1.0), (sharp, factor)):
        corners, identities, _ = detector.detectMarkers(picture)
        if identities is None:
            continue
        for corner, identity in zip(corners, np.asarray(identities).reshape(-1), strict=True):
            at = (np.asarray(corner, np.float64).reshape(4, 2) + 0.5) / size - 0.5
            seen.setdefault(int(identity), at)
    return seen


def _from_markers(sheet: Sheet, seen: dict[int, Floats]) -> FoundSheet | None:
    """First view of a sheet from its markers alone; None where none of it was seen."""
    if not seen:
        return None
    known = {m.identity: m.corners_mm() for m in sheet.markers}
    mm = np.concatenate([known[i] for i in seen])
    px = np.concatenate(list(seen.values()))
    if len(seen) == 1:
        homography = cv2.getPerspectiveTransform(mm.astype(np.float32), px.astype(np.float32))
    else:
        reach = 0.15 * sheet.cell_mm * np.sqrt(_area(px[:4]) / _area(mm[:4]))
        homography, kept = cv2.findHomography(mm, px, cv2.RANSAC, max(2.0, reach))
        if homography is None or kept.sum() < 4:
            return None
    return FoundSheet(
        sheet=sheet,
        homography=np.asarray(homography, np.float64),
        bend=np.zeros((10, 2)),
        u_px=1.0,
        markers=len(seen),
        corners=0,
    )


def _refine(grey: Grey, first: FoundSheet, seen: dict[int, Floats]) -> FoundSheet | None:
    """Pin a sheet down by its patch corners; None where the picture does not agree with it."""
    sheet, found = first.sheet, replace(first, markers=len(seen))
    known = {m.identity: m.corners_mm() for m in sheet.markers}
    corners_mm = sheet.field_corners_mm()
    for _ in range(2):  # the second round starts from a better place
        cell_px = sheet.cell_mm / found.mm_per_px()[0]
        if not MIN_CELL_PX < cell_px < 4 * max(grey.shape):
            return None
        at, good = _find_corners(grey, found.to_picture(corners_mm), cell_px)
        mm = np.concatenate([corners_mm[good], *(known[i] for i in seen)])
        px = np.concatenate([at[good], *seen.values()])
        if len(mm) < 4 or np.linalg.matrix_rank(mm - mm.mean(axis=0), tol=1.0) < 2:
            return None
        homography, kept = cv2.findHomography(mm, px, cv2.RANSAC, max(1.5, 0.12 * cell_px))
        if homography is None or kept.sum() < 4:
            return None
        inside = kept.ravel().astype(bool)
        found = _with_bend(found, np.asarray(homography), mm[inside], px[inside], int(good.sum()))
    if found.corners < MIN_CORNERS or _agreement(grey, found) < MIN_AGREEMENT:
        return None
    return found


def _find_corners(grey: Grey, guess: Floats, cell_px: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Patch corners near their guessed places, and which of them are truly there."""
    h, w = grey.shape
    reach = max(2, round(CORNER_REACH * cell_px))
    room = np.all((guess > reach + 1) & (guess < np.array([w, h]) - reach - 2), axis=1)
    at = guess.copy()
    if room.any():
        spot = guess[room].astype(np.float32).reshape(-1, 1, 2)
        ends = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
        at[room] = cv2.cornerSubPix(grey, spot, (reach, reach), (-1, -1), ends).reshape(-1, 2)
    near = np.linalg.norm(at - guess, axis=1) < CORNER_REACH * cell_px
    # four patches meet: what lies across is alike, what lies beside differs
    arm = 0.3 * cell_px
    offsets = arm * np.array([[-1, -1], [1, 1], [-1, 1], [1, -1]]) * 0.8
    places = at[:, None, :] + offsets
    samples = _sample(grey, places.reshape(-1, 2)).reshape(-1, 4)
    one, other = samples[:, :2].mean(axis=1), samples[:, 2:].mean(axis=1)
    spread = np.maximum(np.ptp(samples[:, :2], axis=1), np.ptp(samples[:, 2:], axis=1))
    saddle = np.abs(one - other) > np.maximum(4.0, 1.5 * spread)
    return at, room & near & saddle


def _with_bend(
    found: FoundSheet, homography: Floats, mm: Floats, px: Floats, corners: int
) -> FoundSheet:
    """Give the sheet a new view and the smooth part of what that leaves."""
    left = px - _project(homography, mm)
    terms = _bend_terms(found.sheet, mm)
    if len(mm) >= 24:
        # a gentle pull to a flat sheet, so that a part of the sheet does not bend the rest
        pull = 0.3 * np.eye(terms.shape[1])
        bend = np.linalg.solve(terms.T @ terms + pull, terms.T @ left)
    else:
        bend = np.zeros((terms.shape[1], 2))
    rest = left - terms @ bend
    freedom = max(1.0, 1.0 - (8 / 2 + (terms.shape[1] if len(mm) >= 24 else 0)) / len(mm))
    return replace(
        found,
        homography=homography,
        bend=np.asarray(bend, np.float64),
        u_px=float(np.sqrt(np.mean(rest**2) / freedom)) + 0.05,  # 0.05: sub-pixel bias
        corners=corners,
    )


def _agreement(grey: Grey, found: FoundSheet) -> float:
    """Share of black and white neighbours that are darker and lighter as printed."""
    field = [c for c in found.sheet.cells if c.kind in ("black", "white")]
    side = found.sheet.cell_mm
    places = found.to_picture(np.array([[c.x_mm + side / 2, c.y_mm + side / 2] for c in field]))
    values = _sample(grey, places)
    by_place = {(round(c.x_mm, 3), round(c.y_mm, 3)): i for i, c in enumerate(field)}
    right = wrong = 0
    for i, cell in enumerate(field):
        for dx, dy in ((side, 0.0), (0.0, side)):
            j = by_place.get((round(cell.x_mm + dx, 3), round(cell.y_mm + dy, 3)))
            if j is None or field[j].kind == cell.kind:
                continue
            if not (np.isfinite(values[i]) and np.isfinite(values[j])):
                continue
            sign = 1.0 if cell.kind == "white" else -1.0
            gap = sign * (values[i] - values[j])
            right += bool(gap > 1.5)  # codes; what the pipe hides is neither right nor wrong
            wrong += bool(gap < -1.5)
    return right / (right + wrong) if right >= MIN_PAIRS else 0.0


def label_cells(
    found: FoundSheet, shape: tuple[int, int], *, inset: float = INSET
) -> NDArray[np.int32]:
    """Which cell of the sheet each pixel shows, its edges left out.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the picture.
    inset : float
        Share of a cell left out along each edge.

    Returns
    -------
    ndarray of int32, shape (h, w)
        Index into `found.sheet.cells`; -1 elsewhere.
    """
    labels = np.full(shape, -1, np.int32)
    side, gap = found.sheet.cell_mm, inset * found.sheet.cell_mm
    corners = np.array([[gap, gap], [side - gap, gap], [side - gap, side - gap], [gap, side - gap]])
    for index, cell in enumerate(found.sheet.cells):
        px = found.to_picture(corners + np.array([cell.x_mm, cell.y_mm]))
        # eight bits of fraction: the edge falls between pixels
        cv2.fillConvexPoly(labels, np.round(px * 256).astype(np.int32), index, shift=8)
    return labels


def cover(found: Sequence[FoundSheet], shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Pixels that show the printed part of any sheet, shape (h, w)."""
    mask = np.zeros(shape, np.uint8)
    for one in found:
        outline = np.round(one.to_picture(one.sheet.outline_mm()) * 256).astype(np.int32)
        cv2.fillConvexPoly(mask, outline, 1, shift=8)
    return mask.astype(bool)


def _project(homography: Floats, points: Floats) -> Floats:
    full = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(full[:, :2] / full[:, 2:])


def _bend_terms(sheet: Sheet, points_mm: Floats) -> Floats:
    """Cubic terms in the sheet's own place, each about 1 at its rim, shape (n, 10)."""
    half = np.array([sheet.width_mm, sheet.height_mm]) / 2
    x, y = ((points_mm - half) / half).T
    return np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], axis=1)


def _sample(grey: Grey, places: Floats) -> Floats:
    """Mean of 3 by 3 pixels at each place; NaN outside the picture."""
    soft = cv2.blur(grey, (3, 3))
    h, w = grey.shape
    x, y = np.round(places).astype(int).T
    room = (x >= 1) & (y >= 1) & (x < w - 1) & (y < h - 1)
    values = np.full(len(places), np.nan)
    values[room] = soft[y[room], x[room]]
    return values


def _area(corners: Floats) -> float:
    x, y = corners.T
    return float(0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))))
