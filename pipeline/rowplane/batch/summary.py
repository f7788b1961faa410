"""The morning's list: all leads of a batch as CSV, spreadsheet and one offline page."""

from __future__ import annotations

import json
import math
import re
import sys
from collections import Counter
from typing import Any

from rowplane import __version__
from rowplane.batch.triage import COLUMNS, Row
from rowplane.batch.work import PICTURE, SEEN, Outcome
from rowplane.deliverables.content import Column, Table
from rowplane.deliverables.csv_tables import csv_text
from rowplane.deliverables.safe import plain
from rowplane.deliverables.xlsx import workbook

VERDICTS = ("ready", "site-check", "not-suitable", "failed")
"""In the order of the list: what can be ordered first, what needs repair last."""
TOTALS = ("modules", "power_kw", "rails", "hooks", "feet", "packers")
EMBED_MOST = 2000
"""Up to so many leads the page carries its pictures; a larger one takes them from the result folders beside it."""


def summary_files(outcomes: list[Outcome], planned: int) -> dict[str, bytes]:
    """summary.csv, summary.xlsx, summary.html from the outcomes of all leads; the same bytes in whatever order they came.

    `planned` leads were to be done: where fewer were, page and spreadsheet say so.
    """
    ordered = sorted(outcomes, key=lambda o: (VERDICTS.index(o["row"]["verdict"]), _by_number(o["lead"]), o["lead"]))
    rows: list[Row] = [o["row"] for o in ordered]
    table, totals, parts = _table(rows), _totals(rows), _parts(ordered)
    said = f"{len(rows)} leads." if len(rows) == planned else f"Stopped early: {len(rows)} of {planned} leads."
    tables = {table.title: table for table in (table, totals, parts)}
    return {
        "summary.csv": csv_text(table).encode(),
        "summary.xlsx": workbook("Batch", said, tables),
        "summary.html": _page(ordered, rows, totals, parts, planned).encode(),
    }


def _by_number(name: str) -> list[str | int]:
    """Sorts house 9 before house 10."""
    return [int(part) if k % 2 else part.casefold() for k, part in enumerate(re.split(r"([0-9]+)", name))]


def kept(outcome: Outcome, planned: int) -> Outcome:
    """What the summary of `planned` leads needs of one: a night of many leads is held in memory until its end."""
    ready = outcome["row"]["verdict"] == "ready"
    # The same few parts come with every lead: equal words are stored once.
    parts = tuple((*map(sys.intern, part[:3]), *part[3:]) for part in outcome["parts"]) if ready else ()
    return {**outcome, "parts": parts, "thumb": outcome["thumb"] if planned <= EMBED_MOST else ""}


def counts(outcomes: list[Outcome]) -> dict[str, int]:
    """How many leads got which verdict."""
    found = Counter(o["row"]["verdict"] for o in outcomes)
    return {verdict: found[verdict] for verdict in VERDICTS}


def _table(rows: list[Row]) -> Table:
    columns = tuple(Column(name, unit, decimals, meaning) for name, unit, decimals, meaning in COLUMNS)
    cells = tuple(tuple(_cell(row.get(c.name), c) for c in columns) for row in rows)
    return Table("summary", "Leads", columns, cells)


def _cell(value: str | int | float | None, column: Column) -> str | int | float | None:
    return plain(value or "", 1000) if column.decimals is None else value


def _totals(rows: list[Row]) -> Table:
    ready = [row for row in rows if row["verdict"] == "ready"]
    columns = (Column("what", "", None, "what is added up"), Column("total", "", 2, "over all ready leads"))
    cells = (("leads", float(len(ready))), *((name, math.fsum(float(row[name] or 0) for row in ready)) for name in TOTALS))
    return Table("totals", "Ready, totals", columns, cells)


def _parts(ordered: list[Outcome]) -> Table:
    """Parts of all ready leads together, in the order of a parts list."""
    added: dict[tuple[str, str, str], list[tuple[float, float]]] = {}
    for outcome in ordered:
        if outcome["row"]["verdict"] == "ready":
            for part, detail, unit, quantity, weight in outcome["parts"]:
                added.setdefault((part, detail, unit), []).append((quantity, weight))
    columns = (
        Column("part", "", None, "what"), Column("detail", "", None, "which"), Column("quantity", "", 2, "for all ready leads"),
        Column("unit", "", None, "of the quantity"), Column("weight_kg", "kg", 2, "of all of it; 0: no data"),
    )  # fmt: skip
    cells = tuple(
        (plain(part), plain(detail), math.fsum(q for q, _ in each), plain(unit), math.fsum(w for _, w in each))
        for (part, detail, unit), each in added.items()
    )
    return Table("parts", "Ready, parts", columns, cells)


def _page(ordered: list[Outcome], rows: list[Row], totals: Table, parts: Table, planned: int) -> str:
    from jinja2 import Environment, PackageLoader

    templates = Environment(loader=PackageLoader("rowplane.batch"), autoescape=True, trim_blocks=True, lstrip_blocks=True)
    embed = planned <= EMBED_MOST
    data: list[dict[str, Any]] = [
        {name: row.get(name) for name, *_ in COLUMNS}
        | {"reason": plain(row.get("reason") or "", 1000), "thumb": outcome["thumb"] if embed else ""}
        for outcome, row in zip(ordered, rows, strict=True)
    ]
    # A text cannot end the script element it stands in once every '<' is written as an escape.
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":")).replace("<", "\\u003c")
    return templates.get_template("summary.html.j2").render(
        data=text, totals=totals.rows, parts=parts.rows, counts=Counter(row["verdict"] for row in rows), verdicts=VERDICTS,
        planned=planned, leads=len(rows), version=__version__, picture=PICTURE, seen=SEEN, embed=embed,
    )  # fmt: skip
