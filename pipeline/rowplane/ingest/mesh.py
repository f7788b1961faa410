"""Meshes (OBJ, STL, GLB, PLY with faces), turned into points spread evenly over their area."""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

import numpy as np

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.findings import finding
from rowplane.ingest.opened import ROWS, Chunk, Opened, in_words, no_points
from rowplane.model import Array, Finding

SEED = 1
FEWEST, MOST = 300_000, 5_000_000
"""Points put on a mesh: two per face between these, so that no detail of the mesh is skipped."""

GLTF_JSON = 0x4E4F534A
AGAIN = "Copy the file again, or export it again."

CLEAR = 1.25
"""How many times more area must face one axis than the other before the up axis counts as recognised."""


def open_mesh(path: Path, config: IngestConfig) -> Opened:
    """Points on a mesh, evenly by area, the same for the same file. Raises RowplaneError.

    glTF lengths are metres and its up axis is Y (glTF 2.0, section 3.4); other formats say neither.
    """
    with in_words(path, "mesh"):
        if path.suffix.lower() == ".glb":
            _check_gltf(path)
        corners, single = _triangles(path, config.max_points)
    finite = np.isfinite(corners).all(axis=(1, 2))
    lost = int(len(corners) - finite.sum())
    corners = corners[finite]
    if not len(corners):
        raise no_points(path, "a mesh")
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2
    area = np.linalg.norm(across, axis=1)
    if not area.sum() > 0:
        raise RowplaneError(str(path), "a mesh without area", "a mesh with faces", "Export the mesh again.")
    gltf = path.suffix.lower() in (".glb", ".gltf")
    up, findings = _up(path, across, gltf, config)
    points = _spread(corners, area, int(np.clip(2 * len(corners), FEWEST, MOST)))
    step = np.spacing(np.abs(corners).max(axis=(0, 1)).astype(np.float32)).astype(float) if single else np.zeros(3)

    def chunks() -> Iterator[Chunk]:
        yield Chunk((points[:0, 0], points[:0, 1], points[:0, 2]), None, (("mesh faces that are not numbers", lost),))
        for start in range(0, len(points), ROWS):
            part = points[start : start + ROWS]
            yield Chunk((part[:, 0], part[:, 1], part[:, 2]))

    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    form = f"mesh {path.suffix[1:].upper()}, {len(corners):,} faces"
    source = "glTF, which is in metres" if gltf else ""
    return Opened(
        path,
        form,
        len(points),
        (low + high) / 2,
        chunks,
        float32_step=step,
        unit="m" if gltf else None,
        unit_source=source,
        up=up,
        findings=findings,
    )


def _check_gltf(path: Path) -> None:
    """Raises RowplaneError unless chunks lie in the file and accessors hold no more numbers than it has bytes.

    The library takes memory by these counts first. Header, chunks and accessors after glTF 2.0, sections 4.4 and 3.6.2.
    """
    size, at, told = path.stat().st_size, 12, b""
    with path.open("rb") as stream:
        while at < size:
            stream.seek(at)
            length, kind = struct.unpack("<II", stream.read(8))
            if at + 8 + length > size:
                raise RowplaneError(str(path), f"a chunk of {length:,} bytes at byte {at:,} of {size:,}", "a whole mesh", AGAIN)
            told = told or stream.read(length if kind == GLTF_JSON else 0)
            at += 8 + length
    count = sum(int(accessor["count"]) for accessor in json.loads(told).get("accessors", []))
    if count > size:
        found = f"accessors of {count:,} numbers in a file of {size:,} bytes"
        raise RowplaneError(str(path), found, "a whole mesh", AGAIN)


def _triangles(path: Path, most: int) -> tuple[Array, bool]:
    """Corners `(n, 3, 3)` and whether the file held them as float32; `most` faces are allowed, each instance counted."""
    import trimesh

    # What the file names beside itself (materials, pictures, other buffers) is neither needed nor looked for.
    scene = trimesh.load_scene(path, process=False, resolver={}, skip_materials=True)
    meshes = [m for m in scene.geometry.values() if isinstance(m, trimesh.Trimesh) and len(m.faces)]
    if not meshes:
        raise RowplaneError(str(path), "no faces", "a mesh with faces, or a cloud", "Export the mesh with its faces.")
    faces = sum(len(getattr(scene.geometry[scene.graph[node][1]], "faces", ())) for node in scene.graph.nodes_geometry)
    if faces > most:
        raise RowplaneError(
            str(path), f"{faces:,} faces, each instance counted", f"up to {most:,}", "Cut the mesh to the roof."
        )
    whole = scene.to_mesh() if len(scene.graph.nodes_geometry) else trimesh.util.concatenate(meshes)
    # Single precision shows in the values themselves: text formats may carry more digits than a float32 has.
    single = all(bool((m.vertices == m.vertices.astype(np.float32)).all()) for m in meshes)
    corners = np.asarray(whole.vertices[whole.faces], dtype=float)
    if corners.shape[1:] != (3, 3):
        raise RowplaneError(str(path), "faces without three corners in space", "a mesh of triangles", AGAIN)
    return corners, single


def _up(path: Path, across: Array, gltf: bool, config: IngestConfig) -> tuple[Literal["z", "y"], tuple[Finding, ...]]:
    """Up axis: as configured, else the one that most of the area looks along, which roofs and ground do."""
    if config.up != "auto":
        return config.up, ()
    seen_y, seen_z = np.abs(across[:, 1]).sum(), np.abs(across[:, 2]).sum()
    expected: Literal["z", "y"] = "y" if gltf else "z"
    likely: Literal["z", "y"] = "y" if seen_y > seen_z else "z"
    clear = max(seen_y, seen_z) > CLEAR * min(seen_y, seen_z)
    if likely == expected or not clear:
        return expected, ()
    share = max(seen_y, seen_z) / (seen_y + seen_z)
    text = (
        f"{path.name}: the {likely.upper()} axis was taken as up, because {share:.0%} of the area that looks along Y or Z does."
    )
    return likely, (finding("up-guessed", path.name, text, float(share)),)


def _spread(corners: Array, area: Array, count: int) -> Array:
    """`count` points on triangles: one per equal slice of the summed area, at random within its triangle."""
    edges = np.cumsum(area)
    rng = np.random.default_rng(SEED)
    face = np.searchsorted(edges, (np.arange(count) + rng.random(count)) * (edges[-1] / count), side="right")
    face = np.minimum(face, len(area) - 1)
    a, b = rng.random((2, count))
    # Square root: uniform over the triangle (Osada et al., Shape distributions, ACM TOG 21(4), 2002, equation 1).
    root = np.sqrt(a)[:, None]
    b = b[:, None]
    chosen: Any = corners[face]
    return np.asarray((1 - root) * chosen[:, 0] + root * (1 - b) * chosen[:, 1] + root * b * chosen[:, 2])
