"""From what the user names to one task per lead: a folder of leads, a CSV manifest, or a URL of either."""

from __future__ import annotations

import csv
import difflib
import io
import re
import struct
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any, get_args, get_origin

from rowplane.batch.places import address, each, is_local, open_place, protocols, unreachable
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
RESULT_MARKS = (RUNS, "record.json", "failure.json")
"""A folder with one of these was written by this program: it is no lead."""
BASE_MB = 700
"""Memory of a worker beside the points: libraries, sheets of an ordinary roof, what it keeps between leads (measured: 680)."""

FLAT_STORES = {"s3", "s3a", "gs", "gcs", "az", "abfs", "memory"}

Entry = dict[str, Any]


@dataclass(frozen=True)
class Task:
    """One lead to be done: `place` is a path or URL of a scan, a lead.toml or a folder; `name` its output folder.

    `title` is the lead's name where a manifest gives one. `problem` says why it cannot even start; such a task fails in
    words and the others go on. `need_mb` is an estimate of the memory it takes.
    """

    name: str
    place: str
    overrides: tuple[tuple[str, str], ...] = ()
    problem: str = ""
    need_mb: int = BASE_MB
    title: str = ""


@dataclass(frozen=True)
class Plan:
    """What a batch would do: its tasks sorted by name, and the names of what lay there and is no lead."""

    tasks: tuple[Task, ...]
    left_out: tuple[str, ...] = ()


def plan_tasks(leads: str) -> Plan:
    """Tasks of a folder, a manifest (a .csv with a `lead` and a `scan` column) or a URL of either.

    Raises RowplaneError where LEADS cannot be read or holds no lead. A lead with a bad name, a name twice, or a scan
    that is not there becomes a task with its problem, so that the rest of the night is not lost.
    """
    fs, root = open_place(leads)
    left_out: list[str] = []
    try:
        if root.lower().endswith(".csv") and fs.isfile(root):
            tasks = _of_manifest(fs, root)
        elif fs.isdir(root):
            tasks, left_out = _of_folder(fs, root)
        elif fs.exists(root):
            raise RowplaneError(leads, "a single file", "a folder of leads or a .csv manifest", "For one lead: rowplane run")
        else:
            raise RowplaneError(
                leads, "nothing there", "a folder of leads, a .csv manifest, or a URL of one", "Check the path."
            )
    except RowplaneError:
        raise
    except Exception as error:  # every store has its own errors; none of them may cost a traceback
        raise unreachable(leads, error) from None
    if not tasks:
        raise RowplaneError(leads, "no lead in it", f"lead folders (with {LEAD_FILE}) or scans", "Check the folder.")
    return Plan(tuple(sorted(_with_good_names(tasks), key=lambda t: t.name)), tuple(left_out))


def _of_folder(fs: Any, root: str) -> tuple[list[Task], list[str]]:
    files, folders = _two_levels(fs, root)
    found: list[tuple[str, str, list[Entry]]] = []
    left_out = []
    stems: set[str] = set()
    for name, inside in sorted(folders.items()):
        names = [_name(f) for f in inside]
        if any(mark in names for mark in RESULT_MARKS):
            continue
        scans = [f for f in inside if _is_scan(_name(f))]
        # A link or pipe in it is for the lead to refuse, in words; here nothing but files is looked into.
        if scans or LEAD_FILE in names:
            found.append((name, f"{root}/{name}", scans))
        else:
            left_out.append(f"{name}/")
    for entry in sorted(files, key=_name):
        path = PurePosixPath(_name(entry))
        if not _is_scan(path.name) or not _is_file(fs, root, entry) or _is_manifest(fs, entry):
            left_out.append(path.name)
            continue
        # Two scans with one stem (roof.laz, roof.ply) are two leads: the suffix goes into the second's name.
        name = path.name.replace(".", "-") if path.stem in stems else path.stem
        stems.add(path.stem)
        found.append((name, entry["name"], [entry]))
    needs = each(fs, lambda lead: _need(fs, [f for f in lead[2] if _is_file(fs, root, f)]), found)
    tasks = [Task(name, address(fs, path), need_mb=need) for (name, path, _), need in zip(found, needs, strict=True)]
    return tasks, left_out


def _two_levels(fs: Any, root: str) -> tuple[list[Entry], dict[str, list[Entry]]]:
    """Files in `root`, and per folder in it the files in that folder; hidden ones left out, one listing for all."""
    files: list[Entry] = []
    folders: dict[str, list[Entry]] = {}
    # An object store lists all keys in pages of a thousand; going folder by folder would ask once per lead.
    how: dict[str, Any] = {} if FLAT_STORES & protocols(fs) else {"maxdepth": 2, "withdirs": True}
    for path, entry in fs.find(root, detail=True, **how).items():
        parts = PurePosixPath(path).relative_to(root).parts
        if not 1 <= len(parts) <= 2 or any(part.startswith(".") for part in parts):
            continue
        if entry["type"] == "directory":
            if len(parts) == 1:
                folders.setdefault(parts[0], [])
        elif len(parts) == 1:
            files.append(entry)
        else:
            folders.setdefault(parts[0], []).append(entry)
    return files, folders


def _name(entry: Entry) -> str:
    return PurePosixPath(entry["name"]).name


def _is_file(fs: Any, root: str, entry: Entry) -> bool:
    """A file in the folder of leads; a link counts where it leads to one in there, a pipe or device never."""
    if not (entry.get("islink") and is_local(fs)):
        return bool(entry["type"] == "file")
    path = Path(entry["name"])
    return path.is_file() and path.resolve().is_relative_to(Path(root).resolve())


def _is_scan(name: str) -> bool:
    return name.lower().endswith(SCAN_SUFFIXES) and not name.startswith(".")


def _is_manifest(fs: Any, entry: Entry) -> bool:
    if not _name(entry).lower().endswith(".csv") or entry["size"] == 0:
        return False
    columns = fs.cat_file(entry["name"], start=0, end=1000).split(b"\n")[0].strip().split(b",")
    return b"lead" in columns and b"scan" in columns


def _of_manifest(fs: Any, path: str) -> list[Task]:
    if fs.size(path) > MAX_MANIFEST_BYTES:
        raise RowplaneError(path, f"{fs.size(path)} bytes", f"at most {MAX_MANIFEST_BYTES}", "Split the manifest.")
    try:
        text = fs.cat_file(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise RowplaneError(path, "a file that is not UTF-8 text", "a CSV manifest", "Save it as UTF-8 CSV.") from None
    rows = csv.DictReader(io.StringIO(text, newline=""))
    try:
        settings = _setting_columns(path, list(rows.fieldnames or []))
        numbered = [(line, row) for line, row in enumerate(rows, start=2) if any(row.values())]
    except csv.Error as error:
        raise RowplaneError(path, f"a file that is not CSV ({error})", "a CSV manifest", "Export it again.") from None
    folder = path.rpartition("/")[0]
    return each(fs, lambda item: _of_row(fs, folder, item[1], settings, item[0]), numbered)


def _setting_columns(path: str, columns: list[str]) -> list[str]:
    if "lead" not in columns or "scan" not in columns:
        split = len(columns) == 1 and re.search(r"[;\t|]", columns[0])
        hint = "Save it with commas between the columns." if split else "See configs/examples/leads.csv."
        raise RowplaneError(path, f"columns {', '.join(columns) or 'none'}"[:200], "a lead and a scan column", hint)
    twice = next((c for k, c in enumerate(columns) if c in columns[:k]), None)
    if twice is not None:
        raise RowplaneError(f"{path}: column {twice!r}", "there twice", "each column once", "Remove one of them.")
    settings = [c for c in columns if c not in ("lead", "scan")]
    check_settings(settings, lambda column: f"{path}: column {column!r}")
    return settings


def check_settings(names: Iterable[str], subject: Callable[[str], str]) -> None:
    """Refuse what no lead has as a setting, before the night begins; values are each lead's own matter.

    Raises RowplaneError under `subject` of the first name that is no `section.key`, with the nearest one that is.
    """
    known = ["survey_date"]
    for section, info in Config.model_fields.items():
        # Rafters are a list of sections; one for all faces is what a single value can give.
        inner: Any = get_args(info.annotation)[0] if get_origin(info.annotation) is tuple else info.annotation
        known += [f"{section}.{key}" for key in inner.model_fields]
    for name in names:
        if ".".join(name.split(".")[:2]) not in known:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.0)
            raise RowplaneError(subject(name), "an unknown setting", "survey_date or section.key", f"Did you mean {near[0]}?")


def _of_row(fs: Any, folder: str, row: dict[str, str | None], settings: list[str], line: int) -> Task:
    name, scan = (row.get("lead") or "").strip(), (row.get("scan") or "").strip()
    overrides = tuple((key, (row.get(key) or "").strip()) for key in settings if (row.get(key) or "").strip())
    wrong = name_problem(name)
    if wrong:
        return Task(f"line-{line}", "", problem=f"line {line}: lead name {name[:60]!r} {wrong}")
    if None in row:
        return Task(name, "", problem=f"line {line}: more cells than there are columns")
    wrong = _scan_problem(fs, folder, scan)
    if wrong:
        return Task(name, "", problem=f"line {line}: scan {scan[:60]!r} {wrong}")
    outline = dict(overrides).get("ingest.footprint", "[").strip("\"'")
    if not outline.startswith("[") and not _stays_inside(outline):
        return Task(name, "", problem=f"line {line}: ingest.footprint {outline[:60]!r} is not a path inside the lead")
    place = f"{folder}/{scan}"
    entries = fs.ls(place, detail=True) if fs.isdir(place) else [fs.info(place)]
    scans = [e for e in entries if _is_file(fs, folder, e) and _is_scan(_name(e))]
    return Task(name, address(fs, place), overrides, need_mb=_need(fs, scans), title=name)


def _scan_problem(fs: Any, folder: str, scan: str) -> str:
    """Why a manifest's scan cannot be used; '' where it can."""
    if not _stays_inside(scan):
        return "is not a path inside the manifest's folder"
    if not fs.exists(f"{folder}/{scan}"):
        return "does not exist"
    if is_local(fs) and not Path(folder, scan).resolve().is_relative_to(Path(folder).resolve()):
        return "leads out of the manifest's folder by a link"
    return ""


def _stays_inside(path: str) -> bool:
    """Whether a manifest's path stays in the folder it starts from, on every system."""
    return bool(
        path and not path.startswith("/") and "\\" not in path and ":" not in path and ".." not in PurePosixPath(path).parts
    )


def name_problem(name: str) -> str:
    """Why a lead name cannot be a folder's on every system; '' where it can."""
    if not name:
        return "is empty"
    if len(name) > 60 or len(name.encode("utf-8", "replace")) > 180:
        return "is longer than 60 characters"
    if re.search(r'[<>:"/\\|?*\x00-\x1f\x7f\ud800-\udfff]', name) or name != name.strip(" .'") or not name.isprintable():
        return "holds a character that no folder name may have"
    if name.partition(".")[0].lower() in RESERVED or name.lower().startswith(("summary", RUNS)):
        return "is reserved"
    return ""


def _with_good_names(tasks: list[Task]) -> list[Task]:
    """The same tasks, each with a name of its own that can be a folder's; those that had none cannot start."""
    taken = {_folded(task.name) for task in tasks}
    seen: set[str] = set()
    kept = []
    for task in tasks:
        wrong = name_problem(task.name)
        if not wrong and _folded(task.name) not in seen:
            seen.add(_folded(task.name))
            kept.append(task)
            continue
        words = f"name {task.name[:60]!r} {wrong}" if wrong else f"the name {task.name!r} is there more than once"
        free = next(
            name
            for k in range(2, len(tasks) + 3)
            if _folded(name := f"lead-{k}" if wrong else f"{task.name[:40]}-double-{k}") not in taken
        )
        taken.add(_folded(free))
        kept.append(replace(task, name=free, place="", problem=task.problem or f"{words}; this one was not run"))
    return kept


def _folded(name: str) -> str:
    # Some file systems take two spellings of one letter, and upper and lower case, for the same name.
    return unicodedata.normalize("NFC", name).casefold()


def _need(fs: Any, scans: list[Entry]) -> int:
    return BASE_MB + int(sum(_scan_mb(fs, e) for e in scans))


def _scan_mb(fs: Any, entry: Entry) -> float:
    """Memory for a scan's points, from its header where the header counts them, else from its size."""
    size, path = float(entry.get("size") or 0), str(entry["name"])
    if path.lower().endswith((".las", ".laz")):
        # A header may lie; no point record packs into less than half a byte.
        return min(_las_count(fs, path), size * 2) * 60 / 1e6
    return size * 4 / 1e6


def _las_count(fs: Any, path: str) -> float:
    # LAS 1.4 R16, table 3: version at 24/25, legacy point count at 107, 1.4 point count at 247.
    try:
        head = fs.cat_file(path, start=0, end=375)
        if len(head) >= 255 and head[25] >= 4:
            return float(struct.unpack_from("<Q", head, 247)[0])
        return float(struct.unpack_from("<I", head, 107)[0])
    except Exception:  # the lead will say what is wrong with its file when it is read
        return 0.0
