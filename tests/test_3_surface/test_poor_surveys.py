"""Surveys that cannot carry much: the answer is a large sigma, never a smooth lie and never a crash."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

from rowplane.config import SurfaceConfig
from rowplane.frames import face_frame, face_to_survey
from rowplane.model import Edge, Face, Roof, Survey
from rowplane.model import Surface as Mapped
from rowplane.surface import map_surface
from rowplane.surface.mapping import find_pattern
from test_3_surface.builders import FRAME

Array = NDArray[np.float64]
WIDTH, LENGTH = 8000.0, 5000.0


def face_of(width: float, length: float) -> Face:
    corners = [(0.0, 0.0), (width, 0.0), (width, length), (0.0, length)]
    kinds = ("eave", "verge", "ridge", "verge")
    edges = tuple(Edge(kinds[k], corners[k], corners[(k + 1) % 4], None) for k in range(4))  # type: ignore[arg-type]
    frame = face_frame(np.array([10.0, 20.0, 30.0]), np.array([0.3, -0.5, 1.0]))
    return Face("A", frame, shapely.Polygon(corners), edges, (), 0, 0.0, np.zeros((3, 3)))


def mapped(uvw: Array, width: float = WIDTH, length: float = LENGTH) -> Mapped:
    face = face_of(width, length)
    survey = Survey("x", "cloud", face_to_survey(face.frame, uvw), None, FRAME, ())
    return map_surface(survey, Roof((face,), np.zeros(len(uvw), np.int16), ()), SurfaceConfig()).surfaces[0]


def places(n: int, width: float = WIDTH, length: float = LENGTH) -> Array:
    rng = np.random.default_rng(n)
    return np.column_stack([rng.uniform(0, width, n), rng.uniform(0, length, n), rng.normal(0, 6, n)])


def tiled(uvw: Array) -> Array:
    out = uvw.copy()
    out[:, 2] += 22.5 * (1 + np.cos(2 * np.pi * uvw[:, 0] / 250)) + 14 * (1 - np.mod(uvw[:, 1] / 345, 1))
    return out


def sd_at(surface: Mapped, uv: list[tuple[float, float]]) -> Array:
    return np.sqrt(np.diag(surface.height.covariance_mm2(np.array(uv))))


@pytest.mark.parametrize("n", [0, 1, 3])
def test_next_to_nothing(n: int) -> None:
    surface = mapped(places(n), 3000, 2000)
    assert np.isfinite(surface.own_mm[np.isfinite(surface.sd_mm)]).all()
    assert sd_at(surface, [(0, 0)]).min() > 10
    assert [f.code for f in surface.findings] == ["no-pattern"]


def test_twenty_points() -> None:
    surface = mapped(tiled(places(20, 3000, 2000)), 3000, 2000)
    assert surface.pattern is None
    assert sd_at(surface, [(1500, 1000)])[0] > 4
    assert sd_at(surface, [(0, 0)])[0] > 8


def test_tiny_face() -> None:
    assert sd_at(mapped(tiled(places(60, 800, 600)), 800, 600), [(0, 0), (400, 300)]).min() > 3


def test_one_line_of_crowns_says_nothing_beside_it() -> None:
    rng = np.random.default_rng(1)
    line = np.column_stack([np.full(2000, 2000.0), rng.uniform(0, LENGTH, 2000), rng.normal(0, 6, 2000)])
    surface = mapped(tiled(line))
    beside = sd_at(surface, [(5000, 2500)])
    assert beside[0] > 20


def test_hole_in_the_middle_is_not_bridged_with_confidence() -> None:
    points = tiled(places(24_000))
    sag = 15 * np.sin(np.pi * points[:, 0] / 3000) * np.sin(np.pi * points[:, 1] / 3000)
    points[:, 2] += sag
    hole = (np.abs(points[:, 0] - 4000) < 1500) & (np.abs(points[:, 1] - 2500) < 1500)
    surface = mapped(points[~hole])
    inside, outside = sd_at(surface, [(4000, 2500), (1500, 2500)])
    assert inside > 1.5 * outside
    truth = np.array(
        [
            15 * np.sin(np.pi * 4000 / 3000) * np.sin(np.pi * 2500 / 3000),
            15 * np.sin(np.pi * 1500 / 3000) * np.sin(np.pi * 2500 / 3000),
        ]
    )
    found = surface.height.mean_mm(np.array([[4000.0, 2500.0], [1500.0, 2500.0]]))
    assert abs((found - truth)[0] - (found - truth)[1]) <= 2.5 * inside


def test_sheet_roof_has_no_pattern() -> None:
    surface = mapped(places(24_000))
    assert surface.pattern is None
    assert [f.code for f in surface.findings] == ["no-pattern"]
    assert surface.deviation_rms_mm < 0.5


def test_pure_noise_makes_no_pattern() -> None:
    """A pattern found in noise would put hooks anywhere."""
    for seed in range(12):
        rng = np.random.default_rng(seed)
        uvw = np.column_stack([rng.uniform(0, 6000, 3000), rng.uniform(0, 4000, 3000), rng.normal(0, 12, 3000)])
        assert mapped(uvw, 6000, 4000).pattern is None


def test_four_courses_are_enough() -> None:
    pattern = mapped(tiled(places(6000, WIDTH, 1400)), WIDTH, 1400).pattern
    assert pattern is not None
    assert pattern.gauge_mm == pytest.approx(345, rel=0.006)
    assert pattern.cover_width_mm == pytest.approx(250, rel=0.003)


def test_points_in_one_place() -> None:
    assert sd_at(mapped(np.tile([[100.0, 100.0, 0.0]], (500, 1))), [(4000, 2500)])[0] > 20


def test_no_faces_no_surfaces() -> None:
    survey = Survey("x", "cloud", np.zeros((0, 3)), None, FRAME, ())
    assert map_surface(survey, Roof((), np.zeros(0, np.int16), ()), SurfaceConfig()).surfaces == ()


def test_field_travels_between_processes() -> None:
    surface = mapped(tiled(places(6000, 3000, 2500)), 3000, 2500)
    again = pickle.loads(pickle.dumps(surface))
    here = np.array([[500.0, 500.0], [2000.0, 1500.0]])
    np.testing.assert_array_equal(surface.height.mean_mm(here), again.height.mean_mm(here))
    covariance = surface.height.covariance_mm2(here)
    np.testing.assert_allclose(covariance, covariance.T)
    np.testing.assert_allclose(surface.height.covariance_mm2(here, here[:1]), covariance[:, :1])
    assert np.linalg.eigvalsh(covariance).min() > 0
    assert surface.height.mean_mm(np.zeros((0, 2))).shape == (0,)


def test_hints_narrow_the_search_but_are_not_believed() -> None:
    face, points = face_of(WIDTH, LENGTH), tiled(places(24_000))
    survey = Survey("x", "cloud", face_to_survey(face.frame, points), None, FRAME, ())
    roof = Roof((face,), np.zeros(len(points), np.int16), ())
    surface = map_surface(survey, roof, SurfaceConfig(gauge_mm=350, cover_width_mm=248)).surfaces[0]
    assert surface.pattern is not None
    assert surface.pattern.gauge_mm == pytest.approx(345, rel=0.003)
    assert map_surface(survey, roof, SurfaceConfig(gauge_mm=200, cover_width_mm=330)).surfaces[0].pattern is None


@pytest.mark.parametrize(("scatter_mm", "found"), [(8.0, True), (35.0, False)])
def test_ripples_far_below_the_scatter_are_no_tiles(scatter_mm: float, found: bool) -> None:
    rng = np.random.default_rng(7)
    u, v = rng.uniform(0, 14_000, 60_000), rng.uniform(0, 8_000, 60_000)
    ribs = 3.0 * (np.cos(2 * np.pi * u / 138) + 1) + 6.0 * np.mod(-v / 385, 1.0)
    pattern = find_pattern(np.column_stack([u, v, ribs + rng.normal(0, scatter_mm, len(u))]), SurfaceConfig())
    assert (pattern is not None) is found


@pytest.mark.parametrize("seed", [0, *(pytest.param(k, marks=pytest.mark.long) for k in range(1, 12))])
def test_flat_tiles_show_their_courses_only(seed: int) -> None:
    """Gauge and nose lines are known, columns are said not to be, though each tile is seated at its own height."""
    rng = np.random.default_rng(seed)
    u, v = rng.uniform(0, WIDTH, 24_000), rng.uniform(0, LENGTH, 24_000)
    steps = 18 * (1 - np.mod((v - 120) / 345, 1))
    seats = rng.normal(0, 2, (40, 40))[((v - 120) // 345).astype(int), (u // 230).astype(int)]
    surface = mapped(np.column_stack([u, v, steps + seats + rng.normal(0, 3, len(u))]))
    pattern = surface.pattern
    assert pattern is not None
    assert not pattern.has_pans
    columns = (pattern.cover_width_mm, pattern.cover_width_sd_mm, pattern.pan_phase_mm, pattern.pan_width_mm, pattern.rise_mm)
    assert np.isnan(columns).all()
    assert pattern.gauge_mm == pytest.approx(345, rel=0.003)
    assert pattern.course_step_mm == pytest.approx(18, abs=2)
    assert pattern.nose_mm(np.arange(1, 14)) == pytest.approx(345 * np.arange(13), abs=8)
    assert survey_height(surface) == pytest.approx(120.0, abs=8)
    assert "courses-only" in [f.code for f in surface.findings]


def survey_height(surface: Mapped) -> float:
    """v of the datum in the frame that the points were made in."""
    return float((face_of(WIDTH, LENGTH).frame.axes @ (surface.face.frame.origin_mm - [10.0, 20.0, 30.0]))[1])


@pytest.mark.parametrize("seed", [0, *(pytest.param(k, marks=pytest.mark.long) for k in range(1, 12))])
def test_a_low_rib_shows_the_columns(seed: int) -> None:
    """A rib of 4 mm and 20 mm at the side lap, in 6 mm of noise: cover width, and the pan between the ribs."""
    rng = np.random.default_rng(seed)
    u, v = rng.uniform(0, WIDTH, 24_000), rng.uniform(0, LENGTH, 24_000)
    w = 4.0 * (np.mod(u / 280, 1) < 0.07) + 18 * (1 - np.mod(v / 345, 1)) + rng.normal(0, 6, len(u))
    pattern = mapped(np.column_stack([u, v, w])).pattern
    assert pattern is not None
    assert pattern.cover_width_mm == pytest.approx(280, rel=0.003)
    off = np.mod(pattern.pan_mm(np.arange(1, 25), 2500.0) - 0.535 * 280 + 140, 280) - 140
    assert np.abs(off).max() <= 8
    assert pattern.pan_width_mm == pytest.approx(0.93 * 280, abs=25)
