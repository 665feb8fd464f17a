"""Where the sun stood against the camera.

The published visual method wants the sun behind the observer, in a sector of 140 degrees centred on
the observer's back: light from ahead makes any plume glow and read too dense or too bright.
"""

import math
from dataclasses import dataclass
from datetime import datetime

SECTOR_DEG = 140.0  # US EPA Method 9 (40 CFR 60 App. A-4), 2.1
# highest plausible error of the position here, met against the reference algorithm in the tests
U_POSITION_DEG = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Sun:
    """Where the sun stood, and how it lit the plume."""

    azimuth_deg: float  # from north over east, 0 to 360
    elevation_deg: float  # above the horizon, as seen: refraction included
    from_behind_deg: float | None  # angle between the sun and the observer's back, 0 to 180

    @property
    def up(self) -> bool:
        """Whether it was above the horizon."""
        return self.elevation_deg > 0

    @property
    def in_sector(self) -> bool | None:
        """Whether it stood in the published sector; None where the view was not told."""
        if self.from_behind_deg is None:
            return None
        return is_in_sector(self.from_behind_deg)

    def __str__(self) -> str:
        if not self.up:
            return f"The sun was {-self.elevation_deg:.0f}° below the horizon."
        place = (
            f"The sun stood {self.elevation_deg:.0f}° high in the {_quarter(self.azimuth_deg)} "
            f"(azimuth {self.azimuth_deg:.0f}°, both computed to {U_POSITION_DEG}°)"
        )
        if self.from_behind_deg is None:
            untold = "Which way the camera looked was not told."
            return f"{place}. {untold}"
        told = (
            "inside the published sector of 140° behind the observer"
            if self.in_sector
            else "OUTSIDE the published sector of 140° behind the observer: smoke lit from ahead "
            "looks other than it is"
        )
        off = f"It was {self.from_behind_deg:.0f}° off the observer's back, {told}."
        return f"{place}. {off}"


def find_sun(
    time: datetime,
    *,
    latitude_deg: float,
    longitude_deg: float,
    view_azimuth_deg: float | None = None,
) -> Sun:
    """Find where the sun stood, and how far off the observer's back.

    Parameters
    ----------
    time : datetime
        With its time zone.
    latitude_deg, longitude_deg : float
        North and east positive. [deg]
    view_azimuth_deg : float, optional
        Where the camera looks, from north over east. [deg]

    Raises
    ------
    ValueError
        If the time has no zone, or the place is not on Earth.

    Source
    ------
    Equations of the `astral` library, after Meeus, Astronomical Algorithms; tested against the
    NREL solar position algorithm (NREL/TP-560-34302).
    """
    if time.tzinfo is None:
        msg = f"time must have its zone (got {time.isoformat()})"
        raise ValueError(msg)
    if not (abs(latitude_deg) <= 90 and abs(longitude_deg) <= 180):
        msg = f"place must be on Earth (got latitude {latitude_deg}, longitude {longitude_deg})"
        raise ValueError(msg)
    from astral import Observer
    from astral.sun import azimuth, elevation

    observer = Observer(latitude=latitude_deg, longitude=longitude_deg)
    sun_azimuth = float(azimuth(observer, time))
    behind = None if view_azimuth_deg is None else angle_from_behind(sun_azimuth, view_azimuth_deg)
    return Sun(
        azimuth_deg=sun_azimuth,
        elevation_deg=float(elevation(observer, time)),
        from_behind_deg=behind,
    )


def angle_from_behind(sun_azimuth_deg: float, view_azimuth_deg: float) -> float:
    """Tell the angle [deg] between the sun and the direction opposite to the view, 0 to 180."""
    turned = (sun_azimuth_deg - view_azimuth_deg - 180.0) % 360.0
    return min(turned, 360.0 - turned)


def is_in_sector(from_behind_deg: float) -> bool:
    """Whether the sun stood in the published sector, limits included."""
    return from_behind_deg <= SECTOR_DEG / 2 + 1e-9  # rounding of the angles' difference


def _quarter(azimuth_deg: float) -> str:
    names = ("north", "north-east", "east", "south-east", "south", "south-west", "west",
             "north-west")  # fmt: skip
    return names[math.floor(azimuth_deg / 45.0 + 0.5) % 8]
