"""Snow on a sloped roof, EN 1991-1-3:2003, in N/m² or any one unit."""

from __future__ import annotations

LEFT_OUT = (
    "EN 1991-1-3: drift, sliding snow from above, exceptional loads, national annexes; snow guards from memory (μ₁ ≥ 0.8)"
)

EXPOSURE = {"windswept": 0.8, "normal": 1.0, "sheltered": 1.2}
"""C_e, Table 5.1."""


def shape_1(pitch_deg: float) -> float:
    """μ₁: 0.8 to 30°, down to 0 at 60° (Table 5.2)."""
    return min(0.8, max(0.0, 0.8 * (60.0 - pitch_deg) / 30.0))


def shape_2(pitch_deg: float) -> float:
    """μ₂: 0.8 + 0.8 α/30 to 30°, 1.6 to 60° (Table 5.2). Raises ValueError beyond, where the table gives none."""
    if pitch_deg > 60.0:
        raise ValueError("Table 5.2 has no second shape factor over 60°")
    return 0.8 + 0.8 * min(pitch_deg, 30.0) / 30.0


def roof_load(mu: float, C_e: float, C_t: float, s_k: float) -> float:
    """s = μ C_e C_t s_k on the horizontal projection (Eq. 5.1), in the unit of `s_k`."""
    return mu * C_e * C_t * s_k
