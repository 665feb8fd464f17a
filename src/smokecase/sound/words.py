"""What was heard, in plain sentences.

Public: `tell_sound`.
"""

from smokecase.readings import SoundReading
from smokecase.sound.uneven import Evenness

SHARP_DB = 10.0  # three times the mean; common practice, no source


def tell_sound(r: SoundReading, evenness: Evenness) -> str:
    """Say the reading in plain sentences."""
    said = []
    if r.cranking_time:
        said.append(f"Cranks for {r.cranking_time}.")
        if r.attempts and r.attempts > 1:
            said.append(f"It took {r.attempts} attempts.")
    elif r.runs_s is None:
        said.append("Its start is not in the sound.")
    else:
        said.append("How long it cranks cannot be told: the starter does not stand out.")
    if r.idle_speed:
        text = f"Runs at {r.idle_speed}"
        if r.other_idle_speed:
            text += f", or at {r.other_idle_speed}"
        said.append(text + ".")
    elif r.cylinders:
        said.append("It runs, but its speed had not settled when the sound ended.")
    if r.stalls:
        said.append(f"It dies {r.stalls} times." if r.stalls > 1 else "Then it dies.")
    said.extend(_evenness(r, evenness))
    if r.hunting is not None and r.hunting > 0.5:
        said.append("The idle speed swings slowly.")
    if r.clatter is not None and r.clatter.low > SHARP_DB:
        said.append(
            f"Each firing has a sharp high sound, {r.clatter} over the mean: such clatter has many "
            "causes and is only described."
        )
    return " ".join(said)


def _evenness(r: SoundReading, evenness: Evenness) -> list[str]:
    if evenness.twin:
        return ["Two cylinders that fire evenly, or one of two at twice the speed: cannot tell."]
    said = []
    if r.weak_cylinder is not None and r.weak_cylinder > 0.5:
        said.append("One cylinder fires more weakly than the others.")
    elif evenness.too_short:
        said.append("It runs evenly for too short a time to tell whether one cylinder is weak.")
    elif evenness.too_faint:
        said.append("Too noisy to tell whether one cylinder is weak.")
    elif evenness.several:
        said.append("It fires unevenly, not in the way one weak cylinder would.")
    elif r.weak_cylinder is not None and r.weak_cylinder < 0.1:
        said.append("It fires evenly.")
    if r.weak_firings is not None and r.weak_firings.low > 1.0:
        said.append(f"Of all firings {r.weak_firings} are weak or missing.")
    if r.cylinder_strengths and (r.weak_cylinder or 0.0) > 0.5:
        rest = ", ".join(f"{100 * s:.0f}" for s in r.cylinder_strengths)
        u = 200 * max(r.u_cylinder_strengths or (0.0,))
        said.append(
            f"In firing order from the weakest on, the cylinders sound {rest} % as strong as usual "
            f"(each within {u:.0f})."
        )
    return said
