"""What comes back from the roof: a file of readings."""

from __future__ import annotations

import csv
import hashlib
import io
from pathlib import Path
from typing import Literal

import numpy as np

from rowplane.errors import RowplaneError
from rowplane.model import FieldReading, FieldReadings

KINDS: tuple[Literal["gap", "height", "set", "moved"], ...] = ("gap", "height", "set", "moved")
COLUMNS = ("id", "kind", "value_mm", "u_mm", "v_mm", "note", "revision")
MOST_BYTES = 5_000_000


def read_field_readings(path: Path, revision: str = "") -> FieldReadings:
    """Readings CSV with the columns id, kind, value_mm and, optionally, u_mm, v_mm, note, revision.

    A table without lines holds no readings. Raises RowplaneError naming file, line and column where it is missing, empty, too
    large, no such table, holds no number, or says that it was taken with the sheet of another revision than `revision`.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise RowplaneError(str(path), f"{path.stat().st_size} bytes", f"at most {MOST_BYTES}", "Is this a readings file?")
        content = path.read_bytes()
        text = content.decode("utf-8-sig")
    except OSError as error:
        raise RowplaneError(str(path), error.strerror or "unreadable", "a readings CSV", "Check the path.") from None
    except UnicodeDecodeError:
        raise RowplaneError(str(path), "a file that is not UTF-8 text", "a readings CSV", "Save it as UTF-8 CSV.") from None
    try:
        readings = _readings(path, text, revision)
    except csv.Error as error:
        raise RowplaneError(str(path), f"a file that is not CSV ({error})", "a readings CSV", "Export it again.") from None
    return FieldReadings(path.name, readings, hashlib.sha256(content).hexdigest())


def _readings(path: Path, text: str, revision: str) -> tuple[FieldReading, ...]:
    if not text.strip():
        hint = "Save it again; a file with the head line alone says that nothing was read."
        raise RowplaneError(str(path), "an empty file", ", ".join(COLUMNS), hint)
    rows = csv.DictReader(io.StringIO(text, newline=""))
    names = [name.strip() for name in rows.fieldnames or []]
    missing = [name for name in COLUMNS[:3] if name not in names]
    strange = [name for name in names if name not in COLUMNS]
    if missing or strange:
        found = f"columns {', '.join(names)[:120] or 'none'}"
        raise RowplaneError(str(path), found, ", ".join(COLUMNS), "Values are mm; take the file that the crew page exports.")
    rows.fieldnames = names
    told = list(enumerate(rows, start=2))
    for line, row in told:
        _same_revision(f"{path.name}, line {line}", (row.get("revision") or "").strip(), revision)
    return tuple(_reading(path, line, row) for line, row in told)


def _same_revision(subject: str, told: str, revision: str) -> None:
    # A gap rests on the numbers its outer feet were set to, so another sheet's gaps would be taken for something else.
    if not told or not revision or told == revision:
        return
    other = told.partition("-")[0] != revision.partition("-")[0]
    hint = (
        "Give the folder whose sheet was on the roof; this one is of another survey or other settings."
        if other
        else "Give the folder whose sheet was on the roof, or measure again with this revision's sheet."
    )
    raise RowplaneError(subject, f"a reading taken with revision {told[:40]}", f"revision {revision}", hint)


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
