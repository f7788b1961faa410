"""Whole files that mutants are made of: a small roof in every format, a lead, a manifest, readings and the result they belong to."""

from __future__ import annotations

import re
import tempfile
import tomllib
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from functools import cache
from io import StringIO
from pathlib import Path

from rowplane.cli.run import run_lead
from rowplane.cli.words import commented_lead
from test_1_ingest import ingest_builders as make

SAMPLES = Path(__file__).parents[2] / "sample_scans"
POINTS = make.roof_points(3000)
POINTS = POINTS[(POINTS[:, 0] < 4) & (POINTS[:, 1] < 3)]
"""About 500 points on 4 × 3 m: small files, and still a roof that the job finds."""
SHEET = b"point,course,on,u_m,v_m,staff_m\n" + b"".join(
    f"p{9 * j + i},{j},crown,{0.5 + i:.3f},{0.35 * j:.3f},{2.5 - 0.2 * j + 0.002 * (i * j % 5):.4f}\n".encode()
    for j in range(8)
    for i in range(9)
)
READINGS = b"id,kind,value_mm,u_mm,v_mm,note\n" + b"".join(
    f"A1-0-{n},{kind},{value},,,{note}\n".encode()
    for n, kind, value, note in ((1, "height", 1203.5, ""), (2, "height", 1201, "wet"), (3, "height", 1204.25, ""))
)


@dataclass(frozen=True)
class Case:
    """One kind of input: which reader takes it, its ending, whole files of it, and what has to lie beside it."""

    reader: str
    ending: str
    originals: Callable[[], list[bytes]]
    beside: Callable[[], dict[str, bytes]] = field(default=dict)


def _written(ending: str, *writers: Callable[[Path], object]) -> Callable[[], list[bytes]]:
    @cache
    def originals() -> list[bytes]:
        made = []
        for write in writers:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / f"roof.{ending}"
                write(path)
                made.append(_timeless(ending, path.read_bytes()))
        return made

    return originals


def _timeless(ending: str, data: bytes) -> bytes:
    """Without the day and the random names that a library writes into it: a seed gives the same file tomorrow."""
    if ending in ("las", "laz"):
        return data[:90] + bytes(4) + data[94:]
    if ending == "e57":
        from fuzz.fields import e57_open, e57_seal

        named = re.sub(rb"\{[0-9a-f-]{36}\}", b"{00000000-0000-0000-0000-000000000000}", e57_open(data))
        return e57_seal(named)
    return data


def _las(point_format: int, crs: int | None = None) -> Callable[[Path], object]:
    return lambda path: make.write_las(path, POINTS, point_format=point_format, crs=crs)


def _mesh(form: str, y_up: bool = False) -> Callable[[Path], object]:
    return lambda path: make.roof_mesh(y_up=y_up).apply_scale(0.4).export(path, file_type=form)


def _sheets() -> list[bytes]:
    rows = b"".join(f"{x:.2f};{y:.2f};{z:.3f};pan\n".encode() for x, y, z in POINTS[:60])
    heights = b"".join(b"%.2f;%.2f;%.4f\n" % (0.4 * (k % 10), 0.5 * (k // 10), 0.3 * (k // 10) + 0.001 * (k % 3)) for k in range(60))
    return [SHEET, b"u_ft;v_ft;height_ft\n" + heights, b"x_m;y_m;z_m;on\n" + rows]


def _footprints() -> list[bytes]:
    ring = "[[0,0],[4,0],[4,3],[0,3],[0,0]]"
    one = f'{{"type": "Polygon", "coordinates": [{ring}]}}'
    many = f'{{"type":"FeatureCollection","features":[{{"type":"Feature","properties":{{}},"geometry":{one}}}]}}'
    return [one.encode(), many.encode()]


def _leads() -> list[bytes]:
    found = [path.read_bytes() for path in sorted(SAMPLES.glob("*/lead.toml"))]
    # Every setting with its default is a lead too, once the marks before the keys are gone.
    told = re.sub(r"(?m)^# (?=(\[\[\w+\]\]|\w+ = (?!…)))", "", commented_lead()).replace('extends = "shared.toml"', "")
    told = told.replace("positions_mm = []", "spacing_mm = 600")
    assert len(tomllib.loads(told)) > 10
    return [re.sub(rb'scan = "[^"]*"', b'scan = "beside.csv"', text) for text in (*found, told.encode())]


@cache
def _result() -> dict[str, bytes]:
    """The files of a result for the sheet above."""
    with tempfile.TemporaryDirectory() as place:
        sheet = Path(place) / "levels.csv"
        sheet.write_bytes(SHEET)
        with redirect_stdout(StringIO()), redirect_stderr(StringIO()):  # the table stands alone
            run_lead(sheet, Path(place) / "out", {}, as_json=False, overwrite=False, quiet=True, verbose=False)
        return {path.name: path.read_bytes() for path in (Path(place) / "out").iterdir()}


def _beside_result() -> dict[str, bytes]:
    return {"readings.csv": READINGS} | {f"beside/{name}": content for name, content in _result().items()}


def _manifests() -> list[bytes]:
    return [
        b"lead,scan\none,beside.csv\ntwo,folder\n",
        b"lead,scan,ingest.azimuth_deg,placement.orientation\nmill,beside.csv,180,best\npond,folder,,landscape\n",
    ]


CASES: dict[str, Case] = {
    "las": Case("scan", "las", _written("las", _las(3), _las(7, 25832))),
    "laz": Case("scan", "laz", _written("laz", _las(3), _las(7, 25832), _las(6))),
    "ply": Case(
        "scan",
        "ply",
        _written(
            "ply",
            lambda path: make.write_ply(path, POINTS),
            lambda path: make.write_ply(path, POINTS, kind="float", encoding="binary_big_endian"),
            lambda path: make.write_ply(path, POINTS, encoding="ascii"),
            _mesh("ply"),
        ),
    ),
    "pcd": Case(
        "scan",
        "pcd",
        _written(
            "pcd",
            lambda path: make.write_pcd(path, POINTS),
            lambda path: make.write_pcd(path, POINTS, ascii_text=True),
            lambda path: make.write_packed_pcd(path, POINTS),
        ),
    ),
    "xyz": Case("scan", "xyz", _written("xyz", lambda path: make.write_text(path, POINTS))),
    "pts": Case("scan", "pts", _written("pts", lambda path: make.WRITERS["pts"](path, POINTS))),
    "csv": Case("scan", "csv", _written("csv", lambda path: make.WRITERS["csv"](path, POINTS))),
    "e57": Case("scan", "e57", _written("e57", lambda path: make.write_e57(path, POINTS))),
    "obj": Case("scan", "obj", _written("obj", _mesh("obj"))),
    "stl": Case("scan", "stl", _written("stl", _mesh("stl"), _mesh("stl_ascii"))),
    "glb": Case("scan", "glb", _written("glb", _mesh("glb", y_up=True))),
    "tif": Case(
        "scan",
        "tif",
        _written(
            "tif",
            lambda path: make.write_raster(path, POINTS, cell=(0.5, 0.5)),
            lambda path: make.write_raster(path, POINTS, cell=(0.4, 0.5), crs=25832),
        ),
    ),
    "level": Case("scan", "csv", _sheets),
    "footprint": Case(
        "footprint", "geojson", _footprints, lambda: {"beside.las": _written("las", _las(3))()[0]}
    ),
    "lead": Case("lead", "toml", _leads, lambda: {"beside.csv": SHEET}),
    "readings": Case("readings", "csv", lambda: [READINGS], _beside_result),
    "posterior": Case("result", "npz", lambda: [_result()["posterior.npz"]], _beside_result),
    "result": Case("result", "json", lambda: [_result()["result.json"]], _beside_result),
    "manifest": Case("manifest", "csv", _manifests, lambda: {"beside.csv": SHEET, "folder/levels.csv": SHEET}),
}
"""Every reader of the package."""

