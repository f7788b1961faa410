"""Wind on modules parallel to a gable roof, ASCE 7-22, in the standard's own units. K_d is no longer part of q."""

from __future__ import annotations

import math

LEFT_OUT = (
    "ASCE 7-22: hip and monoslope roofs, roofs flatter than 7° or steeper than 45°, tornado loads, shielding of modules inside "
    "an array (every edge is taken as exposed); where its zones 2 and 3 lie is read on the safe side (every edge strip is 2, "
    "every corner 3); α and z_g of K_z were not readable in print"
)

EXPOSURES = {"B": (7.5, 3280.0), "C": (9.8, 2460.0), "D": (11.5, 1935.0)}
"""α and z_g (ft), Table 26.11-1; the numbers were recalled, not read, and the sheets say so."""

Anchors = tuple[float, float, float, float]
"""A₁, (GC_p)₁, A₂, (GC_p)₂: constant outside, straight in log A between."""

SUCTION: dict[tuple[float, float], dict[str, Anchors]] = {
    (7.0, 20.0): {"1": (10, -2.0, 300, -0.5), "2": (10, -2.7, 200, -1.0), "3": (10, -3.6, 100, -1.8)},
    (20.0, 27.0): {"1": (10, -1.5, 200, -0.8), "2": (10, -2.5, 100, -1.2), "3": (10, -3.0, 100, -1.4)},
    (27.0, 45.0): {"1": (10, -1.8, 100, -0.8), "2": (10, -2.0, 200, -1.0), "3": (10, -2.5, 200, -1.0)},
}
"""Figures 30.3-2B to 2D: (GC_p) by slope (over … to) and merged zone."""

PRESSING: dict[tuple[float, float], Anchors] = {
    (7.0, 20.0): (10, 0.6, 200, 0.3),
    (20.0, 27.0): (10, 0.6, 200, 0.3),
    (27.0, 45.0): (10, 0.9, 200, 0.5),
}
"""The same figures' positive (GC_p), all zones."""


def exposure_coefficient(z_ft: float, exposure: str) -> float:
    """K_z = 2.41 (z / z_g)^(2/α), z not below 15 ft (Table 26.10-1). KeyError for an unknown exposure."""
    alpha, z_g = EXPOSURES[exposure]
    return float(2.41 * (max(z_ft, 15.0) / z_g) ** (2.0 / alpha))


def velocity_pressure_psf(V_mph: float, K_z: float, K_zt: float = 1.0, K_e: float = 1.0) -> float:
    """q = 0.00256 K_z K_zt K_e V² (Eq. 26.10-1)."""
    return 0.00256 * K_z * K_zt * K_e * V_mph**2


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
    """Positive (GC_p), None outside the slopes that are carried."""
    found = slope_range(pitch_deg)
    return None if found is None else in_log(area_ft2, PRESSING[found])


def equalization(area_ft2: float) -> float:
    """γ_a = 1.2 − 0.4 log₁₀ A, between 0.8 (10 ft²) and 0.4 (100 ft²) (Figure 29.4-8)."""
    return 1.2 - 0.4 * math.log10(min(max(area_ft2, 10.0), 100.0))


def edge_factor(exposed: bool) -> float:
    """γ_E = 1.5 for exposed modules within 1.5 L_p of a row's end or an exposed edge, else 1.0 (29.4.4)."""
    return 1.5 if exposed else 1.0


def panel_pressure_psf(q_h_psf: float, GC_p: float, gamma_E: float, gamma_a: float, K_d: float = 0.85) -> float:
    """p = q_h K_d (GC_p) γ_E γ_a (29.4.4)."""
    return q_h_psf * K_d * GC_p * gamma_E * gamma_a


def cladding_pressure_psf(q_h_psf: float, GC_p: float, GC_pi: float, K_d: float = 0.85) -> float:
    """p = q_h K_d [(GC_p) − (GC_pi)] (30.3)."""
    return q_h_psf * K_d * (GC_p - GC_pi)


def zone_width_ft(least_dimension_ft: float, height_ft: float) -> float:
    """a: the smaller of 10 % of the least dimension and 0.4 h, not under 4 % of it or 3 ft (Figure 30.3-2 notes)."""
    return max(min(0.1 * least_dimension_ft, 0.4 * height_ft), 0.04 * least_dimension_ft, 3.0)


def uplift_combination(dead: float, wind: float) -> float:
    """0.6 D + 0.6 W, allowable stress (2.4.1)."""
    return 0.6 * dead + 0.6 * wind
