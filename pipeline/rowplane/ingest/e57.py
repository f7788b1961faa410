"""E57 (ASTM E2807): all scans of a file, each moved by its pose; needs the optional extra `rowplane[e57]`."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.ingest.opened import Chunk, Opened, check_count, in_words, no_points

POINT_BYTES = 0.5
"""Bytes per point that bit-packed coordinates can hardly go below."""


PAGE = 1024
MOST_XML = 10_000_000
"""Bytes of XML: scans and their poses take some kilobytes each."""

MOST_DEPTH, MOST_CHILDREN = 64, 1000
"""XML elements within each other, and in one that is no vector: the library's time grows with the square of both."""


def open_e57(path: Path, config: IngestConfig) -> Opened:
    """All scans of an E57 file in its common frame, invalid points left out; lengths are metres (ASTM E2807-11, 8.4).

    Raises RowplaneError, also where the library is not installed.
    """
    try:
        import pye57
    except ImportError:
        raise RowplaneError(
            str(path), "an E57 file, but its reader is not installed", "the extra 'e57'", "pip install '.[e57]' in the project's folder"
        ) from None
    with path.open("rb") as stream:
        if stream.read(8) != b"ASTM-E57":
            raise RowplaneError(str(path), "no E57 header", "a file that starts with ASTM-E57", "Export it again.")
    _check_xml(path)
    with in_words(path, "E57 file"):
        file = pye57.E57(str(path))
        try:
            counts = [int(file.get_header(i).point_count) for i in range(file.scan_count)]
            crs = _crs(file)
        finally:
            file.close()
    count = sum(counts)
    if count <= 0:
        raise no_points(path, "an E57 file")
    check_count(path, count, POINT_BYTES, config.max_points)

    def chunks() -> Iterator[Chunk]:
        with in_words(path, "E57 file"):
            again = pye57.E57(str(path))
            try:
                for i, points in enumerate(counts):
                    if points:
                        yield _scan(again, i, points)
            finally:
                again.close()

    first = next((c for c in chunks() if len(c.columns[0])), None)
    if first is None:
        raise no_points(path, "an E57 file")
    middle = np.array([float(np.median(c)) for c in first.columns])
    form = f"E57, {len(counts)} scan{'s' if len(counts) != 1 else ''}"
    return Opened(path, form, count, middle, chunks, crs=crs, unit="m", unit_source="E57, which is in metres")


def _check_xml(path: Path) -> None:
    """Raises RowplaneError where the XML section could make its parser fetch or multiply things (entities), or is not there.

    Place, length and page size at bytes 24, 32 and 40; four bytes of checksum end each page (ASTM E2807-11, 6.3 and 7).
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(48)
        start, length, page = struct.unpack_from("<QQQ", head.ljust(48, b"\0"), 24)
        if page != PAGE or length > MOST_XML or not 48 <= start < size:
            found = f"an XML section of {length:,} bytes at byte {start:,} of {size:,}, in pages of {page:,}"
            raise RowplaneError(str(path), found, f"up to {MOST_XML:,} bytes in pages of {PAGE}", "Export it again.")
        first = start // page * page
        stream.seek(first)
        pages = stream.read(start - first + length + (length // (page - 4) + 2) * 4)
    plain = b"".join(pages[i : i + page - 4] for i in range(0, len(pages), page))
    text = plain[start - first :][:length]
    # UTF-16 would hide the words looked for; the standard asks for UTF-8 (8.1).
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text or b"\0" in text.rstrip(b"\0"):
        raise RowplaneError(str(path), "XML with a document type of its own", "plain XML in UTF-8", "Export it again.")
    _check_elements(path, text.rstrip(b"\0"))


def _check_elements(path: Path, text: bytes) -> None:
    from xml.parsers import expat

    children, vectors = [0], [False]

    def begin(_: str, given: dict[str, str]) -> None:
        children[-1] += not vectors[-1]
        if len(children) > MOST_DEPTH or children[-1] > MOST_CHILDREN:
            found = f"XML with {children[-1]:,} elements beside each other and {len(children)} within each other"
            raise RowplaneError(str(path), found, f"up to {MOST_CHILDREN:,} and {MOST_DEPTH}", "Export it again.")
        children.append(0)
        vectors.append(given.get("type") == "Vector")

    def end(_: str) -> None:
        children.pop()
        vectors.pop()

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = begin, end
    with in_words(path, "E57 file"):
        parser.Parse(text, True)


def _scan(file: Any, index: int, count: int) -> Chunk:
    data = file.read_scan(index, ignore_missing_fields=True)
    x, y, z = (np.asarray(data[f"cartesian{axis}"], dtype=float) for axis in "XYZ")
    return Chunk((x, y, z), None, (("marked invalid by the scanner", count - len(x)),))


def _crs(file: Any) -> str | None:
    try:
        text = str(file.root["coordinateMetadata"].value())
    except Exception:  # the element is optional, and the library has no way to ask
        return None
    return text or None
