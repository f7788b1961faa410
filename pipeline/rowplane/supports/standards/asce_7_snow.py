"""Snow on a sloped roof, ASCE 7-16 chapter 7, in psf. ASCE 7-22 has no I_s: give 1 (its ground snow is by risk category)."""

from __future__ import annotations

LEFT_OUT = "ASCE 7 snow: drift, sliding snow from above, unbalanced and partial loads, rain on snow"

SLIPS: dict[bool, dict[float, tuple[float, float]]] = {
    True: {1.0: (5.0, 70.0), 1.1: (10.0, 70.0), 1.2: (15.0, 70.0)},
    False: {1.0: (30.0, 70.0), 1.1: (37.5, 70.0), 1.2: (45.0, 70.0)},
}
"""Figure 7.4-1: by slippery or not and thermal factor C_t, the slope up to which C_s is 1 and that at which it is 0."""


def flat_roof_psf(p_g_psf: float, C_e: float, C_t: float, I_s: float) -> float:
    """p_f = 0.7 C_e C_t I_s p_g (Eq. 7.3-1)."""
    return 0.7 * C_e * C_t * I_s * p_g_psf


def slope_factor(pitch_deg: float, C_t: float, slippery: bool) -> float:
    """C_s of Figure 7.4-1 for the next thermal factor at or above `C_t` that the figure has (1.0, 1.1, 1.2)."""
    table = SLIPS[slippery]
    whole, none = table[next((t for t in sorted(table) if C_t <= t + 1e-9), 1.2)]
    return min(1.0, max(0.0, (none - pitch_deg) / (none - whole)))
