"""From what the user names (a scan, a lead.toml, a folder) to a Lead with one value, and its origin, for every setting."""

from __future__ import annotations

import difflib
import os
import re
import tomllib
import types
from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from rowplane.config import Config, Lead
from rowplane.errors import RowplaneError, shown

LEAD_FILE = "lead.toml"
LEAD_KEYS = ("name", "scan", "survey_date", "extends")
PRESET_FOLDERS = {"hardware": "hardware", "module": "modules", "placement": "codes", "surface": "tiles"}
"""Section whose `preset` key names a file, and the folder of configs/ it lies in."""
MAX_TOML_BYTES = 1_000_000
MAX_EXTENDS = 8
MAX_PARTS = 30
NO_KEY = re.compile(r"[^\w.\"'\s-]")
"""What stands between keys and values, in none of which dots follow each other by the dozen."""

Tree = dict[str, Any]


def presets_folder() -> Path:
    """Folder of the shipped presets: inside an installed package, or configs/ of a checkout."""
    packaged = Path(__file__).parent / "presets"
    return packaged if packaged.is_dir() else Path(__file__).parents[2] / "configs"


def load_lead(path: Path, overrides: Mapping[str, str] | None = None) -> Lead:
    """The lead at `path`: a scan file (all defaults), a lead.toml, or a folder with one lead.toml or one scan.

    `overrides` are `section.key` → value in TOML, as `--set` gives them; they win over everything. Raises RowplaneError
    for a missing path, a broken file, an unknown key (naming the nearest), or a value out of bounds.
    """
    try:
        source = _lead_file(path)
        bare = () if source else _bare_scan(path)
    except OSError as error:
        found = (error.strerror or "no access").lower()
        raise RowplaneError(str(path), found, "a scan, a lead.toml or a folder with one", "Check path and permissions.") from None
    tree: Tree = {}
    origins: dict[str, str] = {}
    if source is not None:
        tree, origins = _with_extends(source, 0)
    for key, text in (overrides or {}).items():
        _set(tree, origins, key, text)
    # After the overrides: one of them may name a preset.
    tree, origins = _with_presets(tree, origins)
    folder = source.parent if source else path.parent if path.is_file() else path
    head = {key: tree.pop(key) for key in LEAD_KEYS if key in tree}
    subject = source.name if source else "--set"
    config = _with_footprint(_checked(tree, subject), origins, folder, subject)
    scans = bare or _scans(head.get("scan"), folder, subject)
    name = _text(head.get("name", scans[0].stem if source is None else folder.resolve().name), f"{subject}: name")
    return Lead(shown(name), scans, _date(head.get("survey_date"), subject), folder, config, origins)


def _lead_file(path: Path) -> Path | None:
    """The lead.toml that `path` is or holds, or None. Raises OSError where there is no `path`."""
    path.stat()
    if path.is_dir():
        return _inside(path, LEAD_FILE, str(path)) if os.path.lexists(path / LEAD_FILE) else None
    return _inside(path.parent, path.name, str(path)) if path.suffix.lower() == ".toml" else None


def _bare_scan(path: Path) -> tuple[Path, ...]:
    if not path.is_dir():
        return (_with_an_end(path, str(path)),)
    files = sorted(p for p in path.iterdir() if p.is_file() and not p.name.startswith("."))
    if len(files) != 1:
        found = "an empty folder" if not files else f"{len(files)} files and no {LEAD_FILE}"
        raise RowplaneError(
            str(path),
            found,
            f"a folder with one scan or a {LEAD_FILE}",
            f"Write a {LEAD_FILE}: rowplane config init > {LEAD_FILE}",
        )
    return (_inside(path, files[0].name, str(path)),)


def _scans(value: Any, folder: Path, subject: str) -> tuple[Path, ...]:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not names or not all(isinstance(n, str) and n for n in names):
        raise RowplaneError(f"{subject}: scan", repr(value), "a file name or a list of them", 'Write scan = "roof.laz".')
    return tuple(_inside(folder, n, f"{subject}: scan") for n in names)


def _inside(folder: Path, name: str, subject: str) -> Path:
    """The file `name` of a lead's folder; a lead may come from anybody, so nothing outside is looked at, links included."""
    path = folder / name
    try:
        outside = Path(name).is_absolute() or not path.resolve().is_relative_to(folder.resolve())
        found = not outside and path.exists()
    except (OSError, ValueError, RuntimeError):  # too long, a NUL, links in a circle
        outside = found = False
    if outside:
        raise RowplaneError(subject, repr(name), "a path inside the lead's folder", "Copy or move the file into it.")
    if not found:
        raise RowplaneError(
            subject, f"{name[:80]!r}, which does not exist", "a file in the lead's folder", "Check the name."
        )
    return _with_an_end(path, subject)


def _with_an_end(path: Path, subject: str) -> Path:
    """The same path, unless it is a pipe or a device: whoever reads those may wait for ever."""
    if not (path.is_file() or path.is_dir()):
        raise RowplaneError(subject, "a pipe or a device", "a file on disk", "Copy it into a file.")
    return path


def _with_footprint(config: Config, origins: dict[str, str], folder: Path, subject: str) -> Config:
    """The place of a footprint's file made certain: the lead's folder; for one named on the command line also the working one."""
    name = config.ingest.footprint
    if not isinstance(name, str):
        return config
    if origins.get("ingest.footprint") == "--set" and not (folder / name).is_file():
        path = Path.cwd() / name
    else:
        path = _inside(folder, name, f"{subject}: ingest.footprint")
    return config.model_copy(update={"ingest": config.ingest.model_copy(update={"footprint": str(path.resolve())})})


def _text(value: Any, subject: str) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 200:
        raise RowplaneError(subject, repr(value)[:80], "a text of 1 to 200 characters", 'Write name = "…".')
    return value.strip()


def _date(value: Any, subject: str) -> date | None:
    if value is None or (isinstance(value, date) and type(value) is date):
        return value
    try:
        return date.fromisoformat(str(value))
    except ValueError:
        raise RowplaneError(
            f"{subject}: survey_date", repr(value), "a date, year-month-day", "Write survey_date = 2026-05-04."
        ) from None


def _read_toml(path: Path) -> Tree:
    try:
        if path.stat().st_size > MAX_TOML_BYTES:
            raise RowplaneError(str(path), f"{path.stat().st_size} bytes", f"at most {MAX_TOML_BYTES}", "Is this a lead.toml?")
        return _parsed(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise RowplaneError(
            str(path), f"a file that is not TOML ({error})", "TOML 1.0 in UTF-8", "Mend the line named."
        ) from None
    except OSError as error:
        raise RowplaneError(
            str(path), error.strerror or "unreadable", "a readable file", "Check path and permissions."
        ) from None


def _parsed(text: str) -> Tree:
    """TOML, unless a key has so many parts that its parser, whose time grows with their square, would take hours."""
    lines = (line for line in text.splitlines() if not line.lstrip().startswith("#"))
    if any(piece.count(".") > MAX_PARTS for line in lines for piece in NO_KEY.split(line)):
        raise tomllib.TOMLDecodeError(f"a key of more than {MAX_PARTS} parts")
    return tomllib.loads(text)


def _with_extends(path: Path, depth: int) -> tuple[Tree, dict[str, str]]:
    """A file's tree laid over the one it extends; `extends` is looked for beside the file, then among the presets."""
    if depth > MAX_EXTENDS:
        raise RowplaneError(str(path), "files that extend each other", f"at most {MAX_EXTENDS} levels", "Break the circle.")
    tree = _read_toml(path)
    below = tree.pop("extends", None)
    origins = dict.fromkeys(_keys(tree), path.name)
    if below is None:
        return tree, origins
    base, base_origins = _with_extends(_find(_text(below, f"{path.name}: extends"), path.parent), depth + 1)
    return _over(base, tree), {**base_origins, **origins}


def _find(name: str, beside: Path) -> Path:
    for root in (beside, presets_folder()):
        candidate = root / name
        if candidate.is_file() and candidate.resolve().is_relative_to(root.resolve()):
            return candidate
    known = sorted(p.relative_to(presets_folder()).as_posix() for p in presets_folder().rglob("*.toml"))
    raise RowplaneError("extends", repr(name), "a file beside this one, or a preset", _nearest(name, known))


def _with_presets(tree: Tree, origins: dict[str, str]) -> tuple[Tree, dict[str, str]]:
    """Lay the file that `preset` names under each section that has one."""
    for section, folder in PRESET_FOLDERS.items():
        table = tree.get(section)
        if not isinstance(table, dict) or "preset" not in table:
            continue
        known = sorted(p.stem for p in (presets_folder() / folder).glob("*.toml"))
        if table["preset"] not in known:
            raise RowplaneError(
                f"{section}.preset", repr(table["preset"]), ", ".join(known), _nearest(str(table["preset"]), known)
            )
        path = presets_folder() / folder / f"{table['preset']}.toml"
        base, base_origins = _with_extends(path, 0)
        tree = _over(base, tree)
        origins = {**base_origins, **origins}
    return tree, origins


def _over(base: Tree, top: Tree) -> Tree:
    merged = dict(base)
    for key, value in top.items():
        below = merged.get(key)
        merged[key] = _over(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return merged


def _keys(tree: Tree, prefix: str = "") -> Iterator[str]:
    for key, value in tree.items():
        if isinstance(value, dict):
            yield from _keys(value, f"{prefix}{key}.")
        else:
            yield prefix + key


def _set(tree: Tree, origins: dict[str, str], key: str, text: str) -> None:
    try:
        value = _parsed(f"value = {text}")["value"]
    except (tomllib.TOMLDecodeError, RecursionError):
        value = text  # a bare word is meant as a text: --set placement.orientation=portrait
    table: Any = tree
    *path, last = key.split(".")
    for part in path:
        table = table.setdefault(part, {})
        if not isinstance(table, dict):
            raise RowplaneError(f"--set {key}", f"{part} is not a table", "section.key=value", "See rowplane config show.")
    table[last] = value
    origins[key] = "--set"


def _checked(tree: Tree, subject: str) -> Config:
    data = dict(tree)
    if isinstance(data.get("rafters"), dict):
        data["rafters"] = [data["rafters"]]
    try:
        return Config.model_validate(data)
    except ValidationError as error:
        raise _in_words(error.errors()[0], subject, error.error_count()) from None


def _in_words(problem: ErrorDetails, subject: str, count: int) -> RowplaneError:
    where = ".".join(str(part) for part in problem["loc"]) or "values"
    more = f" ({count - 1} more after this one.)" if count > 1 else ""
    if problem["type"] == "extra_forbidden":
        known = _known_keys([str(part) for part in problem["loc"][:-1]])
        return RowplaneError(
            f"{subject}: {where}", "an unknown key", "keys of the reference", _nearest(str(problem["loc"][-1]), known) + more
        )
    found = repr(problem["input"])
    return RowplaneError(
        f"{subject}: {where}",
        found if len(found) < 80 else found[:77] + "…",
        problem["msg"].removeprefix("Value error, "),
        "Mend this value; `rowplane config init` shows every key with its unit and bounds." + more,
    )


def _known_keys(path: list[str]) -> list[str]:
    model: Any = Config
    for part in path:
        if part.isdigit() or not (isinstance(model, type) and issubclass(model, BaseModel)) or part not in model.model_fields:
            continue
        model = _inner(model.model_fields[part].annotation)
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        return []
    return sorted(model.model_fields) + ([] if path else list(LEAD_KEYS))


def _inner(annotation: Any) -> Any:
    """The section inside `tuple[Section, ...]` or `Section | None`."""
    if get_origin(annotation) in (tuple, Union, types.UnionType):
        return next((a for a in get_args(annotation) if isinstance(a, type) and issubclass(a, BaseModel)), annotation)
    return annotation


def _nearest(word: str, known: list[str]) -> str:
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.3)
    if near:
        return f"Did you mean {near[0]}?"
    return f"Known: {', '.join(known)}." if known else "Remove it."
