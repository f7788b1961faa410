"""Sun for ranking faces, CHECKS.md section 14, rows N-01 to N-06.

N-01, N-02: NREL/TP-560-34302 (the published test case of the solar position algorithm), [S2], recomputed with pvlib [C]. N-03 to N-06
recomputed [C]. pvlib comes with the extra 'sun'.
"""

from __future__ import annotations

import numpy as np
import pvlib
import pytest

from rowplane.errors import RowplaneError
from rowplane.placement.sun import clear_sky_kWh_m2, noon_score, rank_faces
from test_4_placement.builders import rectangle

LATITUDE, LONGITUDE, ALTITUDE, ZONE = 39.742476, -105.1786, 1830.14, -7
IN_12 = {4: 18.4349, 6: 26.5651, 8: 33.6901}


def yearly(tilt: float, azimuth: float) -> float:
    return clear_sky_kWh_m2(tilt, azimuth, LATITUDE, LONGITUDE, ALTITUDE, ZONE)


def test_n01_sun_position() -> None:
    """N-01: 2003-10-17 12:30:30 UTC−7 → zenith 50.111622°, azimuth 194.340241° from north, clockwise."""
    import pandas as pd

    time = pd.DatetimeIndex(["2003-10-17 12:30:30"], tz="Etc/GMT+7")
    sun = pvlib.solarposition.spa_python(time, LATITUDE, LONGITUDE, ALTITUDE, pressure=82000, temperature=11, delta_t=67)
    assert sun["apparent_zenith"].iloc[0] == pytest.approx(50.111622, abs=1e-5)
    assert sun["azimuth"].iloc[0] == pytest.approx(194.340241, abs=1e-5)


def test_n02_incidence_on_a_tilted_plane() -> None:
    """N-02: plane of 30°, 10° from south towards east, that is azimuth 170° from north → 25.187000°: azimuths are ours, from north."""
    assert pvlib.irradiance.aoi(30, 170, 50.111622, 194.340241) == pytest.approx(25.187, abs=1e-5)
    face = rectangle(1000, 1000, pitch=30.0, azimuth=170.0)
    zenith, azimuth = np.radians([50.111622, 194.340241])
    sun = np.array([np.sin(zenith) * np.sin(azimuth), np.sin(zenith) * np.cos(azimuth), np.cos(zenith)])
    assert np.degrees(np.arccos(face.frame.axes[2] @ sun)) == pytest.approx(25.187, abs=1e-5)


def test_n03_incidence() -> None:
    """N-03: tilt 30, azimuth 180; zenith 50, azimuth 170 → 20.953069°."""
    assert pvlib.irradiance.aoi(30, 180, 50, 170) == pytest.approx(20.953069, abs=1e-6)


def test_n04_isotropic_irradiance() -> None:
    """N-04: DNI 800, GHI 600, DHI 100, albedo 0.25 on N-03 → 850.4483 W/m², with the model used for ranking."""
    plane = pvlib.irradiance.get_total_irradiance(30, 180, 50, 170, 800, 600, 100, albedo=0.25, model="isotropic")
    assert plane["poa_global"] == pytest.approx(850.4483, abs=1e-4)


@pytest.mark.parametrize(
    ("tilt", "azimuth", "kwh"),
    [
        (0.0, 180.0, 2259.6),
        (IN_12[4], 180.0, 2580.5),
        (IN_12[4], 90.0, 2191.3),
        (IN_12[4], 270.0, 2191.0),
        (IN_12[4], 0.0, 1757.4),
        (IN_12[6], 180.0, 2656.3),
        (IN_12[6], 90.0, 2135.5),
        (IN_12[6], 0.0, 1505.9),
        (IN_12[8], 135.0, 2514.9),
        (IN_12[8], 225.0, 2514.2),
        (30.0, 180.0, 2675.8),
    ],
)
def test_n05_yearly_clear_sky(tilt: float, azimuth: float, kwh: float) -> None:
    """N-05: Ineichen with turbidity 3.0, hourly 2023, isotropic, albedo 0.25; 0.5 %."""
    assert yearly(tilt, azimuth) == pytest.approx(kwh, rel=0.005)


@pytest.mark.parametrize("rank_by", ["noon", "clear-sky"])
def test_n06_order_in_the_northern_hemisphere(rank_by: str) -> None:
    """N-06: south, then south-east and south-west, then east and west, then north, at equal tilt; both rules."""
    towards = {"N": 0.0, "E": 90.0, "SE": 135.0, "S": 180.0, "SW": 225.0, "W": 270.0}
    faces = tuple(rectangle(1000, 1000, name=n, pitch=30.0, azimuth=a) for n, a in towards.items())
    ranked, rule = rank_faces(faces, rank_by, LATITUDE)
    order = [f.id for f in ranked]
    assert order[0] == "S"
    assert set(order[1:3]) == {"SE", "SW"}
    assert set(order[3:5]) == {"E", "W"}
    assert order[5] == "N"
    assert f"latitude {LATITUDE:g}" in rule


def test_simple_rule_turns_round_in_the_south() -> None:
    """Geometry, no source: at latitude −33 the north face sees the noon sun, and on the equator flat is best."""
    assert noon_score(30, 0, -33) > noon_score(30, 180, -33)
    assert noon_score(0, 180, 0) > noon_score(30, 180, 0)


def test_clear_sky_without_pvlib_is_an_error_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(RowplaneError, match="pvlib is not installed"):
        rank_faces((rectangle(1000, 1000),), "clear-sky", 45.0)
    ranked, rule = rank_faces((rectangle(1000, 1000),), "auto", None)
    assert "noon sun" in rule
    assert "no latitude was given" in rule
    assert len(ranked) == 1
