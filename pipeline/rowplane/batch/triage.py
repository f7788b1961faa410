"""Sort a lead by its written result: ready, site-check, not-suitable, with the reason in a sentence.

Works on result.json alone, so that a lead done last night and one done just now are judged the same way.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from typing import Any, Literal

Verdict = Literal["ready", "site-check", "not-suitable", "failed"]
Row = dict[str, str | int | float | None]

COLUMNS: tuple[tuple[str, str, int | None, str], ...] = (
    ("lead", "", None, "name of the lead's folder"),
    ("verdict", "", None, "ready, site-check, not-suitable or failed"),
    ("reason", "", None, "why, in a sentence"),
    ("faces", "", 0, "faces found on the building"),
    ("modules", "", 0, "modules placed"),
    ("power_kw", "kW", 2, "rated power of the modules"),
    ("rails", "", 0, "rails"),
    ("hooks", "", 0, "tile hooks"),
    ("feet", "", 0, "feet"),
    ("adjustment_min_mm", "mm", 1, "lowest adjustment from mid-travel"),
    ("adjustment_max_mm", "mm", 1, "highest adjustment from mid-travel"),
    ("feet_to_measure", "", 0, "feet the survey does not support"),
    ("feet_out_of_reach", "", 0, "feet that no travel or packer brings into the plane"),
    ("packers", "", 0, "places that need packers"),
    ("scan", "", None, "verdict on the scan for foot heights"),
    ("deviation_max_mm", "mm", 1, "greatest deviation of a substrate from its plane"),
    ("flatness_mm", "mm", 1, "greatest peak to valley of a face's substrate over its plane (ISO 12781-1 FLTt)"),
    ("revision", "", None, "fingerprint of input, settings and version"),
)
"""Columns of the summary: name, unit, decimals (None for text), meaning."""

ONE_PER_PLACE = ("junction box",)
"""Parts whose detail says where on the roof they go: that differs per lead and is left out of totals."""
NOT_ORDERED = ("rail, cut", "load on the roof", "trips up the ladder")
"""Lines of a parts list that are cut from others, or are no parts."""
OUT_OF_REACH = "foot-out-of-reach"
SPEAKS_FIRST = ("no-roof", "scan-not-fit", OUT_OF_REACH)
"""Findings that decide before all others, in this order: what else is said of a scan that is not fit rests on sand."""
SPEAKS_LAST = ("rafters-unknown", "unit-guessed")
"""Findings that most leads have until somebody has looked; the reason that tells leads apart comes before them."""


def triage(name: str, result: dict[str, Any]) -> Row:
    """The summary row of a lead from its result.json; the rules are the settings of its [batch] section."""
    levels, rules = result["levels"], result["config"]["batch"]
    feet = levels["feet"]
    modules = sum(len(a["modules"]) for a in result["layout"]["arrays"])
    adjustments = [f["adjustment_mm"] for f in feet]
    row: Row = {
        "lead": name,
        "faces": len(result["roof"]["faces"]),
        "modules": modules,
        "power_kw": round(modules * result["config"]["module"]["power_w"] / 1000, 2),
        "rails": len(result["plan"]["rails"]),
        "hooks": len(result["plan"]["hooks"]),
        "feet": len(feet),
        "adjustment_min_mm": round(min(adjustments), 1) if feet else None,
        "adjustment_max_mm": round(max(adjustments), 1) if feet else None,
        "feet_to_measure": sum(f["trust"] == "measure" for f in feet),
        "feet_out_of_reach": sum(f["reach"] == "out-of-reach" for f in feet),
        "packers": sum(bool(p["packer_mm"]) for p in (*feet, *levels["hooks"])),
        "scan": result["quality"]["verdict"],
        "deviation_max_mm": max((round(s["deviation_max_mm"], 1) for s in result["surfaces"]), default=None),
        "flatness_mm": max((round(s["flatness"]["zone_lsq_mm"], 1) for s in result["surfaces"] if s["flatness"]), default=None),
        "revision": result["revision"],
    }
    verdict, reason = _judged(row, result["findings"], rules)
    return {"lead": name, "verdict": verdict, "reason": reason, **{k: v for k, v in row.items() if k != "lead"}}


def parts_of(result: dict[str, Any]) -> list[list[str | float]]:
    """What to order for a lead: part, detail, unit, quantity, weight (0 where the data sheet gives none)."""
    return [
        [p["part"], "" if p["part"] in ONE_PER_PLACE else p["detail"], p["unit"], p["quantity"], p["weight_kg"] or 0.0]
        for p in result["tables"]["parts"]["rows"]
        if p["part"] not in NOT_ORDERED
    ]


def failed(name: str, reason: str) -> Row:
    """The row of a lead that gave no result."""
    empty: Row = {column: None for column, *_ in COLUMNS}
    return {**empty, "lead": name, "verdict": "failed", "reason": reason}


def _judged(row: Row, findings: list[dict[str, Any]], rules: dict[str, Any]) -> tuple[Verdict, str]:
    modules, feet = int(row["modules"] or 0), int(row["feet"] or 0)
    measure, out_of_reach = int(row["feet_to_measure"] or 0), int(row["feet_out_of_reach"] or 0)
    waived = {OUT_OF_REACH} if rules["rafters_needed"] else {OUT_OF_REACH, "rafters-unknown"}
    stops = [f for f in findings if f["severity"] == "stop"]
    persons = [f for f in findings if f["severity"] == "person" and f["code"] not in waived]
    if out_of_reach:  # one sentence with the count, in place of one per foot
        text = f"{out_of_reach} of {feet} feet are out of reach of the array plane."
        persons.append({"code": OUT_OF_REACH, "severity": "person", "text": text})
    if modules < rules["min_modules"]:
        return "not-suitable", _said(stops) if stops else f"Only {modules} modules fit; {rules['min_modules']} are the least."
    if stops or persons:
        return "site-check", _said([*stops, *persons])
    if measure > rules["max_measure_share"] * feet:
        return "site-check", f"{measure} of {feet} feet have to be measured before they can be set."
    unscreened = " Loads not screened." if any(f["code"] == "loads-not-screened" for f in findings) else ""
    return "ready", f"{modules} modules, {measure} of {feet} feet to measure on the roof.{unscreened}"


def _said(findings: list[dict[str, Any]]) -> str:
    """The finding that decides, in its first sentence; the others by their codes, which `rowplane explain` takes."""
    first = min(findings, key=_weight)
    sentence = re.split(r"(?<=[a-z0-9)°%]\.) (?=[A-Z0-9])", first["text"], maxsplit=1)[0]
    others = Counter(f["code"] for f in sorted(findings, key=_weight) if f["code"] != first["code"])
    also = ", ".join(f"{code} ({count})" if count > 1 else code for code, count in others.items())
    return f"{sentence} Also: {also}." if also else sentence


def _weight(finding: dict[str, Any]) -> tuple[int, int, float]:
    """Smaller speaks earlier: what stops the job, then what decides, then the value that is furthest over its limit."""
    code, value, limit = finding["code"], finding.get("value"), finding.get("limit")
    first, last = len(SPEAKS_FIRST), len(SPEAKS_FIRST) + 1
    rank = SPEAKS_FIRST.index(code) if code in SPEAKS_FIRST else last if code in SPEAKS_LAST else first
    over = value / limit if value is not None and limit else 0.0
    return finding["severity"] != "stop", rank, -over if math.isfinite(over) else 0.0
