"""Wind on a duopitch roof, EN 1991-1-4:2005, in SI: N/m², m, m/s."""

from __future__ import annotations

import math

LEFT_OUT = (
    "EN 1991-1-4: external pressure for loaded areas under 10 m² (c_pe,1), which is higher; where zones F to J lie (the worst "
    "zone is taken everywhere); monopitch and hip roofs; orography; national annexes; any relief by air under the modules"
)

AIR_KG_M3 = 1.25
"""ρ, clause 4.5(1), note 2."""

TERRAIN = {"0": (0.003, 1.0), "II": (0.05, 2.0), "III": (0.3, 5.0), "IV": (1.0, 10.0)}
"""z₀ and z_min, m, Table 4.1."""

PITCHES = (15.0, 30.0, 45.0)
"""Slopes for which c_pe,10 is carried."""

ACROSS: dict[str, tuple[tuple[float, float], ...]] = {
    "F": ((-0.9, 0.2), (-0.5, 0.7), (0.0, 0.7)),
    "G": ((-0.8, 0.2), (-0.5, 0.7), (0.0, 0.7)),
    "H": ((-0.3, 0.2), (-0.2, 0.4), (0.0, 0.6)),
    "I": ((-0.4, 0.0), (-0.4, 0.0), (-0.2, 0.0)),
    "J": ((-1.0, 0.0), (-0.5, 0.0), (-0.3, 0.0)),
}
"""Table 7.4a, wind on the eave (θ = 0°): (suction, pressure) at 15°, 30° and 45°."""

ALONG: dict[str, tuple[float, float, float]] = {
    "F": (-1.3, -1.1, -1.1),
    "G": (-1.3, -1.4, -1.4),
    "H": (-0.6, -0.8, -0.9),
    "I": (-0.5, -0.5, -0.5),
}
"""Table 7.4b, wind along the ridge (θ = 90°): suction at 15°, 30° and 45°."""


def basic_pressure_Pa(v_b_m_s: float) -> float:
    """q_b = ½ ρ v_b² (Eq. 4.10)."""
    return 0.5 * AIR_KG_M3 * v_b_m_s**2


def terrain_factor(terrain: str) -> float:
    """k_r = 0.19 (z₀ / 0.05)^0.07 (Eq. 4.5). KeyError for an unknown category."""
    return float(0.19 * (TERRAIN[terrain][0] / 0.05) ** 0.07)


def roughness(z_m: float, terrain: str) -> float:
    """c_r(z) = k_r ln(z / z₀), z not below z_min (Eq. 4.4)."""
    z_0, z_min = TERRAIN[terrain]
    return terrain_factor(terrain) * math.log(max(z_m, z_min) / z_0)


def turbulence(z_m: float, terrain: str) -> float:
    """I_v(z) = k_l / (c_o ln(z / z₀)) with k_l = c_o = 1, z not below z_min (Eq. 4.7)."""
    z_0, z_min = TERRAIN[terrain]
    return 1.0 / math.log(max(z_m, z_min) / z_0)


def peak_pressure_Pa(v_b_m_s: float, z_m: float, terrain: str) -> float:
    """q_p(z) = (1 + 7 I_v) ½ ρ v_m² with v_m = c_r v_b (Eq. 4.3 and 4.8)."""
    mean = roughness(z_m, terrain) * v_b_m_s
    return (1.0 + 7.0 * turbulence(z_m, terrain)) * 0.5 * AIR_KG_M3 * mean**2


def exposure_factor(z_m: float, terrain: str) -> float:
    """c_e(z) = q_p / q_b (Eq. 4.9)."""
    return peak_pressure_Pa(1.0, z_m, terrain) / basic_pressure_Pa(1.0)


def between(pitch_deg: float, values: tuple[float, ...]) -> float:
    """Straight between the table's slopes, for values of one sign only (Table 7.4a, note 1).

    Raises ValueError outside 15° to 45°, or between values of different sign.
    """
    if not PITCHES[0] <= pitch_deg <= PITCHES[-1]:
        raise ValueError("slope outside the table")
    k = min(sum(pitch_deg > p for p in PITCHES[1:]), len(PITCHES) - 2)
    a, b = values[k], values[k + 1]
    if a * b < 0:
        raise ValueError("no straight line between values of different sign")
    return a + (b - a) * (pitch_deg - PITCHES[k]) / (PITCHES[k + 1] - PITCHES[k])


def suction(pitch_deg: float, zone: str, along: bool = False) -> float:
    """c_pe,10 away from the roof, Table 7.4a or, with `along`, 7.4b."""
    return between(pitch_deg, ALONG[zone] if along else tuple(pair[0] for pair in ACROSS[zone]))


def pressing(pitch_deg: float, zone: str) -> float:
    """c_pe,10 towards the roof, Table 7.4a."""
    return between(pitch_deg, tuple(pair[1] for pair in ACROSS[zone]))


def worst(pitch_deg: float) -> tuple[float, float]:
    """Greatest suction and greatest pressure of all zones and both directions."""
    pulls = [suction(pitch_deg, zone) for zone in ACROSS] + [suction(pitch_deg, zone, along=True) for zone in ALONG]
    return min(pulls), max(pressing(pitch_deg, zone) for zone in ACROSS)
