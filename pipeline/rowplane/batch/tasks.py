"""From what the user names to one task per lead: a folder of leads, a CSV manifest, or a URL of either."""

from __future__ import annotations

import csv
import difflib
import io
import re
import struct
from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import Any

from rowplane.config import Config
from rowplane.errors import RowplaneError
from rowplane.leads import LEAD_FILE

SCAN_SUFFIXES = (
    ".las", ".laz", ".ply", ".pcd", ".xyz", ".pts", ".txt", ".csv", ".e57", ".obj", ".stl", ".glb", ".tif", ".tiff",
)  # fmt: skip
RESERVED = {"con", "prn", "aux", "nul", *(f"com{k}" for k in range(1, 10)), *(f"lpt{k}" for k in range(1, 10))}
MAX_MANIFEST_BYTES = 20_000_000
RUNS = "runs.jsonl"
"""The log in every batch output."""
BASE_MB = 450
"""Memory of a worker before it holds a point."""


@dataclass(frozen=True)
class Task:
    """One lead to be done: `place` is a path or URL of a scan, a lead.toml or a folder; `name` its output folder.

    `problem` says why it cannot even start; such a task fails in words and the others go on. `need_mb` is an estimate of
    the memory it takes.
    """

    name: str
    place: str
    overrides: tuple[tuple[str, str], ...] = ()
    problem: str = ""
    need_mb: int = BASE_MB


def plan_tasks(leads: str) -> tuple[Task, ...]:
    """Tasks of a folder, a manifest (a .csv with a `lead` and a `scan` column) or a URL of either, sorted by name.

    Raises RowplaneError where LEADS cannot be read or holds no lead. A lead with a bad name, a name twice, or a scan
    that is not there becomes a task with its problem, so that the rest of the night is not lost.
    """
    fs, root = open_place(leads)
    try:
        if fs.isdir(root):
            tasks = _of_folder(fs, root)
        elif fs.isfile(root) and root.lower().endswith(".csv"):
            tasks = _of_manifest(fs, root)
        elif fs.exists(root):
            raise RowplaneError(leads, "a single file", "a folder of leads or a .csv manifest", "For one lead: rowplane run")
        else:
            raise RowplaneError(
                leads, "nothing there", "a folder of leads, a .csv manifest, or a URL of one", "Check the path."
            )
    except (OSError, ImportError, ValueError) as error:
        raise unreachable(leads, error) from None
    if not tasks:
        raise RowplaneError(leads, "no lead in it", f"lead folders (with {LEAD_FILE}) or scans", "Check the folder.")
    return tuple(sorted(_without_doubles(tasks), key=lambda t: t.name))


def open_place(place: str) -> tuple[Any, str]:
    """File system and path of a local path or a URL. Raises RowplaneError where the URL's kind needs a missing package."""
    import fsspec

    try:
        fs, root = fsspec.core.url_to_fs(place)
    except (ImportError, ValueError, OSError) as error:
        raise unreachable(place, error) from None
    return fs, root.rstrip("/") or root


def is_local(fs: Any) -> bool:
    """Whether a file system is this machine's own."""
    return "file" in (fs.protocol if isinstance(fs.protocol, tuple) else (fs.protocol,))


def unreachable(place: str, error: BaseException) -> RowplaneError:
    """A place that cannot be read, in words; a URL whose package is missing names the extra."""
    words = " ".join(str(error).split())[:200] or type(error).__name__
    hint = "Check the address, the network, and that credentials are set."
    if isinstance(error, ImportError):
        hint = "Install the extra for this kind of URL: rowplane[s3], rowplane[gs] or rowplane[az]."
    return RowplaneError(place, f"no access ({words})", "a readable folder, manifest or URL", hint)


def _of_folder(fs: Any, root: str) -> list[Task]:
    tasks, names = [], {}
    for entry in sorted(fs.ls(root, detail=True), key=lambda e: e["name"]):
        path = PurePosixPath(entry["name"])
        if path.name.startswith(".") or path.name.endswith("-layout"):
            continue
        if entry["type"] == "directory":
            files = [f for f in fs.ls(entry["name"], detail=True) if f["type"] == "file"]
            if any(_name(f) == RUNS for f in files):
                continue  # the output of a batch, not a lead
            if any(_name(f) == LEAD_FILE for f in files) or sum(_is_scan(_name(f)) for f in files) == 1:
                scans = [f for f in files if _is_scan(_name(f))]
                tasks.append(Task(path.name, _url(fs, entry["name"]), need_mb=_need(fs, scans)))
        elif _is_scan(path.name):
            # Two scans with one stem (roof.laz, roof.ply) are two leads: the suffix goes into the second's name.
            name = path.name.replace(".", "-") if path.stem in names else path.stem
            names[path.stem] = path
            tasks.append(Task(name, _url(fs, entry["name"]), need_mb=_need(fs, [entry])))
    return tasks


def _name(entry: dict[str, Any]) -> str:
    return PurePosixPath(entry["name"]).name


def _is_scan(name: str) -> bool:
    return name.lower().endswith(SCAN_SUFFIXES) and not name.startswith(".")


def _url(fs: Any, path: str) -> str:
    return path if is_local(fs) else str(fs.unstrip_protocol(path))


def _of_manifest(fs: Any, path: str) -> list[Task]:
    if fs.size(path) > MAX_MANIFEST_BYTES:
        raise RowplaneError(path, f"{fs.size(path)} bytes", f"at most {MAX_MANIFEST_BYTES}", "Split the manifest.")
    try:
        text = fs.cat_file(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise RowplaneError(path, "a file that is not UTF-8 text", "a CSV manifest", "Save it as UTF-8 CSV.") from None
    rows = csv.DictReader(io.StringIO(text, newline=""))
    settings = _setting_columns(path, list(rows.fieldnames or []))
    folder = str(PurePosixPath(path).parent)
    return [_of_row(fs, folder, row, settings, line) for line, row in enumerate(rows, start=2)]


def _setting_columns(path: str, columns: list[str]) -> list[str]:
    if "lead" not in columns or "scan" not in columns:
        raise RowplaneError(
            path, f"columns {', '.join(columns) or 'none'}"[:200], "a lead and a scan column", "See configs/examples/leads.csv."
        )
    settings = [c for c in columns if c not in ("lead", "scan")]
    known = [f"{s}.{k}" for s, info in Config.model_fields.items() for k in getattr(info.annotation, "model_fields", {})]
    for column in settings:
        if ".".join(column.split(".")[:2]) not in known:
            near = difflib.get_close_matches(column, known, n=1, cutoff=0.0)
            raise RowplaneError(
                f"{path}: column {column}", "an unknown setting", "lead, scan, or section.key", f"Did you mean {near[0]}?"
            )
    return settings


def _of_row(fs: Any, folder: str, row: dict[str, str | None], settings: list[str], line: int) -> Task:
    name, scan = (row.get("lead") or "").strip(), (row.get("scan") or "").strip()
    overrides = tuple((key, (row.get(key) or "").strip()) for key in settings if (row.get(key) or "").strip())
    wrong = name_problem(name)
    if wrong:
        return Task(f"line-{line}", "", problem=f"line {line}: lead name {name[:60]!r} {wrong}")
    inside = (
        scan and not scan.startswith("/") and "\\" not in scan and ":" not in scan and ".." not in PurePosixPath(scan).parts
    )
    if not inside:
        return Task(name, "", problem=f"line {line}: scan {scan[:60]!r} is not a path inside the manifest's folder")
    place = f"{folder}/{scan}"
    if not fs.exists(place):
        return Task(name, "", problem=f"line {line}: scan {scan[:60]!r} does not exist")
    entries = [fs.info(place)] if fs.isfile(place) else fs.ls(place, detail=True)
    return Task(name, _url(fs, place), overrides, need_mb=_need(fs, [e for e in entries if e["type"] == "file"]))


def name_problem(name: str) -> str:
    """Why a lead name cannot be a folder's on every system; '' where it can."""
    if not name:
        return "is empty"
    if len(name) > 60:
        return "is longer than 60 characters"
    if re.search(r'[<>:"/\\|?*\x00-\x1f]', name) or name != name.strip(" ."):
        return "holds a character that no folder name may have"
    if name.partition(".")[0].lower() in RESERVED or name.lower().startswith("summary"):
        return "is reserved"
    return ""


def _without_doubles(tasks: list[Task]) -> list[Task]:
    seen: dict[str, int] = {}
    kept = []
    for task in tasks:
        key = task.name.casefold()
        seen[key] = seen.get(key, 0) + 1
        if seen[key] > 1:
            words = f"the name {task.name!r} is there more than once; this one was not run"
            kept.append(replace(task, name=f"{task.name}-double-{seen[key]}", place="", problem=words))
        elif not task.problem and (wrong := name_problem(task.name)):
            kept.append(replace(task, name=f"lead-{len(kept) + 1}", place="", problem=f"name {task.name[:60]!r} {wrong}"))
        else:
            kept.append(task)
    return kept


def _need(fs: Any, entries: list[dict[str, Any]]) -> int:
    return BASE_MB + int(sum(_scan_mb(fs, e) for e in entries))


def _scan_mb(fs: Any, entry: dict[str, Any]) -> float:
    """Memory for a scan's points, from its header where the header counts them, else from its size."""
    size, path = float(entry.get("size") or 0), str(entry["name"])
    if path.lower().endswith((".las", ".laz")):
        count = _las_count(fs, path)
        # A header may lie; no point record packs into less than half a byte.
        return min(count, size * 2) * 60 / 1e6
    return size * 4 / 1e6


def _las_count(fs: Any, path: str) -> float:
    # LAS 1.4 R16, table 3: version at 24/25, legacy point count at 107, 1.4 point count at 247.
    try:
        with fs.open(path, "rb") as stream:
            head = stream.read(375)
        if len(head) >= 255 and head[25] >= 4:
            return float(struct.unpack_from("<Q", head, 247)[0])
        return float(struct.unpack_from("<I", head, 107)[0])
    except (OSError, struct.error):
        return 0.0
