"""What is no scan is refused in words: subject, found, allowed, hint; nothing native gets through, memory stays small."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import numpy as np
import pytest

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.ingest import read_survey
from rowplane.watch import peak_memory_mb
from test_1_ingest import ingest_builders as make

POINT_COUNT_AT = 247  # uint64 point count of LAS 1.4 (ASPRS LAS 1.4 R15, CHECKS D-02)


def refused(path: Path, *words: str, config: IngestConfig = make.METRES) -> RowplaneError:
    with pytest.raises(RowplaneError) as told:
        make.read(path, config)
    assert all((told.value.subject, told.value.found, told.value.allowed, told.value.hint))
    for word in words:
        assert word in str(told.value)
    return told.value


def test_missing_folder_loop_and_unknown_ending(tmp_path: Path) -> None:
    refused(tmp_path / "none.laz", "no such file")
    (tmp_path / "folder.laz").mkdir()
    refused(tmp_path / "folder.laz", "a folder")
    (tmp_path / "loop.laz").symlink_to(tmp_path / "loop.laz")
    refused(tmp_path / "loop.laz", "leads back to itself")
    (tmp_path / "dangling.laz").symlink_to(tmp_path / "gone.laz")
    refused(tmp_path / "dangling.laz", "not there")
    (tmp_path / "scan.docx").write_bytes(b"x")
    refused(tmp_path / "scan.docx", "'.docx'", ".laz")
    (tmp_path / "scan").write_bytes(b"x")
    refused(tmp_path / "scan", "without an ending")
    os.mkfifo(tmp_path / "pipe.laz")
    refused(tmp_path / "pipe.laz", "not a file")
    with pytest.raises(RowplaneError, match="no file"):
        read_survey((), make.METRES)


@pytest.mark.skipif(os.geteuid() == 0, reason="permissions do not bind root")
def test_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = make.write_las(tmp_path / "roof.laz", make.roof_points())
    path.chmod(0)
    refused(path, "may not be read")


def test_file_that_opens_for_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # As the test above, where it cannot run: root may read everything.
    path = make.write_las(tmp_path / "roof.laz", make.roof_points())

    def shut(self: Path, *args: object, **more: object) -> object:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", shut)
    refused(path, "may not be read", "permissions")


@pytest.mark.parametrize("suffix", ["las", "laz"])
@pytest.mark.parametrize("promised", [10**12, 10**8, 3001])
def test_lying_header_takes_no_memory(suffix: str, promised: int, tmp_path: Path) -> None:
    path = make.write_las(tmp_path / f"roof.{suffix}", make.roof_points())
    content = bytearray(path.read_bytes())
    content[POINT_COUNT_AT : POINT_COUNT_AT + 8] = promised.to_bytes(8, "little")
    path.write_bytes(content)
    before = peak_memory_mb()
    refused(path)
    assert peak_memory_mb() - before < 50


@pytest.mark.parametrize(
    ("at", "size", "value"), [(100, 4, 4_000_000_000), (96, 4, 4_000_000_000), (243, 4, 9), (247 - 12, 8, 2**60)]
)
def test_lying_records_take_no_time(at: int, size: int, value: int, tmp_path: Path) -> None:
    # Number of records, offset to points, number and place of extended records (ASPRS LAS 1.4 R15, table 3).
    path = make.write_las(tmp_path / "roof.las", make.roof_points())
    content = bytearray(path.read_bytes())
    content[at : at + size] = value.to_bytes(size, "little")
    if at == 235:
        content[243:247] = (1).to_bytes(4, "little")
    path.write_bytes(content)
    before = peak_memory_mb()
    refused(path, "cut short or damaged")
    assert peak_memory_mb() - before < 50


def test_the_same_file_twice_is_refused(tmp_path: Path) -> None:
    path = make.write_las(tmp_path / "roof.laz", make.roof_points())
    copy = tmp_path / "copy.laz"
    copy.write_bytes(path.read_bytes())
    for pair in ((path, path), (path, copy)):
        with pytest.raises(RowplaneError, match="same file twice"):
            read_survey(pair, make.METRES)


@pytest.mark.parametrize("kind", ["ply", "pcd", "xyz", "csv", "pts"])
def test_nan_and_infinity_are_left_out_and_counted(kind: str, tmp_path: Path) -> None:
    points = make.roof_points()
    points[7], points[1000, 2], points[2999, 0] = np.nan, np.inf, -np.inf
    survey = make.read(make.WRITERS[kind](tmp_path / f"roof.{kind}", points))
    assert dict(survey.dropped) == {"coordinates that are not numbers": 3}
    assert np.isfinite(survey.points_mm).all()
    assert len(survey.points_mm) == len(points) - 3
    refused(make.WRITERS[kind](tmp_path / f"none.{kind}", np.full((500, 3), np.nan)))


@pytest.mark.parametrize("kind", ["ply", "pcd", "pts"])
def test_lying_counts_of_other_formats(kind: str, tmp_path: Path) -> None:
    path = make.WRITERS[kind](tmp_path / f"roof.{kind}", make.roof_points())
    before = peak_memory_mb()
    for promised in (b"1000000000000", b"3001"):
        path.write_bytes(make.WRITERS[kind](tmp_path / f"a.{kind}", make.roof_points()).read_bytes().replace(b"3000", promised))
        refused(path)
    assert peak_memory_mb() - before < 50


@pytest.mark.parametrize(("packed", "unpacked"), [(0xFFFFFFF0, 0), (0, 0xFFFFFFF0)])
def test_lying_compressed_pcd_takes_no_memory(packed: int, unpacked: int, tmp_path: Path) -> None:
    points = make.roof_points()
    path = make.write_packed_pcd(tmp_path / "roof.pcd", points)
    assert np.abs(make.in_metres(make.read(path)) - points).max() < 2e-6
    content = path.read_bytes()
    start = content.index(b"binary_compressed\n") + len(b"binary_compressed\n")
    true = [int.from_bytes(content[start + 4 * i : start + 4 * i + 4], "little") for i in (0, 1)]
    lie = b"".join((told or kept).to_bytes(4, "little") for told, kept in zip((packed, unpacked), true, strict=True))
    path.write_bytes(content[:start] + lie + content[start + 8 :])
    before = peak_memory_mb()
    refused(path, "unpacks to")
    assert peak_memory_mb() - before < 50


def test_text_longer_than_a_chunk_keeps_every_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rowplane.ingest.text.ROWS", 700)
    points = make.roof_points()
    for head in ("", "3000\n"):
        survey = make.read(make.write_text(tmp_path / "roof.pts", points, head=head))
        assert np.abs(make.in_metres(survey) - points).max() < 2e-5


@pytest.mark.parametrize("kind", list(make.WRITERS))
def test_damaged_bytes_end_in_words_or_points(kind: str, tmp_path: Path) -> None:
    content = make.WRITERS[kind](tmp_path / f"roof.{kind}", make.roof_points()).read_bytes()
    path = tmp_path / f"damaged.{kind}"
    finite = []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        broken = bytearray(content)
        reach = len(content) if seed % 2 else min(600, len(content))
        # One bit that leaves a digit a digit, or a dozen bytes.
        for at in rng.integers(0, reach, 1 if seed % 4 < 2 else 12):
            broken[at] = broken[at] ^ 1 if seed % 4 < 2 else int(rng.integers(256))
        path.write_bytes(broken)
        with contextlib.suppress(RowplaneError):
            finite.append(np.isfinite(make.read(path).points_mm).all())
    assert all(finite)
    # Both ends come; pages of an E57 file have checksums.
    assert len(finite) < 16
    assert finite or kind == "e57"


@pytest.mark.parametrize(
    ("points", "word"),
    [
        (np.tile([1.0, 2.0, 3.0], (500, 1)), "all the same"),
        (np.outer(np.arange(500), [0.01, 0.02, 0.005]) + 5, "one line"),
        (make.roof_points(3), "3 points"),
        (make.roof_points() * 0.01, "no roof"),
    ],
)
def test_clouds_that_show_no_roof(points: np.ndarray, word: str, tmp_path: Path) -> None:
    refused(make.write_las(tmp_path / "roof.laz", points), word)


def test_wrong_columns_and_rows_are_named(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text("name,age,height\nann,30,170\nbob,40,180\n")
    refused(path, "name, age, height")
    path.write_text("u_m,v_m,reading_m\n" + "1,2,3\n" * 10)
    refused(path, "reading_m", "staff_")
    text = make.write_text(tmp_path / "roof.xyz", make.roof_points()).read_text().splitlines()
    text[1234] = "1.0 two 3.0"
    (tmp_path / "roof.xyz").write_text("\n".join(text))
    refused(tmp_path / "roof.xyz", "number 1,235")


@pytest.mark.parametrize("kind", ["ply", "xyz", "pcd", "las"])
def test_float32_that_lost_its_millimetres_is_refused_with_its_step(kind: str, tmp_path: Path) -> None:
    far = make.moved(770500, 6277500).astype(np.float32)
    writers = {"ply": lambda p, x: make.write_ply(p, x, kind="float"), "pcd": lambda p, x: make.write_pcd(p, x, size=4)}
    path = writers.get(kind, make.WRITERS[kind])(tmp_path / f"roof.{kind}", far.astype(float))
    # Spacing of IEEE 754 binary32 at 6,277,500 is 0.5.
    refused(path, "500 mm along y")


def test_large_coordinates_lose_nothing(tmp_path: Path) -> None:
    near = make.roof_points()
    far = make.moved(5000000, 6277500, 200)
    for kind in ("laz", "ply", "xyz"):
        a = make.read(make.WRITERS[kind](tmp_path / f"near.{kind}", near)).points_mm
        b = make.read(make.WRITERS[kind](tmp_path / f"far.{kind}", far)).points_mm
        assert np.abs(a - b).max() < 0.01


def test_files_of_one_lead_must_agree(tmp_path: Path) -> None:
    auto = IngestConfig()
    metres = make.write_las(tmp_path / "m.laz", make.roof_points())
    feet = make.write_las(tmp_path / "ft.laz", make.roof_points() / 0.3048)
    with pytest.raises(RowplaneError, match="same size in two units"):
        read_survey((metres, feet), auto)
    grid = make.write_las(tmp_path / "g.laz", make.moved(500000, 5500000), crs=32632)
    other = make.write_las(tmp_path / "h.laz", make.moved(500000, 5500000), crs=32633)
    with pytest.raises(RowplaneError, match="one coordinate system"):
        read_survey((grid, other), auto)
    level = tmp_path / "sheet.csv"
    level.write_text("u_m,v_m,staff_m\n" + "".join(f"{i},{j},{2 - 0.5 * j}\n" for i in range(3) for j in range(3)))
    with pytest.raises(RowplaneError, match="level survey"):
        read_survey((metres, level), auto)
    with pytest.raises(RowplaneError, match="apart"):
        read_survey((metres, make.write_las(tmp_path / "far.laz", make.moved(90000, 0))), auto)


def test_two_files_give_the_points_of_one(tmp_path: Path) -> None:
    points = make.roof_points()
    whole = make.read(make.write_las(tmp_path / "whole.laz", points))
    parts = (
        make.write_las(tmp_path / "a.laz", points[:1000]),
        make.write_las(tmp_path / "b.laz", points[1000:], point_format=3),
    )
    split = read_survey(parts, make.METRES)
    assert np.abs(make.in_metres(split) - make.in_metres(whole)).max() < 1e-5
    assert [s.points for s in split.sources] == [1000, 2000]
