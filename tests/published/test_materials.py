"""Aluminium against published values: CHECKS.md section 12, M-02, M-03, M-06. M-01 is a setting; M-05, M-07 are memory."""

from __future__ import annotations

import pytest

from rowplane.config import HardwareConfig, PlacementConfig
from rowplane.placement.filling import longest_mm
from rowplane.supports.beam import N_MM2


@pytest.mark.parametrize(("length", "per_K", "range_K", "growth"), [(6000, 23.1e-6, 50, 6.93), (12_000, 23e-6, 80, 22.08)])
def test_growth(length: float, per_K: float, range_K: float, growth: float) -> None:
    """M-02 (recomputed): 6 m and 50 K grow by 6.93 mm, 12 m and 80 K by 22.08 mm: so long a row takes just that much gap."""
    placement = PlacementConfig(expansion_per_K=per_K, temperature_range_K=range_K, expansion_allow_mm=growth)
    assert longest_mm(placement) == pytest.approx(length)


def test_default_coefficient() -> None:
    """M-01: 23e-6/K lies between a mill sheet's 21.8e-6 and the handbook's 23.4e-6 of 6063-T5, and is a setting."""
    assert 21.8e-6 <= PlacementConfig().expansion_per_K <= 23.4e-6


def test_default_stiffness() -> None:
    """M-03 (E of 6063 68.9 GPa, read), M-06: I = 1e-7 m⁴ gives 6 900 N·m², the default rail."""
    assert pytest.approx(HardwareConfig().rail_EI_Nm2) == 69e9 * 1e-7
    assert HardwareConfig().rail_EI_Nm2 * N_MM2 == pytest.approx(6.9e9)
