"""The verdict for foot heights: what makes a scan unfit is found, measured and said with a cure."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from rowplane.frames import face_frame, face_to_survey
from rowplane.ingest import judge_scan
from rowplane.model import (
    Array,
    Edge,
    Face,
    Readings,
    Roof,
    ScanQuality,
    SourceFile,
    Surface,
    Surfaces,
    Survey,
    SurveyFrame,
)

FRAME = SurveyFrame(np.zeros(3), np.eye(3), "m", 1000.0, 1000.0)
WIDE, DEEP = 10_000.0, 5_000.0
DENSITY = 400


@dataclass(frozen=True)
class Flat:
    """A substrate without height, known to `sd_mm`."""

    sd_mm: float

    def mean_mm(self, uv_mm: Array) -> Array:
        return np.zeros(len(uv_mm))

    def covariance_mm2(self, uv_mm: Array, other_uv_mm: Array | None = None) -> Array:
        return np.full((len(uv_mm), len(uv_mm if other_uv_mm is None else other_uv_mm)), self.sd_mm**2)


def turned(rotation: Array, pitch_deg: float, azimuth_deg: float, letter: str, other: str) -> Face:
    """One slope of a gable with its eave 5 m from the ridge in the slope's direction, the whole house turned."""
    slope, look = np.radians(pitch_deg), np.radians(azimuth_deg)
    out = np.array([np.sin(look), np.cos(look), 0.0])
    normal = np.sin(slope) * out + np.array([0, 0, np.cos(slope)])
    along = np.array([-np.cos(look), np.sin(look), 0.0])
    eave_left = DEEP * (np.cos(slope) * out - np.array([0, 0, np.sin(slope)])) - along * WIDE / 2
    frame = face_frame(rotation @ eave_left, rotation @ normal)
    outline = box(0, 0, WIDE, DEEP)
    edges = (Edge("ridge", (WIDE, DEEP), (0.0, DEEP), other), Edge("eave", (0.0, 0.0), (WIDE, 0.0)))
    return Face(letter, frame, outline, edges, (), 0, 0.0, np.zeros((3, 3)))


def tilt(along_deg: float, across_deg: float) -> Array:
    """Small turn: the ridge (north-south) rises northwards by `along_deg`, the east side by `across_deg`."""
    a, b = np.radians([along_deg, across_deg])
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_y = np.array([[np.cos(b), 0, -np.sin(b)], [0, 1, 0], [np.sin(b), 0, np.cos(b)]])
    return about_x @ about_y


def scanned(
    faces: tuple[Face, ...],
    *,
    noise_mm: float = 5.0,
    density: float = DENSITY,
    sd_mm: float = 1.0,
    own: Array | None = None,
    hole: Polygon | None = None,
    form: str = "LAZ 1.4, point format 7",
    step_mm: float = 1.0,
) -> ScanQuality:
    """Points strewn on the faces, labelled, with a mapped substrate."""
    rng = np.random.default_rng(4)
    clouds, labels = [], []
    for i, face in enumerate(faces):
        count = int(density * face.area_m2)
        uvw = np.column_stack([rng.uniform(0, WIDE, count), rng.uniform(0, DEEP, count), rng.normal(0, noise_mm, count)])
        if hole is not None:
            west, south, east, north = hole.bounds
            uvw = uvw[~((uvw[:, 0] > west) & (uvw[:, 0] < east) & (uvw[:, 1] > south) & (uvw[:, 1] < north))]
        clouds.append(face_to_survey(face.frame, uvw))
        labels.append(np.full(len(uvw), i, np.int16))
    points = np.vstack(clouds) if clouds else np.random.default_rng(0).uniform(0, 9000, (500, 3))
    label = np.concatenate(labels) if labels else np.full(500, -1, np.int16)
    survey = Survey("s", "cloud", points, None, FRAME, (SourceFile("s.laz", 1, "", len(points), form),), step_mm=step_mm)
    return judge_scan(survey, Roof(faces, label, ()), surfaces_of(faces, noise_mm, sd_mm, own), 5.0)


def surfaces_of(faces: tuple[Face, ...], noise_mm: float, sd_mm: float, own: Array | None) -> Surfaces:
    height = np.zeros((50, 100)) if own is None else own
    return Surfaces(
        tuple(
            Surface(
                face,
                None,
                Flat(sd_mm),
                noise_mm,
                0.0,
                0.0,
                0.0,
                np.array([50.0, 50.0]),
                100.0,
                height,
                np.full(height.shape, sd_mm),
                None,
                (),
                "",
            )
            for face in faces
        )
    )


def gable(rotation: Array | None = None, pitches: tuple[float, float] = (30.0, 30.0)) -> tuple[Face, ...]:
    spin = np.eye(3) if rotation is None else rotation
    return (turned(spin, pitches[0], 90.0, "A", "B"), turned(spin, pitches[1], 270.0, "B", "A"))


def test_a_good_scan_is_good() -> None:
    quality = scanned(gable())
    assert quality.verdict == "good"
    assert not quality.findings
    assert quality.points == quality.points_on_roof == 2 * DENSITY * 50
    assert quality.density_per_m2 == pytest.approx(DENSITY, rel=0.05)
    assert quality.density_ratio < 1.5
    assert quality.hole_share < 0.005
    assert quality.tilt_deg < 0.05


def test_noise_without_a_surface_comes_from_neighbours() -> None:
    faces = gable()
    survey_noise = 12.0
    rng = np.random.default_rng(1)
    uvw = np.column_stack([rng.uniform(0, WIDE, 20_000), rng.uniform(0, DEEP, 20_000), rng.normal(0, survey_noise, 20_000)])
    survey = Survey("s", "cloud", face_to_survey(faces[0].frame, uvw), None, FRAME, ())
    quality = judge_scan(survey, Roof(faces[:1], np.zeros(20_000, np.int16), ()), Surfaces(()), 5.0)
    assert quality.noise_mm == pytest.approx(survey_noise, rel=0.05)
    assert quality.verdict == "not fit"


@pytest.mark.parametrize(("along", "across"), [(3.4, 0.0), (0.0, 2.0), (1.5, -1.5)])
def test_a_tilted_survey_is_suspected(along: float, across: float) -> None:
    quality = scanned(gable(tilt(along, across)))
    assert quality.tilt_deg == pytest.approx(np.hypot(along, across), abs=0.15)
    assert quality.verdict == "measure some feet"
    assert any("tilted" in reason for reason in quality.reasons)


def test_a_house_with_two_pitches_is_not_a_tilted_survey() -> None:
    assert scanned(gable(pitches=(25.0, 45.0))).tilt_deg < 0.05


@pytest.mark.parametrize(("amplitude", "verdict"), [(150.0, "not fit"), (12.0, "measure some feet"), (3.0, "good")])
def test_bubbles_are_no_roof(amplitude: float, verdict: str) -> None:
    u, v = np.meshgrid(np.arange(100) * 0.1, np.arange(50) * 0.1)
    own = amplitude * np.sin(2 * np.pi * u / 2.1) * np.sin(2 * np.pi * v / 1.7 + 0.4) * np.sqrt(2)
    quality = scanned(gable(), own=own)
    assert quality.verdict == verdict
    assert quality.bubble_mm == pytest.approx(amplitude, rel=0.4)
    # Outlines and pitches need far less than foot heights: that much is said whenever the heights are not good.
    assert ("good enough for faces, their areas and the number of modules" in " ".join(quality.reasons)) == (verdict != "good")
    assert ("15 is the limit" in quality.reasons[0]) == (verdict == "not fit")


def test_sag_and_bow_are_roof() -> None:
    u, v = np.meshgrid(np.linspace(-1, 1, 100), np.linspace(-1, 1, 50))
    assert scanned(gable(), own=-40 * (1 - u**2) - 25 * (1 - v**2)).bubble_mm < 0.1


@pytest.mark.parametrize(
    ("change", "word", "verdict"),
    [
        ({"density": 12}, "12 points/m²", "not fit"),
        ({"noise_mm": 45.0}, "scatter", "not fit"),
        ({"sd_mm": 20.0}, "known within 5 mm", "not fit"),
        ({"step_mm": 31.0}, "steps of 31 mm", "measure some feet"),
        ({"hole": box(1000, 0, 9000, 4000)}, "no points", "measure some feet"),
        ({"form": "mesh OBJ, 24 faces"}, "mesh", "measure some feet"),
        ({"form": "height raster, 10 × 10 cells"}, "raster", "measure some feet"),
    ],
)
def test_each_fault_is_named(change: dict[str, object], word: str, verdict: str) -> None:
    quality = scanned(gable(), **change)  # type: ignore[arg-type]
    assert quality.verdict == verdict
    assert any(word in reason for reason in quality.reasons)
    assert [f.code for f in quality.findings] == ["scan-not-fit" if verdict == "not fit" else "scan-quality"]


def test_holes_are_measured() -> None:
    # 32 of 50 m² on each slope.
    assert scanned(gable(), hole=box(1000, 0, 9000, 4000)).hole_share == pytest.approx(0.64, abs=0.06)


def test_no_face_is_not_fit() -> None:
    quality = scanned(())
    assert quality.verdict == "not fit"
    assert quality.points_on_roof == 0
    assert all(np.isfinite([quality.density_per_m2, quality.density_ratio, quality.noise_mm, quality.hole_share]))


def test_a_level_survey_is_judged_by_what_it_knows() -> None:
    face = gable()[0]
    u, v = (a.ravel() for a in np.meshgrid(np.arange(0, WIDE, 1000), np.arange(0, DEEP, 1000)))
    points = face_to_survey(face.frame, np.column_stack([u, v, np.zeros(len(u))]))
    readings = Readings(u, v, points[:, 2], ("board",) * len(u), ("",) * len(u), ("",) * len(u), True)
    survey = Survey("s", "level", points, None, FRAME, (), readings=readings)
    roof = Roof((replace(face, edges=()),), np.zeros(len(u), np.int16), ())
    for sd, verdict in ((1.0, "good"), (9.0, "not fit")):
        assert judge_scan(survey, roof, surfaces_of((face,), 1.5, sd, None), 5.0).verdict == verdict
