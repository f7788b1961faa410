"""Point clouds as text: XYZ, PTS, TXT, ASC and CSV, with or without a header."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rowplane.config import IngestConfig
from rowplane.errors import RowplaneError
from rowplane.ingest.opened import ROWS, Chunk, Opened, check_count, no_points

LONGEST_LINE = 65_536
NAMES = {
    "x": ("x", "easting", "east", "e", "coord. x", "cartesianx"),
    "y": ("y", "northing", "north", "n", "coord. y", "cartesiany"),
    "z": ("z", "height", "elevation", "elev", "h", "altitude", "alt", "coord. z", "cartesianz"),
    "class": ("classification", "class"),
}
UNITS = {"m": "m", "mm": "mm", "cm": "cm", "ft": "ft", "in": "in", "us-ft": "us-ft", "usft": "us-ft"}
COLUMN = re.compile(r"^(?P<name>.*?)[\s_]*[\[(]?(?P<unit>us-?ft|mm|cm|m|ft|in)?[\])]?$")


@dataclass(frozen=True)
class Head:
    """How a text file is laid out: names as written (empty without a header), delimiter (None: blanks), rows to skip.

    `promised` is the point count that a PTS file starts with, or None; `columns` the first row of numbers.
    """

    names: tuple[str, ...]
    delimiter: str | None
    skip: int
    promised: int | None
    columns: int
    comma_decimals: bool


class _Lines(io.FileIO):
    """A text file's bytes; raises RowplaneError where a line does not end, which would be taken into memory whole."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._path, self._since = path, 0

    def readinto(self, buffer: Any) -> int | None:
        count = super().readinto(buffer) or 0
        data = bytes(memoryview(buffer)[:count])
        last = max(data.rfind(b"\n"), data.rfind(b"\r"))
        self._since = count - last - 1 if last >= 0 else self._since + count
        if self._since > LONGEST_LINE:
            found = f"a line of more than {LONGEST_LINE:,} bytes"
            raise RowplaneError(str(self._path), found, "one point per line", "Check that this is the right file; export it again.")
        return count


def open_lines(path: Path, start: int = 0, encoding: str = "utf-8-sig", newline: str | None = None) -> io.TextIOWrapper:
    """A text file from byte `start`, none of whose lines is too long for memory: RowplaneError where one comes."""
    raw = _Lines(path)
    raw.seek(start)
    return io.TextIOWrapper(io.BufferedReader(raw), encoding=encoding, errors="replace", newline=newline)


def look(path: Path) -> Head:
    """Finds header, delimiter and first row of numbers. Raises RowplaneError where no row of numbers comes."""
    names: tuple[str, ...] = ()
    shown: tuple[str, ...] = ()
    promised = None
    with open_lines(path) as stream:
        for skip in range(200):
            line = stream.readline(LONGEST_LINE)
            if not line:
                break
            text = line.strip()
            if "\x00" in text:
                break
            marked = text.startswith(("#", "//", ";"))
            delimiter, words, comma = split(text.lstrip("#/; "))
            numbers = [number(word, comma) for word in words]
            if not marked and len(words) == 1 and text.isdigit() and promised is None and not names:
                promised = int(text)
            elif not marked and _is_row(numbers, names):
                return Head(names, delimiter, skip, promised, len(words), comma)
            elif words and words != [""] and numbers[0] is None:
                told = tuple(word.strip().strip("\"'") for word in words)
                shown = shown or told
                # A comment is the header only where it names the axes.
                names = told if not marked or all(find(told, axis) for axis in "xyz") else names
    start = f", which start with {', '.join(shown[:8])[:120]}" if shown else ""
    raise RowplaneError(
        str(path),
        f"no row of three numbers in the first lines{start}",
        "rows of x y z, or a level survey with u_… v_… and staff_… or height_… columns (suffix m, mm, ft or in)",
        "Check that this is the right file; export it as x y z.",
    )


def _is_row(numbers: list[float | None], names: tuple[str, ...]) -> bool:
    # Under a header words may stand before the numbers: a point's name, what the staff stood on.
    known = [value is not None for value in numbers]
    return len(known) >= 3 and (all(known[:3]) or (len(known) == len(names) and sum(known) >= 3))


def split(text: str) -> tuple[str | None, list[str], bool]:
    """Delimiter (None for blanks), fields, and whether commas are decimal points."""
    for mark in ("\t", ";"):
        if mark in text:
            words = text.split(mark)
            return mark, words, any(re.fullmatch(r"\s*-?\d+,\d+\s*", word) for word in words)
    words = text.split()
    if len(words) >= 3 and all(re.fullmatch(r"-?\d+,\d+", word) for word in words[:3]):
        return None, words, True
    return (",", text.split(","), False) if "," in text else (None, words, False)


def number(word: str, comma: bool) -> float | None:
    """The number a field holds, or None."""
    try:
        return float(word.replace(",", ".") if comma else word)
    except ValueError:
        return None


def column(name: str) -> tuple[str, str | None]:
    """A column's name without its unit, lower case, and the unit: `Staff_mm`, `X [m]` and `z(ft)` → name, unit."""
    match = COLUMN.match(name.strip().lower())
    assert match is not None  # every part of the pattern is optional
    base, unit = match["name"].strip(), match["unit"]
    # 'm', 'in' or 'column' are names, not a unit without one; a unit must stand apart from the name.
    apart = unit and base and re.search(r"[\s_\[(]", name.strip().lower()[len(base) :])
    return (base, UNITS[unit]) if apart else (name.strip().lower(), None)


def find(names: tuple[str, ...], key: str) -> tuple[int, str | None] | None:
    """Index and unit of the column that `key` of NAMES may be called, or None."""
    for i, name in enumerate(names):
        base, unit = column(name)
        if base in NAMES[key]:
            return i, unit
    return None


def open_text(path: Path, config: IngestConfig) -> Opened:
    """A cloud as rows of numbers, columns by header or the first three. Raises RowplaneError, naming the row."""
    head = look(path)
    used, unit, unit_z = _columns(path, head)
    shortest = 2.0 * max(len(used), 3)
    count = min(int(path.stat().st_size / shortest) + 1, config.max_points + ROWS)
    if head.promised is not None:
        check_count(path, head.promised, shortest, config.max_points)

    def chunks() -> Iterator[Chunk]:
        with open_lines(path) as stream:
            for _ in range(head.skip):
                stream.readline(LONGEST_LINE)
            seen, more = 0, [0]
            while True:
                part = _rows(path, stream, head, used, seen, more)
                seen += len(part)
                if seen > config.max_points:
                    check_count(path, seen, 0.0, config.max_points)
                if not len(part):
                    break
                classes = np.clip(np.nan_to_num(part[:, 3]), 0, 255).astype(np.uint8) if len(used) > 3 else None
                yield Chunk((part[:, 0], part[:, 1], part[:, 2]), classes)
            promised = (head.promised or 0) + more[0]
            if seen < promised:
                raise RowplaneError(
                    str(path),
                    f"{seen:,} of the {promised:,} points its counts promise",
                    "a whole file",
                    "The file is cut short: copy it again.",
                )

    first = next(chunks(), None)
    if first is None:
        raise no_points(path, "a text file")
    middle = np.array([_median(c) for c in first.columns])
    form = f"text, {head.columns} columns"
    source = "the header of the file" if unit else ""
    return Opened(path, form, count, middle, chunks, unit=unit, unit_z=unit_z, unit_source=source)


def _columns(path: Path, head: Head) -> tuple[tuple[int, ...], str | None, str | None]:
    found = {key: find(head.names, key) for key in NAMES}
    if head.names and all(found[key] for key in "xyz"):
        (x, unit), (y, unit_y), (z, unit_z) = (found[key] or (0, None) for key in "xyz")
        if unit != unit_y:
            raise RowplaneError(
                str(path),
                f"x in {unit or 'no unit'} and y in {unit_y or 'no unit'}",
                "one unit for x and y",
                "Export both in one unit.",
            )
        used = (x, y, z) + ((found["class"][0],) if found["class"] else ())
        if max(used) < head.columns:
            return used, unit, unit_z or unit
    if head.names and any(found[key] for key in "xyz"):
        raise RowplaneError(
            str(path),
            f"the columns {', '.join(head.names[:10])}",
            "x, y and z; or for a level survey u_…, v_… and staff_… or height_…, or x_…, y_… and z_… (suffix m, mm, ft or in)",
            "Name the columns so.",
        )
    if head.names and not _is_title(head):
        raise RowplaneError(
            str(path),
            f"the columns {', '.join(head.names[:10])}",
            "x, y and z for a cloud; u_…, v_… and staff_… or height_… for a level survey (suffix m, mm, ft or in)",
            "Name the columns so.",
        )
    return (0, 1, 2), None, None


def _is_title(head: Head) -> bool:
    """A first line that does not match the columns one to one is a title, not a header."""
    return len(head.names) != head.columns


def _rows(path: Path, stream: Any, head: Head, used: tuple[int, ...], seen: int, more: list[int]) -> Any:
    """Up to `ROWS` rows `(k, used)`; counts that start further scans of a PTS file are added to `more[0]`."""

    def lines() -> Iterator[str]:
        for line in stream:
            # A lone number inside a PTS file starts its next scan.
            if head.promised is not None and line.strip().isdigit():
                more[0] += int(line)
                continue
            yield line.replace(",", ".") if head.comma_decimals else line

    plain = head.promised is None and not head.comma_decimals
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # loadtxt warns at the end of the file
        try:
            source = stream if plain else lines()
            return np.loadtxt(source, max_rows=ROWS, usecols=used, delimiter=head.delimiter, ndmin=2, comments=["#", "//"])
        except (ValueError, IndexError) as error:
            where = re.search(r"at row (\d+)", str(error))
            row = seen + int(where[1]) + 1 if where else None
            raise RowplaneError(
                str(path),
                f"a row that is not {len(used)} numbers{f' (number {row:,} of the points)' if row else ''}",
                "one point per row",
                "Mend or delete that row; a last row cut short means the copy is not whole.",
            ) from error


def _median(values: Any) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if len(finite) else 0.0
