"""Every reader gives the points that were written, whole, in any order; and refuses what is cut short or empty."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from rowplane.errors import RowplaneError
from rowplane.geometry import fit_plane
from rowplane.ingest.survey import READERS
from test_1_ingest import ingest_builders as make

STEP_M = 2e-5  # float32 local to the scan: 4 µm at 50 m, and the rounding back
CLOUDS = list(make.WRITERS)
SURFACES = list(make.SURFACES)


@pytest.mark.parametrize("kind", CLOUDS)
def test_points_come_back(kind: str, tmp_path: Path) -> None:
    points = make.roof_points()
    survey = make.read(make.WRITERS[kind](tmp_path / f"roof.{kind}", points))
    assert np.abs(make.in_metres(survey) - points).max() < STEP_M
    assert survey.points_mm.dtype == np.float32
    assert survey.sources[0].points == len(points)
    assert survey.sources[0].size_bytes == (tmp_path / f"roof.{kind}").stat().st_size


@pytest.mark.parametrize("kind", CLOUDS)
def test_shuffled_file_holds_the_same_points(kind: str, tmp_path: Path) -> None:
    points = make.roof_points()
    mixed = np.random.default_rng(3).permutation(points)
    a = make.in_metres(make.read(make.WRITERS[kind](tmp_path / f"a.{kind}", points)))
    b = make.in_metres(make.read(make.WRITERS[kind](tmp_path / f"b.{kind}", mixed)))
    assert np.abs(np.sort(a, axis=0) - np.sort(b, axis=0)).max() < STEP_M


@pytest.mark.parametrize("share", [0.97, 0.5, 0.05])
@pytest.mark.parametrize("kind", CLOUDS)
def test_file_cut_short_is_refused_or_counted(kind: str, share: float, tmp_path: Path) -> None:
    path = make.WRITERS[kind](tmp_path / f"roof.{kind}", make.roof_points())
    whole = path.read_bytes()
    cut = tmp_path / f"cut.{kind}"
    cut.write_bytes(whole[: int(len(whole) * share)])
    if kind in ("xyz", "csv"):
        # Text without a count cannot tell where it ended, unless in the middle of a row.
        cut.write_bytes(cut.read_bytes().rsplit(b"\n", 1)[0] + b"\n1.0")
    with pytest.raises(RowplaneError) as told:
        make.read(cut)
    assert str(cut) in told.value.subject
    assert all((told.value.found, told.value.allowed, told.value.hint))


@pytest.mark.parametrize("kind", [k for k in CLOUDS if k != "e57"])
def test_file_without_points_is_refused(kind: str, tmp_path: Path) -> None:
    path = make.WRITERS[kind](tmp_path / f"roof.{kind}", np.zeros((0, 3)))
    with pytest.raises(RowplaneError):
        make.read(path)


@pytest.mark.parametrize("kind", sorted(READERS))
def test_words_and_nothing_are_refused(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"roof{kind}"
    for content in (b"", b"the cat sat on the mat\n" * 200, bytes(range(256)) * 20):
        path.write_bytes(content)
        with pytest.raises(RowplaneError):
            make.read(path)


@pytest.mark.parametrize("kind", SURFACES)
def test_surfaces_become_points_on_them(kind: str, tmp_path: Path) -> None:
    survey = make.read(make.SURFACES[kind](tmp_path / f"roof.{kind}", np.zeros((0, 3))))
    z_up = (make.in_metres(survey) - 0.0) @ survey.frame.axes.T
    x, y, z = z_up.T
    assert np.abs(z - 3 - 0.5 * y).max() < 1e-4
    assert np.degrees(np.arctan(0.5)) == pytest.approx(np.degrees(np.arccos(fit_plane(survey.points_mm).normal[2])), abs=1e-3)
    assert (x.min(), x.max()) == pytest.approx((0, 12), abs=0.06)
    assert y.min() == pytest.approx(0, abs=0.11)
    if kind == "tif":
        assert len(z) == 120 * 29
        assert dict(survey.dropped) == {"raster cells without a height": 120}


@pytest.mark.parametrize("kind", SURFACES)
def test_surface_files_cut_short_are_refused(kind: str, tmp_path: Path) -> None:
    path = make.SURFACES[kind](tmp_path / f"roof.{kind}", np.zeros((0, 3)))
    whole = path.read_bytes()
    for share in (0.6, 0.1):
        path.write_bytes(whole[: int(len(whole) * share)])
        if kind == "obj" and share > 0.5:
            continue  # a text mesh cut between two lines is a smaller mesh
        with pytest.raises(RowplaneError):
            make.read(path)


@pytest.mark.parametrize("kind", ["obj", "stl", "glb"])
def test_a_mesh_of_shuffled_triangles_is_the_same_surface(kind: str, tmp_path: Path) -> None:
    mesh = make.roof_mesh(y_up=kind == "glb")
    rng = np.random.default_rng(3)
    order = rng.permutation(len(mesh.vertices))
    faces = np.argsort(order)[mesh.faces][rng.permutation(len(mesh.faces))]
    trimesh.Trimesh(mesh.vertices[order], faces, process=False).export(tmp_path / f"mixed.{kind}")
    a = make.read(make.write_mesh(tmp_path / f"roof.{kind}", np.zeros((0, 3))))
    b = make.read(tmp_path / f"mixed.{kind}")
    assert len(a.points_mm) == len(b.points_mm)
    counts = []
    for survey in (a, b):
        x, y, z = survey.frame.axes @ make.in_metres(survey).T
        assert np.abs(z - 3 - 0.5 * y).max() < 1e-4
        counts.append(np.histogram2d(x, y, bins=[12, 6], range=[[0, 12], [0, 6]])[0])
    # Both draw evenly by area: the difference of two Poisson counts stays within 5 sd.
    assert np.abs(counts[0] - counts[1]).max() < 5 * np.sqrt(2 * counts[0].mean())


def test_mesh_is_sampled_evenly_by_area(tmp_path: Path) -> None:
    path = make.write_mesh(tmp_path / "roof.obj", np.zeros((0, 3)))
    a, b = make.in_metres(make.read(path)), make.in_metres(make.read(path))
    assert np.array_equal(a, b)
    count, _, _ = np.histogram2d(a[:, 0], a[:, 1], bins=[12, 6], range=[[0, 12], [0, 6]])
    # Poisson counts of some 4,000 per cell stay within 5 sd.
    assert np.abs(count / count.mean() - 1).max() < 5 / np.sqrt(count.mean())


@pytest.mark.parametrize("flip", [False, True])
def test_y_up_is_recognised_and_configured(flip: bool, tmp_path: Path) -> None:
    mesh = make.roof_mesh(y_up=True)
    if flip:
        mesh.invert()
    mesh.export(tmp_path / "roof.obj")
    guessed = make.read(tmp_path / "roof.obj")
    assert [f.code for f in guessed.findings] == ["up-guessed"]
    told = make.read(tmp_path / "roof.obj", make.METRES.model_copy(update={"up": "y"}))
    assert not told.findings
    for survey in (guessed, told):
        assert np.abs(fit_plane(survey.points_mm).normal - np.array([0, -0.5, 1]) / np.sqrt(1.25)).max() < 1e-5
    back = make.in_metres(guessed)
    assert np.abs(back[:, 1] - 3 + 0.5 * back[:, 2]).max() < 1e-4  # in the file, height is y and north is −z


@pytest.mark.parametrize("encoding", ["ascii", "binary_little_endian", "binary_big_endian"])
@pytest.mark.parametrize("kind", ["double", "float"])
def test_ply_in_every_encoding(encoding: str, kind: str, tmp_path: Path) -> None:
    points = make.roof_points()
    survey = make.read(make.write_ply(tmp_path / "roof.ply", points, kind=kind, encoding=encoding))
    assert np.abs(make.in_metres(survey) - points).max() < STEP_M
    assert survey.classes is not None
    assert set(survey.classes) == {6}


@pytest.mark.parametrize(("size", "text"), [(4, False), (8, False), (8, True)])
def test_pcd_keeps_its_precision(size: int, text: bool, tmp_path: Path) -> None:
    far = 0.0 if size == 4 else 6_277_500.0
    points = make.moved(far / 10, far)
    survey = make.read(make.write_pcd(tmp_path / "roof.pcd", points, size=size, ascii_text=text))
    assert np.abs(make.in_metres(survey) - points).max() < STEP_M


@pytest.mark.parametrize("point_format", [0, 1, 3, 6, 7, 8])
@pytest.mark.parametrize("suffix", ["las", "laz"])
def test_las_formats_classes_and_flags(point_format: int, suffix: str, tmp_path: Path) -> None:
    # ASPRS classes, LAS 1.4 R15 tables 9 and 17 (CHECKS D-05): 7 is low noise everywhere, 18 noise in formats 6 to 10 only.
    points = make.roof_points()
    classes = np.full(len(points), 6)
    classes[:10], classes[10:25] = 7, 18
    withheld = np.zeros(len(points), bool)
    withheld[30:37] = True
    path = make.write_las(tmp_path / f"roof.{suffix}", points, point_format=point_format, classes=classes, withheld=withheld)
    survey = make.read(path)
    noise = 25 if point_format >= 6 else 10
    assert dict(survey.dropped) == {"classified as noise": noise, "flagged as withheld": 7}
    assert len(survey.points_mm) == len(points) - noise - 7
    assert survey.classes is not None
    assert set(survey.classes) == ({6} if point_format >= 6 else {6, 18})


@pytest.mark.parametrize(
    ("head", "mark", "decimals"),
    [
        ("", "\t", "."),
        ("# made by hand\n", " ", "."),
        ("//X Y Z\n", " ", "."),
        ("X;Y;Z\n", ";", ","),
        ("", " ", ","),
        ("northing,easting,elevation\n", ",", "."),
        ('"x","y","z"\n', ",", "."),
        ("a title of many words\nx y z\n", " ", "."),
    ],
)
def test_text_layouts(head: str, mark: str, decimals: str, tmp_path: Path) -> None:
    points = make.roof_points()
    survey = make.read(make.write_text(tmp_path / "roof.txt", points, head=head, mark=mark, decimals=decimals))
    expected = points[:, [1, 0, 2]] if head.startswith("northing") else points
    assert np.abs(make.in_metres(survey) - expected).max() < STEP_M


def test_pts_of_several_scans(tmp_path: Path) -> None:
    points = make.roof_points()
    path = make.write_text(tmp_path / "roof.pts", points[:1000], head="1000\n")
    with path.open("a") as stream:
        stream.write("2000\n" + "".join("{:.3f} {:.3f} {:.3f}\n".format(*p) for p in points[1000:]))
    assert np.abs(make.in_metres(make.read(path)) - points).max() < STEP_M


def test_points_that_are_none_are_counted(tmp_path: Path) -> None:
    points = make.roof_points()
    path = make.write_text(tmp_path / "roof.xyz", points)
    with path.open("a") as stream:
        stream.write("nan nan nan\ninf 1 2\n1e30 1 1\n-9999 -9999 -9999\n")
    survey = make.read(path)
    assert dict(survey.dropped) == {"coordinates that are not numbers": 2, "far from everything else": 2}
    assert len(survey.points_mm) == len(points)
    assert [f.value for f in survey.findings if f.code == "points-dropped"] == [2.0, 2.0]
