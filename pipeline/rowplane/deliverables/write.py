"""All deliverables of one lead, all or nothing."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from rowplane.deliverables.content import Files, Sheets
from rowplane.deliverables.csv_tables import csv_files
from rowplane.deliverables.dxf import dxf_files
from rowplane.deliverables.geo import geo_files
from rowplane.deliverables.html import html_files
from rowplane.deliverables.json_result import result_files
from rowplane.deliverables.model3d import model_files
from rowplane.deliverables.pdf import pdf_files
from rowplane.deliverables.png import png_files
from rowplane.deliverables.record import record_files
from rowplane.deliverables.sheets import build_sheets
from rowplane.deliverables.svg import svg_files
from rowplane.deliverables.xlsx import xlsx_files
from rowplane.errors import RowplaneError
from rowplane.model import RoofResult

ALWAYS: tuple[str, ...] = ()

WRITERS: dict[Callable[[RoofResult, Sheets], Files], tuple[str, ...]] = {
    csv_files: ALWAYS,
    result_files: ALWAYS,
    record_files: ALWAYS,
    xlsx_files: ("tables.xlsx",),
    svg_files: ("layout.svg",),
    dxf_files: ("layout.dxf",),
    geo_files: ("layout.geojson", "deviation.tif"),
    model_files: ("model.html", "model.glb"),
    png_files: ("deviation.png",),
    html_files: ("crew-sheet.html",),
    pdf_files: ("crew-sheet.pdf",),
}
"""Each writer with the files of [deliverables] that it makes; programs rely on the others, so they are always written."""

MARKS = ("record.json", "failure.json")
"""Files that tell a result folder from any other, which is never replaced."""


def write_all(result: RoofResult, out_dir: Path, overwrite: bool = False) -> tuple[Path, ...]:
    """Writes every deliverable into `out_dir` and returns their paths; either all files are there afterwards or none.

    They are written to a hidden folder beside `out_dir`, which takes the name only when all is there. With `overwrite`
    an older result folder is moved aside first, and put back if the rename fails; a folder that holds anything but a
    result is never replaced. Raises RowplaneError where `out_dir` exists and may not be replaced, or cannot be written
    (rights, disk full).
    """
    return put_files(rendered(result, out_dir, overwrite), out_dir, overwrite)


def check_out(out_dir: Path, overwrite: bool = False) -> None:
    """Raises as `write_all` where `out_dir` may not be replaced or cannot be written, so that no work is done in vain.

    Tried with a folder that is gone afterwards: rights alone do not tell a full or read-only disk.
    """
    out_dir = Path(out_dir)
    if re.match(r"[A-Za-z][\w+.-]+:/", str(out_dir)):
        raise RowplaneError(str(out_dir), "a URL", "a folder of this machine", "rowplane batch writes to URLs.")
    try:
        _refuse_what_stands_there(out_dir, overwrite)
        # Folders missing above it are made with the result only.
        above = next(folder for folder in out_dir.absolute().parents if os.path.lexists(folder))
        _hidden(out_dir, above).rmdir()
    except OSError as error:
        raise _cannot_write(out_dir, error) from error


def rendered(result: RoofResult, out_dir: Path, overwrite: bool = False) -> Files:
    """Every deliverable asked for, in memory; raises as `write_all`, before any work where `check_out` does."""
    check_out(out_dir, overwrite)
    sheets, wanted, files = build_sheets(result), result.lead.config.deliverables.files, Files()
    try:
        for render, names in WRITERS.items():
            if names == ALWAYS or not set(wanted).isdisjoint(names):
                files |= {name: text for name, text in render(result, sheets).items() if name in wanted or name not in names}
        return files
    except OSError as error:
        # Some libraries keep their work in temporary files, which a full disk stops just as well.
        raise _cannot_write(out_dir, error) from error


def put_files(files: Files, out_dir: Path, overwrite: bool = False) -> tuple[Path, ...]:
    """Puts ready-made files into `out_dir`, all or none, with the rules and errors of `write_all`."""
    out_dir = Path(out_dir)
    try:
        _refuse_what_stands_there(out_dir, overwrite)
        out_dir.parent.mkdir(parents=True, exist_ok=True)
        work = _hidden(out_dir, out_dir.parent)
    except OSError as error:
        raise _cannot_write(out_dir, error) from error
    try:
        for name, content in files.items():
            (work / name).write_bytes(content)
        work.chmod(0o777 & ~_umask())
        _take_place(work, out_dir)
    except OSError as error:
        raise _cannot_write(out_dir, error) from error
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return tuple(out_dir / name for name in files)


def _hidden(out_dir: Path, above: Path) -> Path:
    return Path(tempfile.mkdtemp(prefix=f".{out_dir.name[:60]}-", dir=above))


def _refuse_what_stands_there(out_dir: Path, overwrite: bool) -> None:
    if out_dir.is_dir():
        if not overwrite:
            hint = "Give another --out, or --overwrite to replace it."
            raise RowplaneError(str(out_dir), "a folder that exists", "a new folder", hint)
        if any(out_dir.iterdir()) and not any((out_dir / mark).is_file() for mark in MARKS):
            allowed = "a new folder, or one that holds an earlier result"
            raise RowplaneError(str(out_dir), "a folder with other things in it", allowed, "Give another --out.")
    elif out_dir.exists() or out_dir.is_symlink():
        raise RowplaneError(str(out_dir), "a file of that name", "a new folder", "Give another --out.")


def _take_place(work: Path, out_dir: Path) -> None:
    if not out_dir.exists():
        work.rename(out_dir)
        return
    aside = Path(tempfile.mkdtemp(prefix=f".{out_dir.name[:60]}-old-", dir=out_dir.parent))
    out_dir.rename(aside / "old")
    try:
        work.rename(out_dir)
    except OSError:
        (aside / "old").rename(out_dir)
        aside.rmdir()
        raise
    shutil.rmtree(aside, ignore_errors=True)


def _umask() -> int:
    # The temporary folder is private; the finished one gets the rights any new folder gets.
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _cannot_write(out_dir: Path, error: OSError) -> RowplaneError:
    return RowplaneError(
        str(out_dir),
        (error.strerror or str(error)).lower(),
        "a folder that can be written, with room for some 20 MB",
        "Nothing was written. Free some room or give another --out.",
    )
