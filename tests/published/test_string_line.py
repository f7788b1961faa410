"""Sag of a string against published and re-computed values (CHECKS.md section 11, rows G-01 to G-07)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import approx_fprime

from rowplane.levelling.string_line import GRAVITY, catenary_sag_mm

INCH, FOOT, POUND = 25.4, 304.8, 4.4482216


def steel_wire(length_ft: float, at_ft: float | None = None) -> float:
    """Sag in inches of the wire of G-01 and G-02: 0.016 in steel, 0.0007 lb/ft, pulled by 30 lb."""
    mass = 0.0007 * POUND / GRAVITY / FOOT * 1e6  # g/m
    at = length_ft / 2 if at_ft is None else at_ft
    return float(catenary_sag_mm(at * FOOT, length_ft * FOOT, mass, 30 * POUND)) / INCH


def test_steel_wire_over_ten_feet() -> None:
    # G-01 [S]: 0.000292 ft = 0.0035 in, 'about 3/1000'
    assert steel_wire(10) == pytest.approx(0.0035, rel=1e-3)


def test_steel_wire_over_a_hundred_feet() -> None:
    # G-02 [S]: 0.35 in, three quarters of it at the quarter points; G-03 [C]: 0.35000004 in by the exact catenary
    assert steel_wire(100) == pytest.approx(0.35000004, abs=5e-9)
    assert steel_wire(100, 25) / steel_wire(100) == pytest.approx(0.75, abs=1e-6)


def deep(x: float) -> float:
    """G-04 [C]: w 1, L 10, H 2.5, in metres and newtons."""
    return float(catenary_sag_mm(x, 10_000.0, 1000 / GRAVITY, 2.5))


def test_a_deep_catenary_is_not_a_parabola() -> None:
    assert deep(5000) == pytest.approx(6905.489, abs=5e-4)  # the parabola gives 5000
    slope = lambda x: approx_fprime(np.array([x]), lambda y: deep(float(y[0])), 1e-3)[0]  # noqa: E731
    length = quad(lambda x: float(np.hypot(1, slope(x))), 0, 10_000)[0]
    assert length == pytest.approx(18134.302, abs=0.01)


@pytest.mark.parametrize(
    ("mass", "pull", "span_m", "sag_mm"),
    [
        (0.9, 20, 10, 5.516),  # G-05 [C]; the mass of nylon line is from memory
        (0.9, 50, 10, 2.206),
        (1.5, 50, 6, 1.324),  # G-06 [C]; 1.5 g/m is about #18 twine
        (1.5, 50, 10, 3.677),
        (1.5, 20, 20, 36.775),
    ],
)
def test_lines_of_a_building_site(mass: float, pull: float, span_m: float, sag_mm: float) -> None:
    assert float(catenary_sag_mm(span_m * 500, span_m * 1000, mass, pull)) == pytest.approx(sag_mm, abs=6e-4)


def test_scaling() -> None:
    # G-07: sag goes with L², with w, with 1/T
    one = float(catenary_sag_mm(5000, 10_000, 1.5, 50))
    assert float(catenary_sag_mm(10_000, 20_000, 1.5, 50)) / one == pytest.approx(4, rel=1e-5)
    assert float(catenary_sag_mm(5000, 10_000, 3.0, 50)) / one == pytest.approx(2, rel=1e-5)
    assert float(catenary_sag_mm(5000, 10_000, 1.5, 100)) / one == pytest.approx(0.5, rel=1e-5)


@pytest.mark.parametrize("rise", [1.0, 500.0, -4000.0])
def test_a_sloping_chord(rise: float) -> None:
    # The curve y = chord − sag must satisfy the catenary's own equation y″ = (w/H) √(1 + y′²) (textbook, from memory).
    span, mass, pull, step = 10_000.0, 800.0, 20.0, 20.0
    x = np.arange(step, span, step)
    y = [rise * (x + d) / span - catenary_sag_mm(x + d, span, mass, pull, rise) for d in (-step, 0, step)]
    first, second = (y[2] - y[0]) / (2 * step), (y[2] - 2 * y[1] + y[0]) / step**2
    weight = mass * 1e-6 * GRAVITY
    assert second == pytest.approx(weight / pull * np.hypot(1, first), rel=1e-3)
    ends = catenary_sag_mm(np.array([0.0, span]), span, mass, pull, rise)
    assert ends == pytest.approx([0, 0], abs=1e-6)
