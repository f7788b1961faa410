"""A result after field readings: foot and hook table with the new numbers, and what the next recheck rests on."""

from __future__ import annotations

import csv
import io
import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from rowplane.deliverables.json_result import posteriors_bytes
from rowplane.deliverables.safe import figure, harmless, plain
from rowplane.deliverables.write import put_files
from rowplane.errors import RowplaneError
from rowplane.model import FootSetting, HookSetting, Levelling, RecheckBasis

Row = dict[str, str]


def write_revised(earlier: Path, levels: Levelling, out_dir: Path, overwrite: bool = False) -> tuple[Path, ...]:
    """Writes feet.csv, hooks.csv, posterior.npz, result.json and record.json of the new revision into `out_dir`, all or none.

    `earlier` is the result's folder; it stays as it is. Without new readings the tables keep their bytes. Raises
    RowplaneError where the earlier tables cannot be read or `out_dir` cannot be written.
    """
    try:
        feet, hooks = _read(earlier / "feet.csv"), _read(earlier / "hooks.csv")
        result = json.loads((earlier / "result.json").read_text(encoding="utf-8"))
        record = json.loads((earlier / "record.json").read_text(encoding="utf-8"))
        lifts = _lift_per_mm(result)
    except (OSError, ValueError, KeyError, TypeError) as error:
        words = f"tables that cannot be read ({type(error).__name__})"
        raise RowplaneError(str(earlier), words, "the folder of a rowplane result", "Run the lead again.") from None
    count = max((p.revision for p in levels.posteriors if isinstance(p, RecheckBasis)), default=0)
    stamp = str(result["revision"]).partition("-")[0] + (f"-r{count}" if count else "")
    by_foot, by_hook = {f.foot: f for f in levels.feet}, {h.hook: h for h in levels.hooks}
    feet = [_foot(row, by_foot[row["foot"]], lifts, stamp) for row in feet]
    hooks = [_hook(row, by_hook[row["hook"]], lifts) for row in hooks]
    for values in (result, record):
        values["revision"] = stamp
    for name, rows in (("feet", feet), ("hooks", hooks)):
        result["tables"][name]["rows"] = [
            {key: _typed(old[key], row[key]) for key in old}
            for old, row in zip(result["tables"][name]["rows"], rows, strict=True)
        ]
    files = {
        "feet.csv": _text(feet), "hooks.csv": _text(hooks), "posterior.npz": posteriors_bytes(levels.posteriors),
        "result.json": _json(result), "record.json": _json(record),
    }  # fmt: skip
    return put_files(files, out_dir, overwrite)


def _read(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def _text(rows: list[Row]) -> bytes:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]) if rows else [], lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def _json(values: Any) -> bytes:
    return (json.dumps(values, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode("utf-8", "replace")


def _typed(old: Any, text: str) -> Any:
    if isinstance(old, str):
        return text
    return None if not text else int(text) if isinstance(old, int) and "." not in text else float(text)


def _lift_per_mm(result: dict[str, Any]) -> dict[str, Any]:
    """What one mm along w is in the scan's coordinates, by face."""
    frame = result["survey"]["frame"]
    across = frame["unit_mm"] / frame["grid_scale"]
    mm = np.array([across, across, frame["unit_z_mm"]])
    turn = np.array(frame["axes"])
    return {s["face"]["id"]: (np.array(s["face"]["frame"]["axes"][2]) / mm) @ turn for s in result["surfaces"]}


def _raised(row: Row, column: str, height_mm: float, per_mm: Any) -> Row:
    """The row with its height and its place in the scan moved along w; untouched where the printed height stays."""
    text = figure(height_mm, len(row[column].partition(".")[2]))
    if text == row[column]:
        return row
    moved = {column: text}
    for axis, share in zip("xyz", per_mm, strict=True):
        decimals = len(row[axis].partition(".")[2])
        moved[axis] = figure(float(row[axis]) + (height_mm - float(row[column])) * float(share), decimals)
    return {**row, **moved}


def _foot(row: Row, new: FootSetting, lifts: dict[str, Any], stamp: str) -> Row:
    changed = {
        "lift_mm": new.lift_mm, "adjustment_mm": new.adjustment_mm, "turns": new.turns, "packer_mm": new.packer_mm,
        "sigma_mm": new.sigma_mm, "string_gap_mm": new.string_gap_mm,
    }  # fmt: skip
    row = _raised(row, "rail_height_mm", new.rail_height_mm, lifts[row["face"]])
    for name, value in changed.items():
        decimals = len(row[name].partition(".")[2]) if row[name] else 1
        row = {**row, name: "" if math.isnan(value) else figure(value, decimals)}
    note = harmless(plain(new.note)) if new.note else row["note"]
    return {**row, "reach": new.reach, "trust": new.trust, "revision": stamp, "note": note}


def _hook(row: Row, new: HookSetting, lifts: dict[str, Any]) -> Row:
    row = _raised(row, "seat_height_mm", new.seat_height_mm, lifts[row["face"]])
    decimals = len(row["packer_mm"].partition(".")[2])
    return {**row, "packer_mm": figure(new.packer_mm, decimals), "trust": new.trust}
