"""Aluminium against published values: CHECKS.md section 12, M-02, M-03, M-06. M-01 is a setting; M-05, M-07 are memory."""

from __future__ import annotations

import pytest

from rowplane.config import HardwareConfig, PlacementConfig
from rowplane.supports.beam import N_MM2
from rowplane.supports.lengthening import growth_mm


def test_growth() -> None:
    """M-02 (recomputed): 6 m and 50 K 6.93 mm; 12 m and 80 K 22.08 mm; 240 in and 100 °F 0.312 in."""
    assert growth_mm(6000, 23.1e-6, 50) == pytest.approx(6.93)
    assert growth_mm(12_000, 23e-6, 80) == pytest.approx(22.08)
    assert growth_mm(240, 13e-6, 100) == pytest.approx(0.312)


def test_default_coefficient() -> None:
    """M-01: 23e-6/K lies between a mill sheet's 21.8e-6 and the handbook's 23.4e-6 of 6063-T5, and is a setting."""
    assert 21.8e-6 <= PlacementConfig().expansion_per_K <= 23.4e-6


def test_default_stiffness() -> None:
    """M-03 (E of 6063 68.9 GPa, read), M-06: I = 1e-7 m⁴ gives 6 900 N·m², the default rail."""
    assert pytest.approx(HardwareConfig().rail_EI_Nm2) == 69e9 * 1e-7
    assert HardwareConfig().rail_EI_Nm2 * N_MM2 == pytest.approx(6.9e9)
