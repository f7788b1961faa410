"""Snow against published values: CHECKS.md section 4. Not here: S-12 (memory: snow guards keep μ₁ at 0.8)."""

from __future__ import annotations

import math

import pytest

from rowplane.supports.loads import snow_parts
from rowplane.supports.standards import asce_7_snow as us
from rowplane.supports.standards import en_1991_1_3 as en

ROOFS = [math.degrees(math.atan(rise / 12)) for rise in (4, 6, 8, 12)]


@pytest.mark.parametrize(("C_t", "p_g", "p_f"), [(1.1, 30, 23.1), (1.0, 20, 14.0)])
def test_flat_roof_snow(C_t: float, p_g: float, p_f: float) -> None:
    """S-01 (ASCE 7-16 Eq. 7.3-1, transcription; recomputed)."""
    assert us.flat_roof_psf(p_g, 1.0, C_t, 1.0) == pytest.approx(p_f)


@pytest.mark.parametrize(
    ("row", "C_t", "slippery", "other"),
    [
        ("S-02", 1.0, (0.793, 0.668, 0.559, 0.385), (1, 1, 0.908, 0.625)),
        ("S-03", 1.1, (0.859, 0.724, 0.605, 0.417), (1, 1, 1, 0.769)),
        ("S-04", 1.2, (0.9375, 0.790, 0.660, 0.455), (1, 1, 1, 1)),
    ],
)
def test_slope_factor(row: str, C_t: float, slippery: tuple[float, ...], other: tuple[float, ...]) -> None:
    """S-02 to S-04 (Figure 7.4-1 as transcribed; recomputed): 4, 6, 8 and 12 in 12."""
    assert [us.slope_factor(a, C_t, True) for a in ROOFS] == pytest.approx(slippery, abs=6e-4), row
    assert [us.slope_factor(a, C_t, False) for a in ROOFS] == pytest.approx(other, abs=6e-4), row


def test_load_on_the_horizontal_projection() -> None:
    """S-05 (statement transcribed): 14 psf at 4 in 12 is 12.60 square to the slope and 4.20 along it."""
    assert snow_parts(14.0, ROOFS[0]) == pytest.approx((12.60, 4.20), abs=0.005)


@pytest.mark.parametrize(
    ("pitch", "mu"), [(15, 0.8), (30, 0.8), (35, 0.6667), (40, 0.5333), (45, 0.4), (50, 0.2667), (60, 0), (70, 0)]
)
def test_first_shape_factor(pitch: float, mu: float) -> None:
    """S-10 (EN 1991-1-3 Table 5.2)."""
    assert en.shape_1(pitch) == pytest.approx(mu, abs=1e-4)


@pytest.mark.parametrize(("pitch", "mu"), [(0, 0.8), (15, 1.2), (30, 1.6), (60, 1.6)])
def test_second_shape_factor(pitch: float, mu: float) -> None:
    """S-11 (EN 1991-1-3 Table 5.2)."""
    assert en.shape_2(pitch) == pytest.approx(mu)


def test_roof_snow() -> None:
    """S-13: 5.7°, 0.65 kN/m² on the ground gives 0.52; S-14: exposure factors."""
    assert en.roof_load(en.shape_1(5.7), en.EXPOSURE["normal"], 1.0, 0.65) == pytest.approx(0.52)
    assert en.EXPOSURE == {"windswept": 0.8, "normal": 1.0, "sheltered": 1.2}
