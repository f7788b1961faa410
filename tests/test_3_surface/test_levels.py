"""A level survey ends in the same kind of field as a scan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from shapely.geometry import Polygon

from rowplane.config import SurfaceConfig
from rowplane.errors import RowplaneError
from rowplane.frames import face_frame
from rowplane.model import Edge, Readings, Roof, Survey
from rowplane.model import Face as Plane
from rowplane.model import Surface as Mapped
from rowplane.surface import map_surface
from scenes import SubstrateOptions, TileOptions, make_scene
from scenes.faces import Face, grid_uv_m
from scenes.level import take_level_survey
from test_3_surface.builders import FRAME

Array = NDArray[np.float64]


def levelled(
    seed: int, on: str, config: SurfaceConfig | None = None, shift: NDArray[np.float64] | None = None
) -> tuple[Face, Mapped]:
    """A gable face read on a grid of 1 m, sag wavelengths of 3 m and more; `shift` is added to the heights, mm."""
    scene = make_scene("gable", seed=seed, substrate=SubstrateOptions(rafter_sd_mm=0), tiles=TileOptions())
    face = scene.faces[0]
    taken = take_level_survey(scene, 0, on=on, seed=seed)
    u, v, h = (np.array([getattr(r, name) for r in taken.readings]) * 1000 for name in ("u_m", "v_m", "height_m"))
    h = h if shift is None else h + shift[: len(h)]
    sine, cosine = float(face.e_v[2]), float(face.normal[2])
    # The staff stands at (u, v) as taped: what it reads over the plane is lowered by the plane's own tilt.
    w = (h - v * sine) / cosine
    points = np.column_stack([u, v * cosine - w * sine, v * sine + w * cosine])
    readings = Readings(u, v, h, tuple(r.on for r in taken.readings), (), (), True)
    corners = [(float(a) * 1000, float(b) * 1000) for a, b in taken.outline_uv_m]
    edges = tuple(Edge(e.kind, _moved(e.a_uv_m, face), _moved(e.b_uv_m, face), None) for e in face.edges)
    plane = Plane(
        "A", face_frame(np.zeros(3), np.array([0, -sine, cosine])), Polygon(corners), edges, (), len(u), 0.0, np.zeros((3, 3))
    )
    survey = Survey("level", "level", points, None, FRAME, (), (), readings)
    roof = Roof((plane,), np.zeros(len(u), np.int16), ())
    return face, map_surface(survey, roof, config or SurfaceConfig()).surfaces[0]


def _moved(uv: tuple[float, float], face: Face) -> tuple[float, float]:
    return (uv[0] - face.datum_u_m) * 1000, uv[1] * 1000


def errors(face: Face, surface: Mapped) -> Array:
    u, v = grid_uv_m(face.polygon.buffer(-0.4), 0.2)
    error = surface.height.mean_mm(np.column_stack([(u - face.datum_u_m) * 1000, v * 1000])) - face.substrate_mm(u, v)
    a = np.column_stack([np.ones(len(u)), u, v])
    return np.asarray(error - a @ np.linalg.lstsq(a, error, rcond=None)[0])


@pytest.mark.parametrize(("on", "limit"), [("crown", 2.5), ("board", 2.0)])
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_reads_the_sag(seed: int, on: str, limit: float) -> None:
    face, surface = levelled(seed, on)
    assert np.sqrt(np.mean(errors(face, surface) ** 2)) <= limit
    assert surface.pattern is None
    assert "level survey" in surface.datum_note


def test_a_wrong_reading_is_kept_out() -> None:
    face, surface = levelled(3, "crown", shift=np.where(np.arange(200) == 20, 60.0, 0.0))
    assert len(surface.patches) == 1
    assert surface.patches[0].height_mm == pytest.approx(60 / face.normal[2], abs=10)
    assert np.sqrt(np.mean(errors(face, surface) ** 2)) <= 2.5


def test_hints_give_courses_and_pans() -> None:
    _, surface = levelled(1, "pan", SurfaceConfig(gauge_mm=358, cover_width_mm=307))
    pattern = surface.pattern
    assert pattern is not None
    assert pattern.nose_mm(3) == pytest.approx(716)
    assert pattern.confidence < 0.5
    # Pans were read, so their place is known: the true pan lies 0.23 of the cover width from the tile's left edge.
    assert pattern.pan_phase_mm == pytest.approx(0.23 * 307, abs=8)


def test_crowns_and_pans_are_put_on_one_level() -> None:
    face, surface = levelled(2, "crown")
    scene = make_scene("gable", seed=2, substrate=SubstrateOptions(rafter_sd_mm=0), tiles=TileOptions())
    crown, pan = (take_level_survey(scene, 0, on=on, seed=2) for on in ("crown", "pan"))
    both = [r for k, r in enumerate(crown.readings) if k % 2] + [r for k, r in enumerate(pan.readings) if k % 3 == 0]
    mixed = replace(crown, readings=tuple(both))
    u, v, h = (np.array([getattr(r, name) for r in mixed.readings]) * 1000 for name in ("u_m", "v_m", "height_m"))
    sine, cosine = float(face.e_v[2]), float(face.normal[2])
    w = (h - v * sine) / cosine
    readings = Readings(u, v, h, tuple(r.on for r in both), (), (), True)
    points = np.column_stack([u, v * cosine - w * sine, v * sine + w * cosine])
    plane = replace(surface.face, frame=face_frame(np.zeros(3), np.array([0, -sine, cosine])))
    survey = Survey("level", "level", points, None, FRAME, (), (), readings)
    together = map_surface(survey, Roof((plane,), np.zeros(len(u), np.int16), ()), SurfaceConfig()).surfaces[0]
    assert np.sqrt(np.mean(errors(face, together) ** 2)) <= 3.0


def test_three_readings_are_refused_in_words() -> None:
    frame = face_frame(np.zeros(3), np.array([0, -0.5, 1.0]))
    plane = Plane("A", frame, Polygon([(0, 0), (1000, 0), (0, 1000)]), (), (), 3, 0.0, np.zeros((3, 3)))
    readings = Readings(np.zeros(3), np.zeros(3), np.zeros(3), ("", "", ""), (), (), True)
    survey = Survey("level", "level", np.zeros((3, 3)), None, FRAME, (), (), readings)
    with pytest.raises(RowplaneError, match="3 readings"):
        map_surface(survey, Roof((plane,), np.zeros(3, np.int16), ()), SurfaceConfig())
