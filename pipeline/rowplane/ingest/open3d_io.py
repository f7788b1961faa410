"""The one place that imports open3d: PCD files in all their encodings."""

from __future__ import annotations

import struct
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.ingest.opened import Chunk, Opened, check_count, in_words, no_points

MOST_PER_FIELD = 10_000
"""Numbers that one field of a point may have: the longest descriptors in use have some hundreds."""


def open_pcd(path: Path, config: IngestConfig) -> Opened:
    """PCD, ASCII, binary and compressed; coordinates as float32 or float64, as the file has them. Raises RowplaneError."""
    fields, start = _header(path)
    count = _points(path, fields)
    widths = dict(zip(fields["FIELDS"], fields["SIZE"], strict=False))
    kinds = dict(zip(fields["FIELDS"], fields["TYPE"], strict=False))
    if any(name not in widths for name in "xyz"):
        raise RowplaneError(
            str(path), f"the fields {' '.join(fields['FIELDS'])}", "fields x, y and z", "Export the cloud with x, y and z."
        )
    encoding = fields["DATA"][0].lower()
    # A compressed block of equal bytes shrinks to about a hundredth; text needs a digit and a blank for each number.
    stride = sum(int(s) * int(c) for s, c in zip(fields["SIZE"], _counts(fields), strict=False))
    check_count(path, count, {"binary": float(stride), "ascii": 6.0}.get(encoding, 0.01), config.max_points)
    if encoding == "binary_compressed":
        _check_block(path, start, count * stride)
    with in_words(path, "PCD file"):
        xyz = _positions(path)
    if len(xyz) < count:
        raise RowplaneError(
            str(path),
            f"{len(xyz):,} of the {count:,} points its header promises",
            "a whole file",
            "The file is cut short: copy it again.",
        )
    single = widths["x"] == "4" and kinds["x"] == "F"
    finite = xyz[np.isfinite(xyz).all(axis=1)]
    if not len(finite):
        raise no_points(path, "a PCD file")

    def chunks() -> Iterator[Chunk]:
        yield Chunk((xyz[:, 0], xyz[:, 1], xyz[:, 2]))

    middle = (finite.min(axis=0).astype(float) + finite.max(axis=0)) / 2
    form = f"PCD {encoding}, {'float32' if single else 'float64'}"
    return Opened(path, form, len(xyz), middle, chunks)


def _header(path: Path) -> tuple[dict[str, list[str]], int]:
    """Words after each key, and the byte at which the data start."""
    fields: dict[str, list[str]] = {}
    with path.open("rb") as stream:
        for _ in range(64):
            words = stream.readline(4096).decode("latin-1").split()
            if not words or words[0].startswith("#"):
                continue
            fields[words[0].upper()] = words[1:]
            if words[0].upper() == "DATA":
                break
        start = stream.tell()
    if not all(fields.get(key) for key in ("FIELDS", "SIZE", "TYPE", "DATA")):
        raise RowplaneError(str(path), "no PCD header", "a PCD file with FIELDS, SIZE, TYPE and DATA", "Export it again.")
    return fields, start


def _check_block(path: Path, start: int, whole: int) -> None:
    """The library takes memory by the two sizes before a compressed block: they have to fit the file and the header."""
    with path.open("rb") as stream:
        stream.seek(start)
        sizes = stream.read(8)
        left = path.stat().st_size - stream.tell()
    packed, unpacked = struct.unpack("<II", sizes.ljust(8, b"\0"))
    if len(sizes) < 8 or packed > left or unpacked != whole:
        raise RowplaneError(
            str(path),
            f"a block of {packed:,} bytes that unpacks to {unpacked:,}",
            f"{left:,} and {whole:,} bytes",
            "The file is cut short or damaged: copy it again.",
        )


def _counts(fields: dict[str, list[str]]) -> list[str]:
    return fields.get("COUNT") or ["1"] * len(fields["FIELDS"])


def _points(path: Path, fields: dict[str, list[str]]) -> int:
    try:
        told = fields.get("POINTS") or fields["WIDTH"]
        count = int(told[0]) if fields.get("POINTS") else int(told[0]) * int(fields["HEIGHT"][0])
        sizes = [(int(s), int(c)) for s, c in zip(fields["SIZE"], _counts(fields), strict=True)]
        if any(s not in (1, 2, 4, 8) or not 0 < c < MOST_PER_FIELD for s, c in sizes):
            raise ValueError
    except (KeyError, IndexError, ValueError):
        raise RowplaneError(
            str(path),
            "a PCD header whose numbers do not fit together",
            "FIELDS, SIZE, TYPE and COUNT alike",
            "Export it again.",
        ) from None
    if count <= 0:
        raise no_points(path, "a PCD file")
    return count


def _positions(path: Path) -> Any:
    if sys.platform == "linux":
        import ctypes

        import libusb_package

        # open3d wants the system's libusb-1.0, which bare machines lack; this one has to be in the process before it.
        ctypes.CDLL(str(libusb_package.get_library_path()), mode=ctypes.RTLD_GLOBAL)
    import open3d

    with open3d.utility.VerbosityContextManager(open3d.utility.VerbosityLevel.Error):
        # The tensor reader: the other one gives zeros for float64 coordinates in binary files, without a word.
        cloud = open3d.t.io.read_point_cloud(path, remove_nan_points=False)
    return cloud.point.positions.numpy() if "positions" in cloud.point else np.zeros((0, 3))
