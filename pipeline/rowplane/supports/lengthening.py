"""How much longer an aluminium rail gets between the coldest and the hottest day."""

from __future__ import annotations


def growth_mm(length_mm: float, per_K: float, range_K: float) -> float:
    """ΔL = α L ΔT, in the unit of the length."""
    return per_K * length_mm * range_K
