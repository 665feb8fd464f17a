"""Members of the veil's ensemble that share a tone curve, and what the plate says for them."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from smokecase.optics.tone import Bend
from smokecase.plume.cells import smoothed_cells

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

CODES, MOST_ROOT = 65535, 4.0  # steps of the tone curve's table, and the root of its last light


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """k members that share a tone curve, with what the plate says for them in p cells."""

    who: slice  # of the members
    curve: Picture  # (65536,) straight light over the root of the recorded one
    plate: Picture  # (h, w, 3) straight
    mean: Picture  # (3, p) its smoothed light
    veils: Picture  # (k, 3) straight
    below: Picture  # (3, k, p) smoothed squared distance of plate and veil

    @classmethod
    def of(cls, patch: Picture, bend: Bend, who: slice, members: Floats) -> "Level":
        """Work out what a tone curve makes of plate (h, w, 3) and veils of all members (k, 3)."""
        roots = np.linspace(0.0, MOST_ROOT, CODES + 1)
        curve = bend.straight(roots**2).astype(np.float32)
        plate = straight(root_codes(np.maximum(patch, 0)), curve)
        mean, square = smoothed_cells(plate), smoothed_cells(plate * plate)
        veils = bend.straight(members).astype(np.float32)
        j = veils.T[:, :, None]
        below = square[:, None] - 2 * j * mean[:, None] + j * j
        return cls(who, curve, plate, mean, veils, below)

    def top(self, codes: NDArray[np.uint16], gains: Picture) -> Picture:
        """Smoothed product of what frame and plate differ from each veil by, shape (3, k, p)."""
        bent = straight(codes, self.curve)
        cross, seen = smoothed_cells(bent * self.plate), smoothed_cells(bent)
        j, g = self.veils.T[:, :, None], gains.T[:, :, None]
        return np.asarray(
            g * cross[:, None] - (g * j) * seen[:, None] + j * (j - self.mean[:, None])
        )


def by_level(bends: tuple[Bend, ...]) -> tuple[list[tuple[Bend, slice]], NDArray[np.intp]]:
    """Few tone curves that stand for those of all members, and the members in their order.

    The best member keeps its own curve and its place. Each curve has a slice of the order.
    """
    own = np.array([[b.share, b.shoulder] for b in bends])
    ends = [np.quantile(column, (0.2, 0.8)) for column in own.T]
    few = np.array([own[0], *((a, b) for a in ends[0] for b in ends[1])])
    nearest = np.argmin(np.sum((own[:, None] - few[None]) ** 2, axis=-1), axis=1)
    used, first, count = np.unique(np.sort(nearest), return_index=True, return_counts=True)
    levels = [
        (Bend(*map(float, few[n])), slice(int(start), int(start + many)))
        for n, start, many in zip(used, first, count, strict=True)
    ]
    return levels, np.argsort(nearest, kind="stable")


def root_codes(patch: Picture) -> NDArray[np.uint16]:
    """Where the roots of light stand in a curve's table; the brightest at its end."""
    codes = np.sqrt(patch) * np.float32(CODES / MOST_ROOT) + np.float32(0.5)
    return np.asarray(np.minimum(codes, CODES), np.uint16)


def straight(codes: NDArray[np.uint16], curve: Picture) -> Picture:
    """Light as the lens saw it."""
    return np.asarray(cv2.LUT(codes, curve), np.float32)
