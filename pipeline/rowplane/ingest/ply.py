"""PLY clouds, ASCII and binary, float32 and float64. PLY files with faces are meshes and go to mesh.py."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.ingest.mesh import open_mesh
from rowplane.ingest.opened import ROWS, Chunk, Opened, check_count, in_words, no_points
from rowplane.ingest.text import open_lines

TYPES = {
    "char": "i1",
    "int8": "i1",
    "uchar": "u1",
    "uint8": "u1",
    "short": "i2",
    "int16": "i2",
    "ushort": "u2",
    "uint16": "u2",
    "int": "i4",
    "int32": "i4",
    "uint": "u4",
    "uint32": "u4",
    "float": "f4",
    "float32": "f4",
    "double": "f8",
    "float64": "f8",
}
"""Scalar types of the PLY format (Turk, The PLY polygon file format, 1994), with the sized names in common use."""

CLASS_NAMES = ("classification", "class", "scalar_classification")


@dataclass(frozen=True)
class Header:
    """What a PLY header says: encoding, elements before the vertices (name, count), vertices, faces, first data byte."""

    encoding: str
    before: tuple[str, ...]
    vertices: int
    properties: tuple[tuple[str, str], ...]
    faces: int
    start: int


def open_ply(path: Path, config: IngestConfig) -> Opened:
    """A PLY cloud; one with faces is sampled as a mesh. Raises RowplaneError."""
    header = _header(path)
    names = [name for name, _ in header.properties]
    if header.vertices == 0:
        raise no_points(path, "a PLY file")
    if any(axis not in names for axis in "xyz"):
        raise RowplaneError(
            str(path),
            f"the vertex properties {', '.join(names) or 'none'}",
            "vertex properties x, y and z",
            "Export the cloud with x, y and z.",
        )
    if header.faces:
        check_count(path, header.vertices, 3.0, config.max_points)
        check_count(path, header.faces, 4.0, config.max_points)
        return open_mesh(path, config)
    if header.before or any(kind == "list" for _, kind in header.properties):
        raise RowplaneError(
            str(path),
            "vertices with lists, or elements before them",
            "vertices first, of plain numbers",
            "Export the cloud without lists.",
        )
    return _ascii(path, header, config) if header.encoding == "ascii" else _binary(path, header, config)


def _header(path: Path) -> Header:
    bad = RowplaneError(str(path), "no PLY header", "a file that starts with 'ply' and a header", "Export it again.")
    encoding, elements, start = "", {}, 0
    properties: list[tuple[str, str]] = []
    current = ""
    with path.open("rb") as stream:
        if stream.readline(16).strip() != b"ply":
            raise bad
        for _ in range(1000):
            words = stream.readline(4096).decode("latin-1").split()
            if not words:
                continue
            try:
                if words[0] == "format":
                    encoding = words[1]
                elif words[0] == "element":
                    current = words[1]
                    elements[current] = int(words[2])
                elif words[0] == "property" and current == "vertex":
                    properties.append((words[-1], "list" if words[1] == "list" else TYPES[words[1]]))
                elif words[0] == "end_header":
                    start = stream.tell()
                    break
            except (IndexError, ValueError, KeyError):
                raise RowplaneError(
                    str(path), f"the header line '{' '.join(words)}'", "format, element and property lines", "Export it again."
                ) from None
    if (
        not start
        or encoding not in ("ascii", "binary_little_endian", "binary_big_endian")
        or min(elements.values(), default=0) < 0
    ):
        raise bad
    before = tuple(elements)[: list(elements).index("vertex")] if "vertex" in elements else ()
    return Header(
        encoding,
        tuple(n for n in before if elements[n]),
        elements.get("vertex", 0),
        tuple(properties),
        elements.get("face", 0),
        start,
    )


def _class_name(header: Header) -> str | None:
    return next((name for name, _ in header.properties if name.lower() in CLASS_NAMES), None)


def _binary(path: Path, header: Header, config: IngestConfig) -> Opened:
    order = ">" if header.encoding == "binary_big_endian" else "<"
    with in_words(path, "PLY file"):
        record = np.dtype([(name, order + kind) for name, kind in header.properties])
        check_count(path, header.vertices, record.itemsize, config.max_points)
    label = _class_name(header)

    def parts() -> Iterator[Any]:
        # Not a memory map: a file that shrinks under one ends the process.
        with in_words(path, "PLY file"), path.open("rb") as stream:
            stream.seek(header.start)
            for start in range(0, header.vertices, ROWS):
                rows = min(ROWS, header.vertices - start)
                part = np.fromfile(stream, record, rows)
                if len(part) < rows:
                    raise ValueError(f"{start + len(part):,} of {header.vertices:,} points")
                yield part

    def chunks() -> Iterator[Chunk]:
        for part in parts():
            classes = None if label is None else np.clip(part[label], 0, 255).astype(np.uint8)
            yield Chunk((part["x"], part["y"], part["z"]), classes)

    low, high = _box(parts())

    form = f"PLY binary, float{8 * record['x'].itemsize}"
    return Opened(path, form, header.vertices, (low + high) / 2, chunks)


def _box(parts: Iterator[Any]) -> tuple[Any, Any]:
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for part in parts:
        for i, axis in enumerate("xyz"):
            column = part[axis].astype(float)
            column = column[np.isfinite(column)]
            if len(column):
                low[i], high[i] = min(low[i], column.min()), max(high[i], column.max())
    return (low, high) if np.isfinite(low).all() else (np.zeros(3), np.zeros(3))


def _ascii(path: Path, header: Header, config: IngestConfig) -> Opened:
    names = [name for name, _ in header.properties]
    label = _class_name(header)
    columns = [names.index(axis) for axis in "xyz"] + ([names.index(label)] if label else [])
    check_count(path, header.vertices, 2.0 * len(names), config.max_points)

    def read(stream: Any, rows: int) -> Any:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # a file that ends early is told by the count below
            return np.loadtxt(stream, max_rows=rows, usecols=columns, ndmin=2)

    def chunks() -> Iterator[Chunk]:
        with in_words(path, "PLY file"), open_lines(path, header.start, "latin-1") as stream:
            left = header.vertices
            while left:
                part = read(stream, min(ROWS, left))
                if len(part) < min(ROWS, left):
                    raise RowplaneError(
                        str(path),
                        f"{header.vertices - left + len(part):,} of the {header.vertices:,} points its header promises",
                        "a whole file",
                        "The file is cut short: copy it again.",
                    )
                left -= len(part)
                yield Chunk(
                    (part[:, 0], part[:, 1], part[:, 2]), np.clip(part[:, 3], 0, 255).astype(np.uint8) if label else None
                )

    first = next(chunks())
    middle = np.array([np.nanmedian(np.where(np.isfinite(c), c, np.nan)) for c in first.columns])
    return Opened(path, "PLY ASCII", header.vertices, middle, chunks)
