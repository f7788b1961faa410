"""The whole job on one small house, moved, turned, mirrored, in other units, formats and pieces: nothing changes that should not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from rowplane.leads import load_lead
from rowplane.model import RoofResult
from rowplane.roof import survey_to_layout
from scenes import BARE, ScanOptions, Size, make_scene
from test_1_ingest import ingest_builders as make

Array = NDArray[np.float64]
SCENE = make_scene(
    "gable", 6, size=Size(7.0, 6.4, 33, 33, 5, 5, 3.0), turn_deg=20, origin_m=(0, 0, 0), scan=ScanOptions(density=250), clutter=BARE
)
POINTS = np.round(SCENE.points, 3)
STEP_MM = 0.5
"""A quarter turn of the default thread: a height that falls between two may go either way."""


def job(*scans: Path, unit: str = "m") -> RoofResult:
    lead = scans[0].parent / "lead.toml"
    names = ", ".join(f'"{scan.name}"' for scan in scans)
    lead.write_text(f'name = "n"\nscan = [{names}]\n[ingest]\nunit = "{unit}"\n[rafters]\nspacing_mm = 700\nfirst_mm = 300\n')
    return survey_to_layout(load_lead(lead))


@pytest.fixture(scope="module")
def as_it_is(tmp_path_factory: pytest.TempPathFactory) -> RoofResult:
    result = job(make.write_las(tmp_path_factory.mktemp("plain") / "roof.las", POINTS))
    assert len(result.levels.feet) > 10
    return result


def same(one: RoofResult, two: RoofResult, seat_mm: float, place_mm: float) -> None:
    """Arrays, modules and feet of the same ids at the same places on their faces, their seats at the same height."""
    a, b = ({f.id: f for f in r.plan.feet} for r in (one, two))
    assert a.keys() == b.keys()
    assert [len(x.modules) for x in one.layout.arrays] == [len(x.modules) for x in two.layout.arrays]
    assert max(abs(a[i].u_mm - b[i].u_mm) for i in a) <= place_mm
    assert max(abs(a[i].v_mm - b[i].v_mm) for i in a) <= place_mm
    first, second = (np.array([f.rail_height_mm + f.lift_mm + f.packer_mm for f in r.levels.feet]) for r in (one, two))
    assert np.abs(first - second).max() < seat_mm + STEP_MM


def turned(points: Array, degrees: float) -> Array:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return points @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])


def test_in_two_files_far_away_in_feet_and_shuffled(as_it_is: RoofResult, tmp_path: Path) -> None:
    """The short form: all that changes no measurement at once."""
    points = np.random.default_rng(1).permutation(POINTS + np.array([2000.0, 7000.0, 300.0])) / 0.3048
    halves = np.array_split(points, 2)
    files = [make.write_ply(tmp_path / f"{k}.ply", half) for k, half in enumerate(halves)]
    same(as_it_is, job(*files, unit="ft"), 0.5, 3)


@pytest.mark.long
@pytest.mark.parametrize("kind", ["laz", "ply", "xyz", "pcd", "e57", "pts", "csv"])
def test_in_every_format(kind: str, as_it_is: RoofResult, tmp_path: Path) -> None:
    path = tmp_path / f"roof.{kind}"
    make.WRITERS[kind](path, POINTS)
    # The E57 builder splits the scan in two by poses, which puts the points in another order.
    same(as_it_is, job(path), 0.5 if kind == "e57" else 0.1, 1)


@pytest.mark.long
@pytest.mark.parametrize("move", [(5.0, 3.0, 0.0), (500_000.0, 5_500_000.0, 400.0)])
def test_moved(move: tuple[float, float, float], as_it_is: RoofResult, tmp_path: Path) -> None:
    same(as_it_is, job(make.write_las(tmp_path / "roof.laz", POINTS + move)), 0.3, 2)


@pytest.mark.long
@pytest.mark.parametrize(("unit", "factor"), [("mm", 1000), ("ft", 1 / 0.3048), ("in", 1 / 0.0254), ("us-ft", 3937 / 1200)])
def test_in_another_unit(unit: str, factor: float, as_it_is: RoofResult, tmp_path: Path) -> None:
    same(as_it_is, job(make.write_ply(tmp_path / "roof.ply", POINTS * factor), unit=unit), 0.1, 1)


@pytest.mark.long
@pytest.mark.parametrize("degrees", [90.0, 17.0, 180.0, 271.0])
def test_turned(degrees: float, as_it_is: RoofResult, tmp_path: Path) -> None:
    """Faces are named by where they look, so the two may change names; what lies on them may not."""
    result = job(make.write_las(tmp_path / "roof.laz", turned(POINTS, degrees)))
    assert abs(len(result.levels.feet) - len(as_it_is.levels.feet)) <= 2
    assert sorted(len(a.modules) for a in result.layout.arrays) == sorted(len(a.modules) for a in as_it_is.layout.arrays)
    assert spread(result) == pytest.approx(spread(as_it_is), abs=1.5)


@pytest.mark.long
def test_mirrored(as_it_is: RoofResult, tmp_path: Path) -> None:
    """A mirrored house has tiles that lap the other way, so the datum moves; the substrate's range stays."""
    result = job(make.write_las(tmp_path / "roof.laz", POINTS * [-1.0, 1.0, 1.0]))
    assert sorted(len(a.modules) for a in result.layout.arrays) == sorted(len(a.modules) for a in as_it_is.layout.arrays)
    assert spread(result) == pytest.approx(spread(as_it_is), abs=2.0)


def spread(result: RoofResult) -> list[float]:
    """Standard deviation of the substrate's mean height over each face, mm, smallest first."""
    found = []
    for surface in result.surfaces.surfaces:
        u0, v0, u1, v1 = surface.face.outline.bounds
        u, v = np.meshgrid(np.linspace(u0 + 500, u1 - 500, 12), np.linspace(v0 + 500, v1 - 500, 8))
        found.append(float(np.std(surface.height.mean_mm(np.column_stack([u.ravel(), v.ravel()])))))
    return sorted(found)
