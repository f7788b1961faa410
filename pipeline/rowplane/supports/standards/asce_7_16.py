"""Wind on modules parallel to a gable roof, ASCE 7-16, in the standard's own units: psf, mph, ft, ft²."""

from __future__ import annotations

import math

LEFT_OUT = (
    "ASCE 7-16: hip and monoslope roofs, roofs flatter than 7° or steeper than 45°, pressure towards the roof between 20° and "
    "27°, shielding of modules inside an array (every edge is taken as exposed)"
)

EXPOSURES = {"B": (7.0, 1200.0), "C": (9.5, 900.0), "D": (11.5, 700.0)}
"""α and z_g (ft), Table 26.11-1."""

Anchors = tuple[float, float, float, float]
"""A₁, (GC_p)₁, A₂, (GC_p)₂: constant outside, straight in log A between."""

SUCTION: dict[tuple[float, float], dict[str, Anchors]] = {
    (7.0, 20.0): {
        "1": (20, -2.0, 100, -0.5),
        "2e": (20, -2.0, 100, -0.5),
        "2n": (10, -3.0, 250, -1.0),
        "2r": (10, -3.0, 250, -1.0),
        "3e": (10, -3.0, 250, -1.0),
        "3r": (10, -3.6, 100, -1.8),
    },
    (20.0, 27.0): {
        "1": (20, -1.5, 300, -0.8),
        "2e": (20, -1.5, 300, -0.8),
        "2n": (10, -2.5, 150, -1.2),
        "2r": (10, -2.5, 150, -1.2),
        "3e": (10, -2.5, 150, -1.2),
        # The digitised curve and its straight line differ at small areas; the line is the more severe of the two.
        "3r": (4, -3.6, 50, -1.8),
    },
    (27.0, 45.0): {
        "1": (10, -1.8, 100, -0.8),
        "2e": (10, -1.8, 100, -0.8),
        "2r": (10, -1.8, 100, -0.8),
        "2n": (10, -2.0, 200, -1.0),
        "3r": (10, -2.0, 200, -1.0),
        "3e": (2, -3.2, 300, -1.0),
    },
}
"""Figures 30.3-2B to 2D: (GC_p) by slope (over … to) and zone."""

PRESSING: dict[tuple[float, float], Anchors] = {(7.0, 20.0): (2, 0.7, 100, 0.3), (27.0, 45.0): (10, 0.9, 100, 0.5)}
"""The same figures' positive (GC_p), all zones; that of Figure 30.3-2C was not readable."""


def exposure_coefficient(z_ft: float, exposure: str) -> float:
    """K_z = 2.01 (z / z_g)^(2/α), z not below 15 ft (Table 26.10-1, note 1). KeyError for an unknown exposure."""
    alpha, z_g = EXPOSURES[exposure]
    return float(2.01 * (max(z_ft, 15.0) / z_g) ** (2.0 / alpha))


def velocity_pressure_psf(V_mph: float, K_z: float, K_zt: float = 1.0, K_d: float = 0.85, K_e: float = 1.0) -> float:
    """q = 0.00256 K_z K_zt K_d K_e V² (Eq. 26.10-1)."""
    return 0.00256 * K_z * K_zt * K_d * K_e * V_mph**2


def in_log(area_ft2: float, anchors: Anchors) -> float:
    """(GC_p) at an effective wind area: straight in log A between the anchors, constant beyond."""
    a, p, b, q = anchors
    t = math.log(min(max(area_ft2, a), b) / a) / math.log(b / a)
    return p + t * (q - p)


def slope_range(pitch_deg: float) -> tuple[float, float] | None:
    """The figure's range that a pitch falls into (over the first, up to the second), None outside all."""
    return next((r for r in SUCTION if r[0] < pitch_deg <= r[1]), None)


def suction(pitch_deg: float, zone: str, area_ft2: float) -> float:
    """Negative (GC_p), Figures 30.3-2B to 2D. KeyError outside the slopes and zones that are carried."""
    found = slope_range(pitch_deg)
    if found is None:
        raise KeyError(pitch_deg)
    return in_log(area_ft2, SUCTION[found][zone])


def pressing(pitch_deg: float, area_ft2: float) -> float | None:
    """Positive (GC_p), None where the figure was not readable."""
    found = slope_range(pitch_deg)
    return None if found is None or found not in PRESSING else in_log(area_ft2, PRESSING[found])


def equalization(area_ft2: float) -> float:
    """γ_a = 0.8 up to 10 ft², 0.4 from 100 ft², straight in log A between: 1.2 − 0.4 log₁₀ A (Figure 29.4-8)."""
    return 1.2 - 0.4 * math.log10(min(max(area_ft2, 10.0), 100.0))


def edge_factor(exposed: bool) -> float:
    """γ_E = 1.5 for exposed modules within 1.5 L_p of a row's end or an exposed edge, else 1.0 (29.4.4)."""
    return 1.5 if exposed else 1.0


def panel_pressure_psf(q_h_psf: float, GC_p: float, gamma_E: float, gamma_a: float) -> float:
    """p = q_h (GC_p) γ_E γ_a (Eq. 29.4-7)."""
    return q_h_psf * GC_p * gamma_E * gamma_a


def cladding_pressure_psf(q_h_psf: float, GC_p: float, GC_pi: float) -> float:
    """p = q_h [(GC_p) − (GC_pi)] (Eq. 30.3-1)."""
    return q_h_psf * (GC_p - GC_pi)


def zone_width_ft(least_dimension_ft: float, height_ft: float) -> float:
    """a: the smaller of 10 % of the least dimension and 0.4 h, not under 4 % of it or 3 ft (Figure 30.3-2 notes)."""
    return max(min(0.1 * least_dimension_ft, 0.4 * height_ft), 0.04 * least_dimension_ft, 3.0)


def parallel_to_roof(tilt_deg: float, height_in: float, gap_in: float, gap_apart_ft: float) -> bool:
    """Whether 29.4.4 may be used: within 2° of the roof, top no more than 10 in over it, gaps of 1/4 in no more than 6.7 ft apart."""
    return tilt_deg <= 2.0 and height_in <= 10.0 and gap_in >= 0.25 and gap_apart_ft <= 6.7


def uplift_combination(dead: float, wind: float) -> float:
    """0.6 D + 0.6 W, allowable stress (2.4.1)."""
    return 0.6 * dead + 0.6 * wind
