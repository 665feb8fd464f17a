"""Mean opacity of a span of time in two clips, their difference, and what makes each unsure.

Neighbouring frames share their errors, so a mean over many frames is hardly surer than one of
them:

    u(mean)^2 = u(camera)^2 + u(swirl)^2 + u(one start to the next)^2

with u(camera) the mean of the frames' own intervals, taken whole. Two clips have much of it in
common, which cancels where one is held against the other: of the smoke's brightness as much as
`shared_veil.py` works out, of the rest a share that hangs on whether camera and place are the same.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smokecase.case.one_clock import STEP_S, bounded
from smokecase.case.shared_veil import SharedVeil
from smokecase.measured import COVERAGE, Measured
from smokecase.readings import Examination

Floats = NDArray[np.float64]

EARLY_S = 4.0  # the first span after the start
# two starts of one engine differ by a tenth, each by this: common practice, no source
U_REPEAT_SHARE = 0.07
EDDY_BLOCK_S = 0.3
U_CLEAR_PCT = 1.0  # of a reading in clear air, by noise and exposure: every clip's own


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Mean opacity of one clip over a span, with its doubts as standard uncertainties."""

    value: float
    rest: float  # by all but the smoke's brightness
    swirl: float
    repeat: float  # one start to the next
    veil: float = 0.0  # change of the value with the logarithm of the smoke's brightness
    u_veil: float = 0.0  # and what that alone makes unsure
    # how much wider than their mean the camera's doubts are above and below, as variances
    skew: tuple[float, float] = (1.0, 1.0)

    @property
    def scaling(self) -> float:
        """What of the rest grows with the smoke: all that is not there in clear air."""
        return math.sqrt(max(self.rest**2 - U_CLEAR_PCT**2, 0.0))

    def towards(self, *, upward: bool, veil: float, common_rest: float = 0.0) -> float:
        """Variance to one side, with this one for the smoke's brightness; without what is common.

        `common_rest` is the share of what grows with the smoke that is left out.
        """
        wider = self.skew[0] if upward else self.skew[1]
        rest = self.rest**2 - common_rest * self.scaling**2
        return wider * (rest + veil) + self.swirl**2 + self.repeat**2

    @property
    def measured(self) -> Measured:
        """The same with its 95 % interval."""
        above, below = (
            math.sqrt(self.towards(upward=side, veil=self.u_veil**2)) for side in (True, False)
        )
        return Measured(
            value=self.value, u=math.sqrt((above**2 + below**2) / 2), unit="%",
            low=self.value - COVERAGE * below, high=self.value + COVERAGE * above,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One span of time in both clips."""

    name: str
    one: Level
    other: Level
    common_veil: float = 0.0  # covariance of the logarithms of the two veils
    common_rest: float = 0.0  # correlation of what else the camera leaves open, but for clear air

    @property
    def first(self) -> Measured:
        """Opacity of the first, in percent."""
        return self.one.measured

    @property
    def second(self) -> Measured:
        """Opacity of the second, in percent."""
        return self.other.measured

    @property
    def difference(self) -> Measured:
        """Second less first, in percent."""
        gap = self.other.value - self.one.value
        up, down = self.u_over(1.0, upward=True), self.u_over(1.0, upward=False)
        return Measured(
            value=gap, u=math.sqrt((up**2 + down**2) / 2), unit="%",
            low=gap - COVERAGE * down, high=gap + COVERAGE * up,
        )  # fmt: skip

    @property
    def z(self) -> float:
        """Difference over its standard uncertainty on the side where zero lies."""
        gap = self.other.value - self.one.value
        return gap / max(self.u_over(1.0, upward=gap < 0), 1e-9)

    def u_over(self, share: float, *, upward: bool) -> float:
        """Work out the standard uncertainty of second less `share` times first, to one side."""
        one, other = share**2 * self.one.u_veil**2, self.other.u_veil**2
        kept = self.veil_part(share) / max(one + other, 1e-12)  # what does not cancel
        common = self.common_rest
        return math.sqrt(
            share**2
            * self.one.towards(
                upward=not upward, veil=kept * self.one.u_veil**2, common_rest=common
            )
            + self.other.towards(
                upward=upward, veil=kept * self.other.u_veil**2, common_rest=common
            )
            # what both err in alike leaves its difference, and no side of its own
            + common * (share * self.one.scaling - self.other.scaling) ** 2
        )

    def veil_part(self, share: float) -> float:
        """Variance that the two veils leave in second less `share` times first."""
        apart = (share * self.one.u_veil) ** 2 + self.other.u_veil**2
        common = share * self.one.veil * self.other.veil * self.common_veil
        return max(apart - 2 * common, 0.0)

    def turned(self) -> "Difference":
        """Hold the first against the second."""
        return replace(self, one=self.other, other=self.one)


def compare_spans(
    time_s: Floats, curves: tuple[Floats, Floats], veil: SharedVeil, common_rest: float = 0.0
) -> tuple[Difference, ...]:
    """Compare the whole common time, its beginning and its end.

    Parameters
    ----------
    time_s, curves : ndarray
        As `lay_on_one_clock` gives them.
    veil : SharedVeil
        What both clips know of the smoke's brightness.
    common_rest : float
        Correlation of the camera's other doubts about the smoke. [0 to 1]
    """
    end_s = float(time_s[-1]) + STEP_S / 2
    spans = [("whole common time", 0.0, end_s)]
    if end_s >= 1.5 * EARLY_S:
        spans.insert(0, (f"first {EARLY_S:g} s after the start", 0.0, EARLY_S))
    if end_s >= 3 * EARLY_S:
        spans.append(("last third of the common time", 2 * end_s / 3, end_s))
    found = []
    for name, begin, end in spans:
        inside = (time_s >= begin) & (time_s < end)
        both = inside & np.isfinite(curves[0][:, 0]) & np.isfinite(curves[1][:, 0])
        if both.sum() * STEP_S < 1.0:
            continue
        one, other = (_level(curve[both], veil, i) for i, curve in enumerate(curves))
        found.append(
            Difference(name=name, one=one, other=other, common_veil=veil.common,
                       common_rest=common_rest)
        )  # fmt: skip
    return tuple(found)


def compare_pictures(clips: tuple[Examination, Examination]) -> tuple[Difference, ...]:
    """Two pairs of stills: the one reading of each, and how far it could be from the next."""
    curves = [bounded(clip) for clip in clips]
    if not all(len(c) and np.isfinite(c).all() for c in curves):
        return ()
    one, other = (_level(curve, SharedVeil(), i) for i, curve in enumerate(curves))
    return (Difference(name="whole of the two pictures", one=one, other=other),)


def _level(curve: Floats, veil: SharedVeil, i: int) -> Level:
    """Mean of one clip's curve; the doubt of its veil is taken out of the camera's and replaced."""
    read = float(curve[:, 0].mean())
    slope = veil.pulls[i] * max(read, 0.0)
    value = read + slope * veil.moves[i]
    slope = veil.pulls[i] * max(value, 0.0)
    sides = [
        float(np.mean(reach)) / COVERAGE
        for reach in (curve[:, 2] - curve[:, 0], curve[:, 0] - curve[:, 1])
    ]
    camera = (sides[0] ** 2 + sides[1] ** 2) / 2
    by_veil = min((veil.pulls[i] * max(read, 0.0) * veil.u_alone[i]) ** 2, camera)
    return Level(
        value=value, rest=math.sqrt(camera - by_veil), swirl=_u_of_moments(curve[:, 0]),
        repeat=U_REPEAT_SHARE * max(value, 0.0), veil=slope, u_veil=abs(slope) * veil.u_joint[i],
        skew=(sides[0] ** 2 / max(camera, 1e-12), sides[1] ** 2 / max(camera, 1e-12)),
    )  # fmt: skip


def _u_of_moments(opacity: Floats) -> float:
    """Tell how unsure the smoke's own swirl makes a mean, from means of short blocks.

    Blocks are longer than an eddy stays in the section, a tenth of a second. The slow course (a
    puff that rises and clears) is what is measured and not chance, so what is taken for chance is
    what a parabola through the neighbouring blocks leaves.

    Source
    ------
    Means of blocks: Flyvbjerg and Petersen 1989, J. Chem. Phys. 91, 461 (from memory).
    """
    per_block = round(EDDY_BLOCK_S / STEP_S)
    whole = opacity.size // per_block
    if whole < 4:
        return float(opacity.std() / math.sqrt(max(whole, 1)))
    blocks = opacity[: whole * per_block].reshape(whole, per_block).mean(axis=1)
    left = np.diff(blocks, 3)  # variance 1 + 9 + 9 + 1 times that of a block
    return float(math.sqrt(np.mean(left**2) / 20 / whole))
