"""Are the sizes inside a LAS or LAZ file true? Its decoder takes memory by them first, and ends the process if they lie.

Layout after the LASzip specification (rapidlasso, 2.2 r0): record 22204 with compressor, chunk size and items; at the first
point the position of the chunk table; each chunk of a layered format starts with one point, a count and the layers' sizes.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any, BinaryIO

from rowplane.errors import RowplaneError

POINTWISE, LAYERED = 2, 3
VARIABLE = 0xFFFFFFFF
USUAL_CHUNK = 10_000_000
"""Chunks of more points than this are believed only in files that hold as many."""

LAYERS = {10: 9, 11: 1, 12: 2, 13: 1, 14: None}
"""Layers of each LASzip item type of formats 6 to 10; extra bytes (14) have one per byte."""


def check_header(path: Path) -> None:
    """Raises RowplaneError unless header, variable length records and extended ones lie within the file.

    Byte offsets of LAS 1.4 R15, tables 3 and 4: header size 94, points 96, records 100; extended records 235, their count 243.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(375)
        if head[:4] != b"LASF" or len(head) < 227:
            raise _lies(path, "no LAS header")
        header_size, points, records = struct.unpack_from("<HII", head, 94)
        if not 227 <= header_size <= points <= size or records * 54 > points - header_size:
            raise _lies(path, f"{records:,} records before points at byte {points:,} of {size:,}")
        if head[25] < 4 or len(head) < 375:
            return
        at, more = struct.unpack_from("<QI", head, 235)
        for _ in range(more):
            # Each has 60 bytes of its own, the length of what follows at its byte 20.
            stream.seek(min(at, size))
            own = stream.read(60)
            if len(own) < 60:
                raise _lies(path, f"{more:,} extended records that reach past its end")
            at += 60 + struct.unpack_from("<Q", own, 20)[0]
        if more and at > size:
            raise _lies(path, "an extended record that reaches past its end")


def check_laz(path: Path, header: Any) -> None:
    """Raises RowplaneError unless items, chunk table and layers of a LAZ file fit its size. `header` is laspy's."""
    index = header.vlrs.index("LasZipVlr")
    record = bytes(header.vlrs[index].record_data)
    with path.open("rb") as stream:
        try:
            compressor, items, chunk_size = _record(path, record, header)
            if compressor in (POINTWISE, LAYERED):
                _chunks(path, stream, record, header, compressor, items, chunk_size)
        except struct.error:
            raise _lies(path, "its end comes before its chunks do") from None


def _lies(path: Path, what: str) -> RowplaneError:
    return RowplaneError(
        str(path),
        f"a LAZ file that is cut short or damaged ({what})",
        "a whole LAZ file",
        "Copy the file again, or export it again.",
    )


def _record(path: Path, record: bytes, header: Any) -> tuple[int, list[tuple[int, int]], int]:
    compressor, _, _, _, _, _, chunk_size = struct.unpack_from("<HHBBHII", record)
    (count,) = struct.unpack_from("<H", record, 32)
    items = [struct.unpack_from("<HHH", record, 34 + 6 * i)[:2] for i in range(count)]
    size = header.point_format.size
    if sum(width for _, width in items) != size:
        raise _lies(path, f"items of {sum(w for _, w in items)} bytes for points of {size}")
    if compressor == LAYERED and any(kind not in LAYERS for kind, _ in items):
        raise _lies(path, f"item types {[kind for kind, _ in items]}")
    if chunk_size != VARIABLE and not 0 < chunk_size <= max(USUAL_CHUNK, header.point_count):
        raise _lies(path, f"chunks of {chunk_size:,} points")
    return compressor, items, chunk_size


def _chunks(
    path: Path, stream: BinaryIO, record: bytes, header: Any, compressor: int, items: list[tuple[int, int]], chunk_size: int
) -> None:
    import lazrs

    start, end = int(header.offset_to_point_data), path.stat().st_size
    stream.seek(start)
    (table,) = struct.unpack("<q", stream.read(8))
    if table == -1:
        # A writer that could not go back leaves the position at the very end.
        stream.seek(end - 8)
        (table,) = struct.unpack("<q", stream.read(8))
    if not start + 8 <= table <= end - 8:
        raise _lies(path, f"a chunk table at byte {table:,} of {end:,}")
    stream.seek(table)
    _, number = struct.unpack("<II", stream.read(8))
    fixed = chunk_size != VARIABLE
    # Every chunk holds a point or more, whole and uncompressed, at its start.
    if number * header.point_format.size > end or (fixed and number != -(-header.point_count // chunk_size)):
        raise _lies(path, f"{number:,} chunks for {header.point_count:,} points")
    stream.seek(start)
    chunks = lazrs.read_chunk_table(stream, lazrs.LazVlr(record)) or []
    if sum(size for _, size in chunks) > table - start - 8 or (
        not fixed and sum(points for points, _ in chunks) != header.point_count
    ):
        raise _lies(path, "chunks that do not add up to the file")
    if compressor == LAYERED:
        first = start + 8
        for points, size in chunks:
            _layers(path, stream, items, first, size, header.point_count if fixed else points)
            first += size


def _layers(path: Path, stream: BinaryIO, items: list[tuple[int, int]], first: int, size: int, most: int) -> None:
    number = sum(LAYERS[kind] or width for kind, width in items)
    head = sum(width for _, width in items) + 4 + 4 * number
    stream.seek(first + head - 4 * number - 4)
    points, *layers = struct.unpack(f"<{1 + number}I", stream.read(4 + 4 * number))
    if head + sum(layers) != size or points > most:
        raise _lies(path, f"a chunk of {size:,} bytes with layers of {sum(layers):,}")
