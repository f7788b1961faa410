"""Lag screws pulled out of side grain, NDS 2018, in the standard's own units: lb, in."""

from __future__ import annotations

LEFT_OUT = (
    "NDS 2018: lateral strength (screws down the slope), combined lateral and withdrawal; wet service, end distance and lead "
    "holes are from memory"
)

LOAD_DURATION_WIND = 1.6
"""C_D for wind and earthquake, Table 2.3.2."""

END_GRAIN = 0.75
"""C_eg, 12.5.2."""


def withdrawal_lb_in(G: float, D_in: float) -> float:
    """W = 1800 G^(3/2) D^(3/4), lb per inch of thread in side grain, tapered tip not counted (Eq. 12.2-1)."""
    return float(1800.0 * G**1.5 * D_in**0.75)


def allowable_withdrawal_lb(
    G: float, D_in: float, thread_in: float, screws: int = 1, C_D: float = 1.0, C_M: float = 1.0, C_t: float = 1.0
) -> float:
    """W′ of a group: W · thread · C_D C_M C_t · number (Table 11.3.1)."""
    return withdrawal_lb_in(G, D_in) * thread_in * C_D * C_M * C_t * screws
