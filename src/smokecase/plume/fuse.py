"""Joins what the contrast of a backdrop says with what the veil and texture say.

Both read the same section, by different means: contrast knows nothing of the smoke's colour, the
veil way nothing of patches. Where they agree within their doubts they are averaged by inverse
variance; where they do not, contrast is believed, and half of what parts them is added to its
doubt.
"""

import math
from dataclasses import replace

import numpy as np

from smokecase.doubts import DENSE
from smokecase.measured import COVERAGE
from smokecase.plume.backdrop_reading import ContrastReading
from smokecase.plume.measure import SectionValues

# the veil way leans on what smoke usually looks like, which all frames of a clip share: before
# patches its doubt counts double, as measured on invented scenes with a board
VEIL_DOUBT = 2.0
APART = 2.5  # standard uncertainties of the difference, beyond which the two disagree


def join_contrast(values: SectionValues | None, contrast: ContrastReading) -> SectionValues | None:
    """One reading from both ways; the other one where either cannot answer.

    Source
    ------
    Weighted mean, JCGM 100:2008, 5.1.2, eq. (10). The two share pixels and exposure, so the
    joint uncertainty is not taken below nine tenths of the smaller one.
    """
    if not np.isfinite(contrast.transmittance).all():
        return values
    alone = _alone(contrast)
    if values is None or not math.isfinite(values.opacity_pct) or not values.u_opacity_pct > 0:
        return alone
    gap, u_veil = values.opacity_pct - alone.opacity_pct, VEIL_DOUBT * values.u_opacity_pct
    if abs(gap) > APART * math.hypot(u_veil, alone.u_opacity_pct):
        u = math.hypot(alone.u_opacity_pct, 0.5 * gap)
        return replace(
            alone,
            u_opacity_pct=u,
            u_transmittance=np.hypot(alone.u_transmittance, 0.005 * abs(gap)),
            low_pct=alone.opacity_pct - COVERAGE * u,
            high_pct=alone.opacity_pct + COVERAGE * u,
            doubts=alone.doubts | values.doubts,
        )
    share = alone.u_opacity_pct**-2 / (alone.u_opacity_pct**-2 + u_veil**-2)
    u = max((alone.u_opacity_pct**-2 + u_veil**-2) ** -0.5, 0.9 * min(alone.u_opacity_pct, u_veil))
    opacity = share * alone.opacity_pct + (1 - share) * values.opacity_pct
    mixed = share * alone.transmittance + (1 - share) * values.transmittance
    return SectionValues(
        transmittance=mixed,
        u_transmittance=alone.u_transmittance,
        opacity_pct=opacity,
        u_opacity_pct=u,
        low_pct=opacity - COVERAGE * u,
        high_pct=opacity + COVERAGE * u,
        centre_line_pct=share * alone.centre_line_pct + (1 - share) * values.centre_line_pct,
        doubts=alone.doubts | (values.doubts - {DENSE}),
    )


def _alone(contrast: ContrastReading) -> SectionValues:
    opacity = 100.0 * (1.0 - float(contrast.transmittance[1]))
    u = 100.0 * float(contrast.u_transmittance[1])
    return SectionValues(
        transmittance=contrast.transmittance,
        u_transmittance=contrast.u_transmittance,
        opacity_pct=opacity,
        u_opacity_pct=u,
        low_pct=opacity - COVERAGE * u,
        high_pct=opacity + COVERAGE * u,
        centre_line_pct=100.0 * (1.0 - float(contrast.centre[1])),
        doubts=contrast.doubts,
    )
