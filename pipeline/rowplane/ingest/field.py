"""What comes back from the roof: a readings file, and the earlier result that it is taken into."""

from __future__ import annotations

import csv
import io
import zipfile
from pathlib import Path
from typing import Literal

import numpy as np

from rowplane.errors import RowplaneError
from rowplane.model import FieldReading, FieldReadings, RecheckBasis

KINDS: tuple[Literal["gap", "height", "set", "moved"], ...] = ("gap", "height", "set", "moved")
COLUMNS = ("id", "kind", "value_mm", "u_mm", "v_mm", "note")
MOST_BYTES = 5_000_000
MOST_UNPACKED = 500_000_000


def read_field_readings(path: Path) -> FieldReadings:
    """Readings CSV with the columns id, kind, value_mm and, optionally, u_mm, v_mm, note.

    Raises RowplaneError naming file, line and column where it is missing, too large, no such table, or holds no number.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise RowplaneError(str(path), f"{path.stat().st_size} bytes", f"at most {MOST_BYTES}", "Is this a readings file?")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise RowplaneError(str(path), error.strerror or "unreadable", "a readings CSV", "Check the path.") from None
    except UnicodeDecodeError:
        raise RowplaneError(str(path), "a file that is not UTF-8 text", "a readings CSV", "Save it as UTF-8 CSV.") from None
    rows = csv.DictReader(io.StringIO(text, newline=""))
    names = [name.strip() for name in rows.fieldnames or []]
    missing = [name for name in COLUMNS[:3] if name not in names]
    strange = [name for name in names if name not in COLUMNS]
    if missing or strange:
        found = f"columns {', '.join(names)[:120] or 'none'}"
        raise RowplaneError(str(path), found, ", ".join(COLUMNS), "Values are mm; take the file that the crew page exports.")
    rows.fieldnames = names
    return FieldReadings(path.name, tuple(_reading(path, line, row) for line, row in enumerate(rows, start=2)))


def _reading(path: Path, line: int, row: dict[str, str | None]) -> FieldReading:
    kind = (row.get("kind") or "").strip()
    subject = f"{path.name}, line {line}"
    for known in KINDS:
        if kind == known:
            value, u, v = (_number(f"{subject}, {name}", row.get(name)) for name in ("value_mm", "u_mm", "v_mm"))
            return FieldReading((row.get("id") or "").strip(), known, value, u, v, (row.get("note") or "").strip())
    raise RowplaneError(subject, f"kind {kind[:40]!r}", ", ".join(KINDS), "Mend that line.")


def _number(subject: str, text: str | None) -> float:
    if not (text or "").strip():
        return float("nan")
    try:
        value = float(text or "")
    except ValueError:
        value = float("inf")
    if not np.isfinite(value):
        raise RowplaneError(subject, repr(text)[:60], "a number in mm, with a point", "Mend that line.")
    return value


def read_earlier_result(folder: Path) -> tuple[RecheckBasis, ...]:
    """What each array's levelling rests on, from the posterior.npz of a result. Raises RowplaneError where it cannot be read."""
    path = folder / "posterior.npz"
    try:
        with zipfile.ZipFile(path) as packed:
            if sum(item.file_size for item in packed.infolist()) > MOST_UNPACKED:
                raise RowplaneError(str(path), "more than it can hold", f"at most {MOST_UNPACKED} bytes", "Run the lead again.")
        with np.load(path, allow_pickle=False) as arrays:
            named = {name: arrays[name] for name in arrays.files}
        count = len(named["arrays"])
        parts = [
            {key.partition(".")[2]: value for key, value in named.items() if key.startswith(f"{k}.")} for k in range(count)
        ]
        return tuple(RecheckBasis.of_arrays(part) for part in parts)
    except (OSError, KeyError, ValueError, zipfile.BadZipFile, EOFError) as error:
        found = f"no result that can be rechecked ({type(error).__name__})"
        raise RowplaneError(
            str(folder), found, "the folder of a rowplane result", "Give the folder that `rowplane run` named."
        ) from None
