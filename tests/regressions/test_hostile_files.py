"""What broken files did once: each of these ended in a traceback, in memory taken by a lie, or in numbers that were wrong."""

from __future__ import annotations

import json
import os
import struct
from pathlib import Path

import numpy as np
import pytest

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.watch import peak_memory_mb
from test_1_ingest import ingest_builders as make

POINTS = make.roof_points(500)
MAXIMA_AT = 179  # greatest x, double (ASPRS LAS 1.4 R15, table 3)
SCALES_AT = 131


@pytest.mark.parametrize("lie", [1e9, 1e300, float("inf")])
def test_a_las_box_that_lies_costs_no_precision(lie: float, tmp_path: Path) -> None:
    path = make.write_las(tmp_path / "roof.las", POINTS)
    content = bytearray(path.read_bytes())
    struct.pack_into("<d", content, MAXIMA_AT, lie)
    path.write_bytes(content)
    assert np.abs(make.in_metres(make.read(path)) - POINTS).max() < 1e-5


@pytest.mark.parametrize("scale", [1e300, -0.001, float("nan"), 0.0])
def test_las_scales_that_no_map_has_are_refused(scale: float, tmp_path: Path) -> None:
    path = make.write_las(tmp_path / "roof.las", POINTS)
    content = bytearray(path.read_bytes())
    struct.pack_into("<d", content, SCALES_AT, scale)
    path.write_bytes(content)
    with pytest.raises(RowplaneError, match="coordinate scales"):
        make.read(path)


@pytest.mark.parametrize("size", ["9" * 400, "0", "3", "-8"])
def test_pcd_field_sizes_are_those_of_numbers(size: str, tmp_path: Path) -> None:
    path = make.write_pcd(tmp_path / "roof.pcd", POINTS)
    path.write_bytes(path.read_bytes().replace(b"SIZE 8", f"SIZE {size}".encode()))
    with pytest.raises(RowplaneError, match="numbers do not fit together"):
        make.read(path)


@pytest.mark.parametrize(("key", "points"), [("\tDATA", 500), ("  DATA", 500), ("data", 0)])
def test_a_pcd_header_that_does_not_stand_at_the_margin(key: str, points: int, tmp_path: Path) -> None:
    """Where the packed block starts was looked for by the bare word, past the end of the file and on for ever."""
    path = make.write_packed_pcd(tmp_path / "roof.pcd", POINTS)
    path.write_bytes(path.read_bytes().replace(b"DATA", key.encode(), 1))
    if points:
        assert len(make.read(path).points_mm) == points
    else:
        with pytest.raises(RowplaneError, match="0 points"):
            make.read(path)


def test_a_ply_header_that_ends_in_more_words(tmp_path: Path) -> None:
    path = make.write_ply(tmp_path / "roof.ply", POINTS, encoding="ascii")
    path.write_bytes(path.read_bytes().replace(b"end_header\n", b"end_header of it\n", 1))
    assert len(make.read(path).points_mm) == len(POINTS)


@pytest.mark.parametrize("kind", ["xyz", "pts", "csv", "ply", "level"])
def test_a_line_without_end_is_not_taken_into_memory(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"roof.{'csv' if kind == 'level' else kind}"
    if kind == "level":
        path.write_text("u_m,v_m,staff_m\n" + "".join(f"{k % 9},{k // 9},{2 - k / 50}\n" for k in range(90)))
    elif kind == "ply":
        make.write_ply(path, POINTS, encoding="ascii")
    else:
        make.WRITERS[kind](path, POINTS)
    content = path.read_bytes()
    path.write_bytes(content[:-2])
    with path.open("ab") as stream:
        stream.truncate(100_000_000)  # nothing but zeros, and no room taken on disk
    before = peak_memory_mb()
    with pytest.raises(RowplaneError, match=r"a line of more than 65,536 bytes"):
        make.read(path)
    assert peak_memory_mb() - before < 50


def test_a_quote_that_never_ends(tmp_path: Path) -> None:
    """The module that reads CSV has a limit of its own for a field, and an error of its own."""
    from rowplane.ingest import read_field_readings

    endless = '"' + ("note " * 2000 + "\n") * 20
    (tmp_path / "levels.csv").write_text("u_m,v_m,staff_m,point\n0,0,2,\n1,0,2,\n1,1,1.5," + endless)
    with pytest.raises(RowplaneError, match="field larger than"):
        make.read(tmp_path / "levels.csv")
    (tmp_path / "readings.csv").write_text("id,kind,value_mm,note\nA1-0-1,height,1200," + endless)
    with pytest.raises(RowplaneError, match="field larger than"):
        read_field_readings(tmp_path / "readings.csv")


def test_obj_vertices_that_are_not_in_space(tmp_path: Path) -> None:
    (tmp_path / "roof.obj").write_text("v 0\nv 1\nv 2\nf 1 2 3\n")
    with pytest.raises(RowplaneError):
        make.read(tmp_path / "roof.obj")


def gltf(path: Path, change: dict[str, object], nodes: int = 0) -> Path:
    """The small roof as GLB, its accessors without a view changed, and its mesh hung on further nodes."""
    data = make.write_mesh(path, POINTS).read_bytes()
    (length,) = struct.unpack_from("<I", data, 12)
    told = json.loads(data[20 : 20 + length])
    if change:
        told["accessors"] = [{k: v for k, v in a.items() if k != "bufferView"} | change for a in told["accessors"]]
    mesh_node = next(i for i, node in enumerate(told["nodes"]) if "mesh" in node)
    told["nodes"] += [{"name": f"again {k}", "mesh": told["nodes"][mesh_node]["mesh"]} for k in range(nodes)]
    root = told["scenes"][told["scene"]]["nodes"]
    root += range(len(told["nodes"]) - nodes, len(told["nodes"]))
    text = json.dumps(told).encode()
    text += b" " * (-len(text) % 4)
    body = struct.pack("<II", len(text), 0x4E4F534A) + text + data[20 + length :]
    path.write_bytes(data[:8] + struct.pack("<I", 12 + len(body)) + body)
    return path


def test_gltf_counts_take_no_memory(tmp_path: Path) -> None:
    path = gltf(tmp_path / "roof.glb", {"count": 500_000_000})
    before = peak_memory_mb()
    with pytest.raises(RowplaneError, match="1,000,000,000 numbers"):
        make.read(path)
    assert peak_memory_mb() - before < 50


def test_gltf_chunks_lie_in_the_file(tmp_path: Path) -> None:
    path = make.write_mesh(tmp_path / "roof.glb", POINTS)
    content = bytearray(path.read_bytes())
    (length,) = struct.unpack_from("<I", content, 12)
    struct.pack_into("<I", content, 20 + length, 4_000_000_000)
    path.write_bytes(content)
    with pytest.raises(RowplaneError, match="a chunk of 4,000,000,000 bytes"):
        make.read(path)


def test_a_mesh_hung_on_many_nodes_counts_each_time(tmp_path: Path) -> None:
    path = gltf(tmp_path / "roof.glb", {}, nodes=60)
    with pytest.raises(RowplaneError, match="1,464 faces, each instance counted"):
        make.read(path, IngestConfig(max_points=1000))
    assert len(make.read(path).points_mm)


def test_a_mesh_looks_for_nothing_beside_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = make.write_mesh(tmp_path / "roof.obj", POINTS)
    (tmp_path / "secret.mtl").write_text("newmtl a\nKd 1 0 0\n")
    path.write_text("mtllib secret.mtl\nusemtl a\n" + path.read_text())
    opened = []
    keep = open

    def listen(file: object, *args: object, **kwargs: object) -> object:
        opened.append(str(file))
        return keep(file, *args, **kwargs)  # type: ignore[call-overload]

    monkeypatch.setattr("builtins.open", listen)
    make.read(path)
    assert str(path) in opened
    assert not any("secret" in name for name in opened)


@pytest.mark.parametrize("value", ["1e308", "-1e200"])
def test_readings_that_no_roof_has_name_their_line(value: str, tmp_path: Path) -> None:
    (tmp_path / "levels.csv").write_text(f"u_m,v_m,staff_m\n0,0,2\n1,0,2\n{value},1,1.5\n1,1,1.5\n2,1,1.5\n")
    with pytest.raises(RowplaneError, match="line 4"):
        make.read(tmp_path / "levels.csv")


@pytest.mark.parametrize(
    "text",
    [
        '{"type": "Polygn", "coordinates": [[[0,0],[1,0],[1,1],[0,0]]]}',
        '{"type": "Polygon", "coordinates": [[[0,0],[' + "9" * 400 + ",0],[1,1],[0,0]]]}",
        "[" * 100_000,
    ],
)
def test_footprints_that_are_none(text: str, tmp_path: Path) -> None:
    (tmp_path / "roof.geojson").write_text(text)
    path = make.write_las(tmp_path / "roof.las", POINTS)
    with pytest.raises(RowplaneError, match=r"ingest\.footprint"):
        make.read(path, IngestConfig(unit="m", footprint=str(tmp_path / "roof.geojson")))


EXTENDED = (
    'PROJCS["a",GEOGCS["b",DATUM["c",SPHEROID["d",6378137,298]],PRIMEM["e",0],UNIT["degree",0.0174532925199433]],'
    'PROJECTION["Transverse_Mercator"],PARAMETER["central_meridian",9],UNIT["metre",1],EXTENSION["PROJ4","+proj=tmerc +lon_0=9 {}"]]'
)


@pytest.mark.parametrize(
    "text",
    [
        "+init={0}:x", "{0}", "+proj=utm +zone=32 +nadgrids={0} +type=crs", "PROJ4:+init={0}:x", EXTENDED.format("+nadgrids={0}"),
        EXTENDED.format("+init={0}:x"), EXTENDED.format("+nadgrids=@null,{0}"),
        EXTENDED.format("").replace('298]', '298],EXTENSION["PROJ4_GRIDS","{0}"]'),
    ],
)  # fmt: skip
def test_a_coordinate_system_names_no_file(text: str, tmp_path: Path) -> None:
    """The library opened whatever file a lead's or a scan's text named, and would have waited for this pipe."""
    os.mkfifo(tmp_path / "pipe")
    path = make.write_las(tmp_path / "roof.las", POINTS)
    with pytest.raises(RowplaneError, match="a coordinate system that cannot be read"):
        make.read(path, IngestConfig(crs=text.format(tmp_path / "pipe")))


def test_a_raster_reads_nothing_that_lies_beside_it(tmp_path: Path) -> None:
    path = make.write_raster(tmp_path / "roof.tif", POINTS)
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "roof.tif.aux.xml").write_text(f"<PAMDataset><SRS>+init={tmp_path / 'pipe'}:x</SRS></PAMDataset>")
    assert make.read(path, IngestConfig(unit="m")).frame.crs_wkt is None


def test_coordinate_systems_by_code_and_text_are_read(tmp_path: Path) -> None:
    import pyproj

    path = make.write_las(tmp_path / "roof.las", POINTS + np.array([500_000.0, 5_500_000.0, 0.0]))
    wkt = pyproj.CRS.from_epsg(25832)
    for text in ("EPSG:25832", "urn:ogc:def:crs:EPSG::25832", wkt.to_wkt(), wkt.to_wkt("WKT1_GDAL"), wkt.to_wkt(pretty=True)):
        assert make.read(path, IngestConfig(crs=text)).frame.epsg == 25832


def test_a_tif_that_is_something_else_is_not_opened(tmp_path: Path) -> None:
    make.write_raster(tmp_path / "secret.bin", POINTS)
    source = "<SimpleSource><SourceFilename>{}</SourceFilename><SourceBand>1</SourceBand></SimpleSource>"
    (tmp_path / "lead").mkdir()
    (tmp_path / "lead" / "roof.tif").write_text(
        '<VRTDataset rasterXSize="120" rasterYSize="30"><GeoTransform>0,0.1,0,6,0,-0.2</GeoTransform>'
        f'<VRTRasterBand dataType="Float32" band="1">{source.format(tmp_path / "secret.bin")}</VRTRasterBand></VRTDataset>'
    )
    with pytest.raises(RowplaneError, match="GeoTIFF"):
        make.read(tmp_path / "lead" / "roof.tif")


def e57_with(path: Path, doctype: str, put: bytes) -> Path:
    """A whole E57 file with a document type, and `put` for the number of its first scan's temperature or name."""
    from fuzz import fields

    data = fields.e57_open(make.write_e57(path, POINTS).read_bytes())
    start, end = fields.e57_text(data)
    text = data[start:end].replace(b"?>", b"?>" + doctype.encode(), 1).replace(b"<name type=\"String\">", b"<name type=\"String\">" + put)
    path.write_bytes(fields.e57_seal(fields.e57_mend(data[:start] + text)))
    return path


def test_e57_entities_are_refused_before_they_grow(tmp_path: Path) -> None:
    bomb = "".join(f'<!ENTITY a{k} "{f"&a{k - 1};" * 10 if k else "x" * 10}">' for k in range(9))
    path = e57_with(tmp_path / "roof.e57", f"<!DOCTYPE e57Root [{bomb}]>", b"&a8;")
    with pytest.raises(RowplaneError, match="document type"):
        make.read(path)
    assert len(make.read(e57_with(tmp_path / "plain.e57", "", b"")).points_mm) == len(POINTS)


@pytest.mark.parametrize(
    "more", [b'<a type="Structure">' * 70 + b"</a>" * 70, b"".join(b'<a%d type="Integer"/>' % k for k in range(1001))]
)
def test_e57_elements_that_take_their_square_in_time(more: bytes, tmp_path: Path) -> None:
    """A file of 5 MB, 200,000 elements within each other, kept the library busy for minutes."""
    from fuzz import fields

    data = fields.e57_open(make.write_e57(tmp_path / "roof.e57", POINTS).read_bytes())
    start, end = fields.e57_text(data)
    text = data[start:end].replace(b"</e57Root>", more + b"</e57Root>")
    (tmp_path / "roof.e57").write_bytes(fields.e57_seal(fields.e57_mend(data[:start] + text)))
    with pytest.raises(RowplaneError, match="up to 1,000 and 64"):
        make.read(tmp_path / "roof.e57")


def test_an_earlier_result_that_is_encrypted_or_a_link(tmp_path: Path) -> None:
    import zipfile

    from rowplane.ingest import read_earlier_result

    with zipfile.ZipFile(tmp_path / "posterior.npz", "w") as packed:
        packed.writestr("arrays.npy", b"\x93NUMPY")
    content = bytearray((tmp_path / "posterior.npz").read_bytes())
    for mark, skip in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):  # general purpose bit flag (APPNOTE 6.3.10, 4.4.4)
        content[content.index(mark) + skip] |= 1
    (tmp_path / "posterior.npz").write_bytes(content)
    for name in ("result.json", "record.json"):
        (tmp_path / name).write_text("{}")
    with pytest.raises(RowplaneError, match="RuntimeError"):
        read_earlier_result(tmp_path)
    (tmp_path / "record.json").unlink()
    (tmp_path / "record.json").symlink_to("/dev/zero")
    with pytest.raises(RowplaneError, match="ValueError"):
        read_earlier_result(tmp_path)


def test_an_earlier_result_whose_arrays_are_broken(tmp_path: Path) -> None:
    """An array's header is a line of Python, and its reader lets the tokenizer's errors through."""
    import zipfile

    from rowplane.ingest import read_earlier_result

    with zipfile.ZipFile(tmp_path / "posterior.npz", "w") as packed:
        head = b"{'descr': '<f8', 'fortran_order': False, 'shape': (3,".ljust(117) + b"\n"
        packed.writestr("arrays.npy", b"\x93NUMPY\x01\x00" + len(head).to_bytes(2, "little") + head)
    for name in ("result.json", "record.json"):
        (tmp_path / name).write_text("{}")
    with pytest.raises(RowplaneError, match="no result that can be rechecked"):
        read_earlier_result(tmp_path)
