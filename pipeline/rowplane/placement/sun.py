"""Which faces first: by the sun they get in a year."""

from __future__ import annotations

import importlib.util

import numpy as np

from rowplane.errors import RowplaneError
from rowplane.frames import azimuth_deg, pitch_deg
from rowplane.model import Face

MIDDLE_LATITUDE_DEG = 45.0
"""Taken where the lead gives no latitude (assumed): it only orders faces."""


def noon_score(tilt_deg: float, azimuth: float, latitude_deg: float) -> float:
    """Cosine of the angle between a face's normal and the sun at noon of an equinox, −1 to 1.

    The sun then stands 90° − |latitude| high, to the south on the northern half of the earth, to the north on the other:
    a stated simpler rule for ranking, in the order south, south-east and south-west, east and west, north.
    """
    tilt, latitude = np.radians(tilt_deg), np.radians(latitude_deg)
    towards = 180.0 if latitude_deg >= 0 else 0.0
    turned = np.radians(azimuth - towards)
    return float(np.sin(tilt) * np.cos(turned) * np.sin(abs(latitude)) + np.cos(tilt) * np.cos(latitude))


def clear_sky_kWh_m2(
    tilt_deg: float, azimuth: float, latitude_deg: float, longitude_deg: float = 0.0, altitude_m: float = 0.0, zone_h: int = 0
) -> float:
    """Irradiation of a plane in a cloudless year, kWh/m², for ranking only.

    Ineichen clear sky with a Linke turbidity of 3.0, every middle of an hour of 2023, isotropic sky, albedo 0.25. Needs
    pvlib; `zone_h` are the hours of the local clock from UTC.
    """
    import pandas as pd
    from pvlib import atmosphere, irradiance, location

    place = location.Location(latitude_deg, longitude_deg, altitude=altitude_m)
    times = pd.date_range("2023-01-01 00:30", periods=8760, freq="h", tz=f"Etc/GMT{-zone_h:+d}" if zone_h else "UTC")
    sun = place.get_solarposition(times, pressure=atmosphere.alt2pres(altitude_m))
    sky = place.get_clearsky(times, model="ineichen", solar_position=sun, linke_turbidity=3.0)
    plane = irradiance.get_total_irradiance(
        tilt_deg,
        azimuth,
        sun["apparent_zenith"],
        sun["azimuth"],
        sky["dni"],
        sky["ghi"],
        sky["dhi"],
        albedo=0.25,
        model="isotropic",
    )
    return float(plane["poa_global"].fillna(0.0).sum() / 1000.0)


def rank_faces(faces: tuple[Face, ...], rank_by: str, latitude_deg: float | None) -> tuple[tuple[Face, ...], str]:
    """Faces, most sun first, and the rule in words. Equal ones stay in the roof's order. Raises RowplaneError without pvlib
    where `rank_by` asks for it."""
    here = MIDDLE_LATITUDE_DEG if latitude_deg is None else latitude_deg
    where = "45° north, as no latitude was given" if latitude_deg is None else f"latitude {latitude_deg:g}°"
    able = importlib.util.find_spec("pvlib") is not None
    if rank_by == "clear-sky" and not able:
        raise RowplaneError(
            "placement.rank_by",
            "clear-sky, but pvlib is not installed",
            "auto, noon, or pvlib installed",
            "pip install '.[sun]' in the project's folder",
        )
    if rank_by == "noon" or not able:
        score = {f.id: noon_score(pitch_deg(f.frame), azimuth_deg(f.frame), here) for f in faces}
        rule = f"height of the noon sun of an equinox over the face, {where}"
    else:
        score = {f.id: clear_sky_kWh_m2(pitch_deg(f.frame), azimuth_deg(f.frame), here) for f in faces}
        rule = f"clear-sky irradiation of a year, {where}"
    # Rounded, so that faces that differ by the survey's error only stay in the roof's order.
    return tuple(sorted(faces, key=lambda f: -round(score[f.id], 3 if abs(score[f.id]) < 10 else 0))), rule
