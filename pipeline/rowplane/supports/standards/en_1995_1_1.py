"""Screws pulled along their axis, EN 1995-1-1:2004 + A1:2008, 8.7.2, in N and mm. A1 replaced the formula of 2004."""

from __future__ import annotations

import math

LEFT_OUT = (
    "EN 1995-1-1: screws outside 6 to 12 mm, head pull-through, tension in the screw, lateral strength; k_mod, γ_M and the "
    "density of C24 are from memory"
)


def withdrawal_parameter_N_mm2(d_mm: float, l_ef_mm: float, rho_k: float) -> float:
    """f_ax,k = 0.52 d^−0.5 l_ef^−0.1 ρ_k^0.8 (Eq. 8.39)."""
    return float(0.52 * d_mm**-0.5 * l_ef_mm**-0.1 * rho_k**0.8)


def withdrawal_N(d_mm: float, l_ef_mm: float, rho_k: float, screws: int = 1, angle_deg: float = 90.0) -> float:
    """F_ax,α,Rk = n_ef f_ax,k d l_ef k_d / (1.2 cos²α + sin²α) (Eq. 8.38), k_d = min(d/8, 1) (8.40), n_ef = n^0.9 (8.41).

    Raises ValueError outside 6 ≤ d ≤ 12 mm, for less than 6 d of thread, or under 30° to the grain.
    """
    if not 6.0 <= d_mm <= 12.0:
        raise ValueError("the formula holds for screws of 6 to 12 mm")
    if l_ef_mm < 6.0 * d_mm:
        raise ValueError("the thread must reach at least 6 d into the timber")
    if angle_deg < 30.0:
        raise ValueError("the screw must stand at 30° or more to the grain")
    a = math.radians(angle_deg)
    k_d = min(d_mm / 8.0, 1.0)
    strength = withdrawal_parameter_N_mm2(d_mm, l_ef_mm, rho_k)
    return float(screws**0.9 * strength * d_mm * l_ef_mm * k_d / (1.2 * math.cos(a) ** 2 + math.sin(a) ** 2))


def design_N(characteristic_N: float, k_mod: float, gamma_M: float = 1.3) -> float:
    """F_Rd = k_mod F_Rk / γ_M (Eq. 2.14)."""
    return k_mod * characteristic_N / gamma_M
