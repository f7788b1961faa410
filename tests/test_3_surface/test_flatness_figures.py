"""Gaps, zones and sag as properties; the published values stand in tests/published."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rowplane.surface.flatness import flatness_of, gaps_under, worst_sag


def hull_gap(line: np.ndarray, step: float, length: float) -> float:
    """Gap by brute force: in every window the upper hull, point by point."""
    n, worst = round(length / step), 0.0
    for start in range(len(line) - 1):
        window = line[start : start + n + 1]
        for j in range(1, len(window) - 1):
            chords = [
                window[a] + (window[b] - window[a]) * (j - a) / (b - a) for a in range(j) for b in range(j + 1, len(window))
            ]
            worst = max(worst, max(chords) - window[j])
    return worst


@given(st.integers(0, 2**32 - 1), st.floats(-0.2, 0.2), st.floats(-50, 50))
def test_gap_is_that_under_the_hull_and_does_not_see_the_slope(seed: int, slope: float, height: float) -> None:
    line = np.random.default_rng(seed).normal(0, 4, 18)
    tilted = line + height + slope * 100 * np.arange(18)
    for length in (400.0, 1000.0):
        assert gaps_under(tilted[None], 100.0, (length,))[0] == pytest.approx(hull_gap(line, 100.0, length), abs=1e-9)


def test_gap_stops_at_the_edge_of_the_face() -> None:
    line = np.array([[0.0, np.nan, -5.0, np.nan, 0.0]])
    assert gaps_under(line, 1000.0, (4000.0,))[0] == pytest.approx(5.0)
    assert gaps_under(np.full((3, 5), np.nan), 100.0, (1000.0,)) == (0.0,)


def test_sag_is_under_the_chord() -> None:
    v = np.linspace(0, 4000, 41)
    raster = np.repeat((0.003 * v - 20 * np.sin(np.pi * v / 4000))[:, None], 3, axis=1)
    sag, share = worst_sag(raster, 100.0)
    assert sag == pytest.approx(20, abs=0.1)
    assert share == pytest.approx(200, rel=0.01)


def test_a_bow_is_not_a_sag() -> None:
    v = np.linspace(0, 4000, 41)
    assert worst_sag(np.repeat((20 * np.sin(np.pi * v / 4000))[:, None], 3, axis=1), 100.0)[1] == np.inf


def test_nothing_seen() -> None:
    flat = flatness_of(np.full((4, 4), np.nan), 100.0)
    assert flat.zone_lsq_mm == flat.zone_min_mm == flat.rafter_sag_mm == 0.0
