"""A camera's tone curve: what it adds to the plain sRGB curve, learnt from grey steps.

Cameras bend tones for looks. Two numbers describe the bend: the share of a smooth S mixed into
the code values, and an exponent on linear light. Grey steps of known reflectance narrow them
down; without any, what cameras usually do is all that is known.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# what cameras usually do; common practice, no source
BEND, U_BEND = 0.08, 0.12  # share of the S
U_EXPONENT = 0.04
U_STEP = 0.04  # how far a printed step may be off, relative to what was ordered
U_SHADE = 0.08  # relative light on a block of steps that the patches around do not tell
U_DRIFT = 0.02  # relative light of a patch between two exposures: noise, steadying, coding
PATCHES_PER_FACT = 3.0  # patches of one frame that count as one independent look
U_PRINT = 0.05  # exponent by which a whole print may be too dark or too light

BENDS = np.linspace(-0.2, 0.5, 29)


CURVE_GRID = np.linspace(0.0, 4.0, 1200) ** 2  # recorded light at which a bend is tabled


@dataclass(frozen=True, slots=True, eq=False)
class Bend:
    """One tone curve on top of sRGB: a shoulder on linear light, then a share of a smooth S.

    ``recorded = S(x / (1 + shoulder x))``. Light is told back with `straight`.
    """

    share: float
    shoulder: float

    def table(self) -> tuple[Floats, Floats]:
        """Straight light over `CURVE_GRID`, and how much steeper it grows than the recorded."""
        x = unbend(CURVE_GRID, self.share)
        within = np.minimum(x, 1.0)
        left = np.maximum(1.0 - self.shoulder * within, 0.05)
        out = within / left + (x - within) / left**2
        return out, np.gradient(out, CURVE_GRID)

    def straight(self, light: Floats) -> Floats:
        """Light as the lens saw it, any shape; beyond the grid as at its end."""
        return np.asarray(np.interp(light, CURVE_GRID, self.table()[0]))

    def recorded(self, light: Floats) -> Floats:
        """Record light that the lens saw."""
        return np.asarray(np.interp(light, self.table()[0], CURVE_GRID))


@dataclass(frozen=True, slots=True, eq=False)
class ToneCurve:
    """Weights of tone bends, and the doubt of the exponent on top."""

    weights: Floats  # (29,) of `BENDS`, summing to 1
    u_exponent: float

    def correct(
        self, transmittance: Floats, bright: Floats, dark: Floats, veil: Floats
    ) -> tuple[Floats, Floats]:
        """Transmittance as a camera without bend would have given it.

        Parameters
        ----------
        transmittance : ndarray, shape (3, n)
            Read from light that was recorded through the curve.
        bright, dark, veil : ndarray, shape (3,)
            Light of the patches without smoke and of the veil, as recorded.

        Returns
        -------
        transmittance, u_tone : ndarray, shape (3, n)
            Mean over the weights, and what the curve's doubt adds.
        """
        t = transmittance
        b, d, j = (np.clip(a, 1e-5, 1.2)[:, None] for a in (bright, dark, veil))
        held = 1.0 - t
        seen_b = np.maximum(t * b + j * held, 1e-5)
        seen_d = np.maximum(t * d + j * held, 1e-5)
        straight = np.stack(
            [(unbend(seen_b, s) - unbend(seen_d, s)) / (unbend(b, s) - unbend(d, s)) for s in BENDS]
        )
        mean = np.tensordot(self.weights, straight, axes=1)
        spread = np.sqrt(np.tensordot(self.weights, (straight - mean) ** 2, axes=1))
        steeper = 1.0 + self.u_exponent
        powered = (seen_b**steeper - seen_d**steeper) / (b**steeper - d**steeper)
        return mean, np.hypot(spread, powered - t)


def unbend(light: Floats, share: float) -> Floats:
    """Linear light before a share of a smooth S was mixed into the sRGB values.

    Source
    ------
    sRGB curve: IEC 61966-2-1; the S is the smoothstep polynomial.
    """
    x = np.asarray(light, np.float64)
    value = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)
    table = np.linspace(0.0, 1.0, 1025)
    bent = (1 - share) * table + share * table**2 * (3 - 2 * table)
    plain = np.where(value <= 1.0, np.interp(value, bent, table), value)
    return np.where(plain <= 0.04045, plain / 12.92, ((plain + 0.055) / 1.055) ** 2.4)


def fit_tone(steps: Floats, drift: Floats | None = None) -> ToneCurve:
    """Learn the tone curve from grey steps, and from patches seen at two exposures.

    A change of exposure multiplies the light of every patch alike; through a bent curve it does
    not look so. How dark the print is does not matter there.

    Parameters
    ----------
    steps : ndarray, shape (n, 5)
        Share of the paper's light that was ordered; light of the step, and of white and black
        patches in the same place, as recorded; number of the block that the step belongs to.
    drift : ndarray, shape (m, 3), optional
        Recorded light of a smoke-free patch at one exposure, at another, and the number of the
        frame that shows the other.

    Source
    ------
    Bayes' rule on a grid; prior and print doubts as named at the head of this file.
    """
    cost = 0.5 * ((BENDS - BEND) / U_BEND) ** 2
    if drift is not None and len(drift):
        cost = cost + np.array([_uneven_drift(drift, float(bend)) for bend in BENDS])
    if len(steps) >= 4:
        cost = cost + _print_misfit(steps)
    weight = np.exp(cost.min() - cost)
    return ToneCurve(weight / weight.sum(), U_EXPONENT)


def _uneven_drift(drift: Floats, bend: float) -> float:
    """Half the squared misfit of patches to one change of exposure for each frame."""
    before, now = (np.log(np.maximum(unbend(drift[:, k], bend), 1e-6)) for k in (0, 1))
    total = 0.0
    for frame in np.unique(drift[:, 2]):
        change = (now - before)[drift[:, 2] == frame]
        away = (change - np.median(change)) / U_DRIFT
        # robust: a hand or a wisp before a patch hardly pulls
        total += float(np.sum(np.sqrt(1.0 + away**2) - 1.0)) / PATCHES_PER_FACT
    return total


def _print_misfit(steps: Floats) -> Floats:
    """Half the squared misfit of the grey steps for each of `BENDS`, shape (29,)."""
    share, light, white, black, block = steps.T
    costs = []
    for bend in BENDS:
        w, k, g = (unbend(a, float(bend)) for a in (white, black, light))
        ink = k / w  # ink is never black: steps lie between it and paper
        wanted = np.log(ink + (1 - ink) * share)
        miss = np.log(np.maximum(g, 1e-6) / w) - wanted
        # a print too dark or light as a whole bends like an exponent, and each block of steps
        # may hang in a little more or less light: both are left free within their doubts
        free = np.column_stack([wanted, *(block == n for n in np.unique(block))])
        doubt = np.array([np.hypot(U_PRINT, U_EXPONENT)] + [U_SHADE] * (free.shape[1] - 1))
        spread = U_STEP**2 * np.eye(len(miss)) + (free * doubt**2) @ free.T
        costs.append(0.5 * float(miss @ np.linalg.solve(spread, miss)))
    return np.array(costs)


LOOSE_TONE = fit_tone(np.zeros((0, 5)))
