"""A level survey: one face, in the readings' own u and v."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Point, Polygon, box

from rowplane import frames
from rowplane.config import PlanesConfig
from rowplane.model import Array, Readings, Survey, SurveyFrame
from rowplane.planes import fit_planes
from rowplane.planes.level import _spanned

PITCH, AZIMUTH = 27.0, 200.0


def _survey(u: Array, v: Array, off: Array, given_uv: bool = True, **more: object) -> Survey:
    pitch, azimuth = np.radians(PITCH), np.radians(AZIMUTH)
    normal = np.array([np.sin(azimuth) * np.sin(pitch), np.cos(azimuth) * np.sin(pitch), np.cos(pitch)])
    frame = frames.face_frame(np.zeros(3), normal)
    points = frames.face_to_survey(frame, np.column_stack([u, v, off]))
    words = ("",) * len(u)
    readings = Readings(u, v, points[:, 2], words, words, words, given_uv)
    return Survey("level", "level", points, None, SurveyFrame(np.zeros(3), np.eye(3), "m", 1e3, 1e3), (), (), readings, **more)  # type: ignore[arg-type]


U, V = (a.ravel() for a in np.meshgrid(np.arange(300.0, 9000.0, 900.0), np.arange(200.0, 5000.0, 700.0)))


def test_the_frame_is_the_readings_own() -> None:
    off = 12 * np.sin(U / 1500) + 4e-3 * U  # the eave itself slopes by 4 mm per metre
    roof = fit_planes(_survey(U, V, off), PlanesConfig())
    face = roof.faces[0]
    uvw = frames.survey_to_face(face.frame, _survey(U, V, off).points_mm)
    assert np.abs(uvw[:, :2] - np.column_stack([U, V])).max() < 0.5
    assert frames.pitch_deg(face.frame) == pytest.approx(PITCH, abs=0.3)
    assert (roof.labels == 0).all()
    assert len(roof.faces) == 1


def test_plane_is_the_orthogonal_least_squares_plane() -> None:
    rng = np.random.default_rng(5)
    survey = _survey(U, V, rng.normal(0, 3, len(U)))
    face = fit_planes(survey, PlanesConfig()).faces[0]
    w = frames.survey_to_face(face.frame, survey.points_mm)[:, 2]
    # CHECKS R-24: residuals of the fit sum to 0 and are orthogonal to the plane's directions.
    assert abs(w.sum()) < 1e-6
    assert abs(w @ U) < 1e-7 * np.linalg.norm(w) * np.linalg.norm(U)
    assert face.rms_mm == pytest.approx(float(np.sqrt(np.mean(w**2))))


def test_slope_sd_is_that_of_regression() -> None:
    # CHECKS R-21, σ²(AᵀA)⁻¹ on a 6 × 4 grid of 1 m spacing: sd a = σ/√70, sd b = σ/√30, height at the centre σ/√24.
    u, v = (a.ravel() * 1000.0 for a in np.meshgrid(np.arange(6.0), np.arange(4.0)))
    rng = np.random.default_rng(1)
    face = fit_planes(_survey(u, v, rng.normal(0, 3, 24)), PlanesConfig()).faces[0]
    sigma = face.rms_mm * np.sqrt(24 / 21)
    sd = np.sqrt(np.diag(face.covariance))
    assert sd[:2] * 1000 == pytest.approx([sigma / np.sqrt(70), sigma / np.sqrt(30)], rel=1e-3)
    assert sd[2] == pytest.approx(sigma / np.sqrt(24), rel=1e-3)


def test_without_a_footprint_the_outline_is_assumed() -> None:
    roof = fit_planes(_survey(U, V, np.zeros(len(U))), PlanesConfig())
    assert "outline-assumed" in [f.code for f in roof.findings]
    assert roof.faces[0].outline.bounds == pytest.approx((U.min(), V.min(), U.max(), V.max()), abs=0.5)
    assert [e.kind for e in roof.faces[0].edges].count("verge") == 2


def test_readings_on_any_grid_have_an_outline() -> None:
    """On one grid in forty, depending on the last digits of its places, the hull's triangulation found no vertex."""
    u, v = (a.ravel() * 250.0 for a in np.meshgrid(np.arange(50.0), np.arange(30.0)))
    turn = np.radians(54)
    around = np.column_stack([u, v]) @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    assert _spanned(around).area == pytest.approx(49 * 29 * 250**2, rel=1e-3)


def test_a_footprint_is_the_outline() -> None:
    bare = _survey(U, V, np.zeros(len(U)))
    frame = fit_planes(bare, PlanesConfig()).faces[0].frame
    corners = np.array(box(-100, -50, 9400, 5400).exterior.coords)
    plan = frames.face_to_survey(frame, np.column_stack([corners, np.zeros(5)]))[:, :2]
    roof = fit_planes(_survey(U, V, np.zeros(len(U)), footprint_mm=Polygon(plan)), PlanesConfig())
    assert roof.faces[0].outline.bounds == pytest.approx((-100, -50, 9400, 5400), abs=0.5)
    assert roof.findings == ()


def test_readings_on_one_line_are_no_roof() -> None:
    roof = fit_planes(_survey(U, np.full(len(U), 100.0), np.zeros(len(U))), PlanesConfig())
    assert roof.faces == ()
    assert [f.code for f in roof.findings] == ["no-roof"]


@pytest.mark.parametrize(
    "read",
    [
        (V < U - 100) & (V < 9300 - U),
        (V < 2.2 * U) & (V < 2.2 * (9300 - U)),
        (U < 4000) | (V < 2500),
        (V < 2000) | (U < 2500) | (U > 5000),
    ],
    ids=["hips at 45°", "steep hips", "a wing beside", "a bay of three steps"],
)
def test_outline_keeps_to_what_was_read(read: Array) -> None:
    outline = fit_planes(_survey(U[read], V[read], 0 * U[read]), PlanesConfig()).faces[0].outline
    assert all(outline.distance(Point(u, v)) < 100 for u, v in zip(U[read], V[read], strict=True))
    assert not any(outline.buffer(-300).contains(Point(u, v)) for u, v in zip(U[~read], V[~read], strict=True))


def test_readings_all_but_on_one_line_raise_nothing() -> None:
    u = np.arange(0.0, 9000.0, 700.0)
    roof = fit_planes(_survey(u, 100 + 0.4 * np.sin(u), 0 * u), PlanesConfig())
    assert len(roof.faces) + len(roof.findings) > 0


def test_a_reading_left_out_makes_no_notch() -> None:
    read = (U != 4800.0) | (V != 200.0)
    outline = fit_planes(_survey(U[read], V[read], 0 * U[read]), PlanesConfig()).faces[0].outline
    assert outline.area == pytest.approx((U.max() - U.min()) * (V.max() - V.min()), rel=1e-6)
