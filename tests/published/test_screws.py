"""Screws against published values: CHECKS.md section 2. Not here: L-11 to L-14 and L-16 (memory); of L-04 the printed rows we hold."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from rowplane.config import HardwareConfig
from rowplane.supports.standards import asce_7_16, en_1995_1_1, nds_2018

PRESETS = Path(__file__).parents[2] / "configs" / "hardware"
DIAMETERS = (1 / 4, 5 / 16, 3 / 8, 7 / 16, 1 / 2)


@pytest.mark.parametrize(
    ("row", "G", "want"),
    [
        ("L-01", 0.50, (225, 266, 305, 342, 378)),
        ("L-02", 0.42, (173, 205, 235, 264, 291)),
        ("L-03", 0.55, (260, 307, 352, 395, 437)),
        ("L-03", 0.43, (179, 212, 243, 273, 302)),
        ("L-03", 0.46, (199, 235, 269, 302, 334)),
    ],
)
def test_withdrawal_table(row: str, G: float, want: tuple[int, ...]) -> None:
    """L-01 to L-03, part of L-04 (NDS Table 12.2A as printed): equal after rounding, 25 of 25 cells."""
    assert [round(nds_2018.withdrawal_lb_in(G, D)) for D in DIAMETERS] == list(want), row


def test_withdrawal_unrounded() -> None:
    """L-01: 225.00, 265.99, 304.97, 342.34, 378.40."""
    got = [nds_2018.withdrawal_lb_in(0.5, D) for D in DIAMETERS]
    assert got == pytest.approx([225.00, 265.99, 304.97, 342.34, 378.40], abs=0.005)


def test_end_grain() -> None:
    """L-05 (12.2.1): C_eg 0.75."""
    assert nds_2018.END_GRAIN == 0.75


def test_one_and_two_screws_in_wind() -> None:
    """L-06 (arithmetic of L-01): 665 lb, with C_D 1.6 1064 lb = 4733 N, two screws 2128 lb. L-10: C_D 1.6 for wind."""
    one = nds_2018.allowable_withdrawal_lb(0.5, 5 / 16, 2.5)
    assert one == pytest.approx(665, abs=0.5)
    windy = nds_2018.allowable_withdrawal_lb(0.5, 5 / 16, 2.5, C_D=nds_2018.LOAD_DURATION_WIND)
    assert windy == pytest.approx(1064, abs=0.5)
    assert windy * 4.4482216 == pytest.approx(4733, abs=1.0)
    assert nds_2018.allowable_withdrawal_lb(0.5, 5 / 16, 2.5, 2, C_D=1.6) == pytest.approx(2128, abs=0.5)


def test_engineers_calculation() -> None:
    """L-07 (an engineer's published calculation, with 266 lb/in): 2213.12 lb."""
    got = nds_2018.allowable_withdrawal_lb(0.5, 5 / 16, 3.25, 2, C_D=1.6, C_t=0.8)
    assert got == pytest.approx(2213.12, rel=1e-4)


def test_uplift_combination() -> None:
    """L-17, L-18 (same calculation): 12.7 ft² under 0.6 D + 0.6 W is −237.7 lb within 1 %."""
    assert 12.7 * asce_7_16.uplift_combination(2.9, -34.1) == pytest.approx(-237.7, rel=0.01)


@pytest.mark.parametrize(
    ("row", "d", "l_ef", "f", "straight", "slanted", "two"),
    [
        ("L-30", 6, 40, 15.9212, 2865.8, 2605.3, 5347.8),
        ("L-31", 8, 60, 13.2403, 6355.3, 5777.6, 11859.5),
        ("L-32", 8, 80, 12.8648, 8233.5, 7485.0, 15364.2),
        ("L-33", 8, 100, 12.5809, 10064.7, 9149.8, 18781.5),
        ("L-34", 10, 80, 11.5066, 9205.3, 8368.5, 17177.7),
        ("L-35", 12, 100, 10.2723, 12326.7, 11206.1, 23002.5),
    ],
)
def test_axial_screws(row, d, l_ef, f, straight, slanted, two) -> None:
    """L-30 to L-35 (EN 1995-1-1 A1 8.7.2 as in a public module; recomputed), ρ_k 350."""
    assert en_1995_1_1.withdrawal_parameter_N_mm2(d, l_ef, 350) == pytest.approx(f, rel=1e-4), row
    assert en_1995_1_1.withdrawal_N(d, l_ef, 350) == pytest.approx(straight, rel=1e-4)
    assert en_1995_1_1.withdrawal_N(d, l_ef, 350, angle_deg=45) == pytest.approx(slanted, rel=1e-4)
    assert en_1995_1_1.withdrawal_N(d, l_ef, 350, 2) == pytest.approx(two, rel=1e-4)


def test_pilot_holes_of_the_presets() -> None:
    """L-15 (NDS 12.1.4; the percentages from memory, the exception for small screws read): in softwood, G up to 0.5, a lead
    hole of 40 to 70 % of the screw's diameter."""
    every = [tomllib.loads(path.read_text(encoding="utf-8"))["hardware"] for path in sorted(PRESETS.glob("*.toml"))]
    every = [HardwareConfig(**{k: v for k, v in one.items() if k != "preset"}) for one in every]
    assert len(every) >= 2
    for hardware in (HardwareConfig(), *every):
        assert 0.40 <= hardware.pilot_hole_mm / hardware.screw_diameter_mm <= 0.70, hardware.name


def test_design_value() -> None:
    """L-36 (recomputed): k_mod 0.9 and 1.1, γ_M 1.3."""
    assert en_1995_1_1.design_N(8233.5, 0.9) == pytest.approx(5700.1, rel=1e-4)
    assert en_1995_1_1.design_N(8233.5, 1.1) == pytest.approx(6966.8, rel=1e-4)


@pytest.mark.parametrize(("d", "l_ef", "angle"), [(5, 60, 90), (13, 100, 90), (8, 47, 90), (8, 60, 29)])
def test_outside_the_formula(d: float, l_ef: float, angle: float) -> None:
    """8.7.2: diameters, least penetration 6 d and angle are refused outside their range."""
    with pytest.raises(ValueError, match=r"formula|thread|screw"):
        en_1995_1_1.withdrawal_N(d, l_ef, 350, angle_deg=angle)
