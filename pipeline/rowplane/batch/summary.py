"""The morning's list: all leads of a batch as CSV, spreadsheet and one offline page."""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

from rowplane.batch.triage import COLUMNS, Row
from rowplane.batch.work import Outcome
from rowplane.deliverables.content import Column, Table
from rowplane.deliverables.csv_tables import csv_text
from rowplane.deliverables.safe import plain
from rowplane.deliverables.xlsx import workbook

VERDICTS = ("ready", "site-check", "not-suitable", "failed")
"""In the order of the list: what can be ordered first, what needs repair last."""
TOTALS = ("modules", "power_kw", "rails", "hooks", "feet", "packers")


def summary_files(outcomes: list[Outcome]) -> dict[str, bytes]:
    """summary.csv, summary.xlsx, summary.html from the outcomes of all leads; the same bytes in whatever order they came."""
    ordered = sorted(outcomes, key=lambda o: (VERDICTS.index(o["row"]["verdict"]), o["lead"]))
    rows: list[Row] = [o["row"] for o in ordered]
    table = _table(rows)
    return {
        "summary.csv": csv_text(table).encode(),
        "summary.xlsx": workbook("summary", "all leads of a batch", {"summary": table, "ready totals": _totals(rows)}),
        "summary.html": _page(ordered, rows).encode(),
    }


def counts(outcomes: list[Outcome]) -> dict[str, int]:
    """How many leads got which verdict."""
    found = Counter(o["row"]["verdict"] for o in outcomes)
    return {verdict: found[verdict] for verdict in VERDICTS}


def _table(rows: list[Row]) -> Table:
    columns = tuple(Column(name, unit, decimals, meaning) for name, unit, decimals, meaning in COLUMNS)
    cells = tuple(tuple(_cell(row.get(c.name), c) for c in columns) for row in rows)
    return Table("summary", "All leads of the batch", columns, cells)


def _cell(value: str | int | float | None, column: Column) -> str | int | float | None:
    return plain(value or "", 1000) if column.decimals is None else value


def _totals(rows: list[Row]) -> Table:
    ready = [row for row in rows if row["verdict"] == "ready"]
    columns = (Column("what", "", None, "what is added up"), Column("total", "", 2, "over all ready leads"))
    cells = (("leads", float(len(ready))), *((name, sum(float(row[name] or 0) for row in ready)) for name in TOTALS))
    return Table("ready totals", "Everything to order for the ready leads", columns, cells)


def _page(ordered: list[Outcome], rows: list[Row]) -> str:
    from jinja2 import Environment, PackageLoader

    templates = Environment(loader=PackageLoader("rowplane.batch"), autoescape=True, trim_blocks=True, lstrip_blocks=True)
    data: list[dict[str, Any]] = [
        {**{name: row.get(name) for name, *_ in COLUMNS}, "thumb": outcome["thumb"]}
        for outcome, row in zip(ordered, rows, strict=True)
    ]
    for entry in data:
        entry["reason"] = plain(entry["reason"] or "", 1000)
    # A text cannot end the script element it stands in once every '<' is written as an escape.
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":")).replace("<", "\\u003c")
    return templates.get_template("summary.html.j2").render(
        data=text, totals=_totals(rows).rows, counts=Counter(row["verdict"] for row in rows), verdicts=VERDICTS
    )
