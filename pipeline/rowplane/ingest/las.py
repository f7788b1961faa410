"""LAS 1.2 to 1.4, LAZ and COPC (which is a LAZ 1.4 file with an index)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.ingest.laz import check_header, check_laz
from rowplane.ingest.opened import FARTHEST, ROWS, Chunk, Opened, check_count, in_words, no_points

LAZ_BYTES = 1e-3
"""Bytes per point that LAZ can hardly go below: fifty thousand equal points still need some fifty bytes."""

COARSEST = 1000.0
"""Greatest coordinate scale: a metre, in a file in millimetres."""

NOISE_CLASSES = (7, 18)
"""ASPRS low noise and high noise; 18 is noise in point formats 6 to 10 only (LAS 1.4 R15, tables 9 and 17)."""


def open_las(path: Path, config: IngestConfig) -> Opened:
    """LAS and LAZ: header, coordinate system, and the points in chunks of which only what is needed is decoded.

    Points flagged as withheld or classified as noise are left out. Raises RowplaneError.
    """
    check_header(path)
    with in_words(path, "LAS file"), _open(path) as reader:
        header = reader.header
        count = int(header.point_count)
        room = header.point_format.size if not header.are_points_compressed else LAZ_BYTES
        if count == 0:
            raise no_points(path, "a LAS file")
        check_count(path, count, room, config.max_points)
        if header.are_points_compressed:
            check_laz(path, header)
        scale, offset = np.array(header.scales, float), np.array(header.offsets, float)
        if not ((scale > 0) & (scale <= COARSEST) & (np.abs(offset) < FARTHEST)).all():
            found = f"coordinate scales {scale.tolist()}, offsets {offset.tolist()}"
            allowed = f"scales over 0 and up to {COARSEST:g}, offsets on a map"
            raise RowplaneError(str(path), found, allowed, "Export the file again.")
        first = reader.read_points(min(count, 1000))
        raw = np.array([first.array[name] for name in "XYZ"], dtype=float)
        middle = _middle(header, raw * scale[:, None] + offset[:, None], scale)
        crs = _crs(header)
        kind = "LAZ" if header.are_points_compressed else "LAS"
        form = f"{kind} {header.version}, point format {header.point_format.id}"

    def chunks() -> Iterator[Chunk]:
        with in_words(path, "LAS file"), _open(path) as again:
            seen = 0
            for record in again.chunk_iterator(ROWS):
                seen += len(record)
                yield _chunk(record.array, again.header.point_format.id)
            if seen < count:
                raise RowplaneError(
                    str(path),
                    f"{seen:,} of the {count:,} points its header promises",
                    "a whole file",
                    "The file is cut short: copy it again.",
                )

    return Opened(path, form, count, middle, chunks, scale, offset, crs=crs)


def _open(path: Path) -> Any:
    import laspy

    layers = laspy.DecompressionSelection
    wanted = layers.XY_RETURNS_CHANNEL | layers.Z | layers.CLASSIFICATION | layers.FLAGS
    return laspy.open(path, laz_backend=laspy.LazBackend.LazrsParallel, decompression_selection=wanted)


def _chunk(record: Any, form: int) -> Chunk:
    if form >= 6:
        # A copy in one piece: comparing every 36th byte takes longer than decoding them did.
        classes, withheld = record["classification"].copy(), record["classification_flags"] & 0b0100
    else:
        # Formats 0 to 5 keep the class in the low five bits and withheld in bit 7 (LAS 1.4 R15, table 8).
        classes, withheld = record["raw_classification"] & 0x1F, record["raw_classification"] & 0x80
    noise = classes == NOISE_CLASSES[0]
    if form >= 6:
        noise |= classes == NOISE_CLASSES[1]
    columns = (record["X"], record["Y"], record["Z"])
    if not (noise.any() or withheld.any()):
        return Chunk(columns, classes)
    gone = withheld.astype(bool)
    keep = ~(noise | gone)
    dropped = (("flagged as withheld", int(gone.sum())), ("classified as noise", int((noise & ~gone).sum())))
    return Chunk((columns[0][keep], columns[1][keep], columns[2][keep]), classes[keep], dropped)


def _middle(header: Any, first: Any, scale: Any) -> Any:
    low, high = np.array(header.mins, float), np.array(header.maxs, float)
    seen = np.median(first, axis=1)
    # A header's box is believed only where the first points lie in it, not further from its middle than float32 counts steps.
    with np.errstate(over="ignore", invalid="ignore"):
        middle = (low + high) / 2
        true = ((seen >= low - 1) & (seen <= high + 1) & (np.abs(middle - seen) < 2**23 * scale)).all()
    return middle if true else seen


def _crs(header: Any) -> str | None:
    try:
        crs = header.parse_crs()
    except Exception:  # a coordinate system that cannot be parsed is one that is not known
        return None
    return None if crs is None else str(crs.to_wkt())
