"""What two clips know together of the smoke's brightness.

A reading leans on the veil J, the light of an endlessly thick plume: an opacity O moves with it by
``dO = p O d(ln J)``. Each clip finds ln J on its own, with standard uncertainty s. Where the same
kind of smoke is filmed in the same light, the two are one quantity, up to d: what the scene's white
is guessed from, and what smoke and light change from day to day. With precisions ``1 / s^2`` and
``1 / d^2`` the two unknowns have the joint precision

    | 1/s1^2 + 1/d^2       -1/d^2      |
    |     -1/d^2       1/s2^2 + 1/d^2  |

whose inverse gives how far each veil moves towards the other, how sure it is then, and what both
have in common, which cancels in their difference.

Source: joint Gaussian estimate with a soft constraint, JCGM 102:2011, 6.2 (from memory).
"""

import math
from dataclasses import dataclass

import numpy as np

from smokecase.case.conditions import Condition
from smokecase.readings import Examination

# how far ln J / white may differ between two clips: the same yard in the same kind of light, and
# another one, whose white is guessed anew (`plume/learn_veil.py`); own estimates
U_SAME_PLACE, U_OTHER_PLACE = 0.07, 0.3
# correlation of the rest of the camera's doubts, set on rendered pairs (examples/comparing.txt)
COMMON_SAME_PLACE, COMMON_SAME_CAMERA = 0.95, 0.8
APART = 2.5  # standard uncertainties; veils further apart are not of one smoke
ALIKE_COLOUR = 0.5  # colours whose weights differ by more are not of one smoke


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedVeil:
    """Veils of two clips, in natural logarithms; all zero where nothing is known of them."""

    pulls: tuple[float, float] = (0.0, 0.0)  # relative change of the opacity with ln J
    u_alone: tuple[float, float] = (0.0, 0.0)  # as each clip knows it
    u_joint: tuple[float, float] = (0.0, 0.0)  # with the other's help
    moves: tuple[float, float] = (0.0, 0.0)  # where each moves with the other's help
    common: float = 0.0  # covariance of both


def share_veil(clips: tuple[Examination, Examination], conditions: list[Condition]) -> SharedVeil:
    """Let two clips help one another to the smoke's brightness, where they may.

    They may where both were read by it, and light, camera and colour of the smoke are alike or
    not told to differ.
    """
    told = [clip.settings.get("veil") for clip in clips]
    if told[0] is None or told[1] is None:
        return SharedVeil()
    pulls = (told[0]["opacity_per_ln_veil"], told[1]["opacity_per_ln_veil"])
    alone = (told[0]["u_ln_veil"], told[1]["u_ln_veil"])
    lone = SharedVeil(pulls=pulls, u_alone=alone, u_joint=alone)
    alike = {c.name: c.alike for c in conditions}
    if False in (alike.get("light"), alike.get("camera")) or not _one_smoke(clips):
        return lone
    same = alike.get("background") and alike.get("light")
    between = U_SAME_PLACE if same else U_OTHER_PLACE
    gap = (told[1]["ln_veil"] - told[1]["ln_white"]) - (told[0]["ln_veil"] - told[0]["ln_white"])
    if abs(gap) > APART * math.hypot(*alone, between):
        return lone
    # no veil is surer than its tone curve allows
    one, other = (max(u, 0.02) ** -2 for u in alone)
    tie = between**-2
    joint = np.linalg.inv(np.array([[one + tie, -tie], [-tie, other + tie]]))
    # with the first at 0 and the second at `gap`, each as its own clip has it
    moves = joint @ np.array([0.0, other * gap])
    return SharedVeil(
        pulls=pulls, u_alone=alone,
        u_joint=(math.sqrt(joint[0, 0]), math.sqrt(joint[1, 1])),
        moves=(float(moves[0]), float(moves[1] - gap)), common=float(joint[0, 1]),
    )  # fmt: skip


def share_rest(conditions: list[Condition]) -> float:
    """Correlation of what two clips' readings leave open besides the smoke's brightness. [0 to 1].

    One camera bends tones in one way; one place has one texture, one pipe, and one coding of both.
    """
    alike = {c.name: c.alike for c in conditions}
    if not (alike.get("camera") and alike.get("light")):
        return 0.0
    return COMMON_SAME_PLACE if alike.get("background") else COMMON_SAME_CAMERA


def _one_smoke(clips: tuple[Examination, Examination]) -> bool:
    one, other = (clip.colour for clip in clips)
    if {one.lighting, other.lighting} == {"front", "back_lit"}:
        return False
    weights = [np.array([c.black, c.blue, c.white]) for c in (one, other)]
    shown = [w / w.sum() for w in weights if w.sum() > 0.05]
    return len(shown) < 2 or 0.5 * float(np.abs(shown[0] - shown[1]).sum()) <= ALIKE_COLOUR
