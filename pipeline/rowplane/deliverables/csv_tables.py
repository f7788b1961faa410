"""The tables as CSV: UTF-8, header, comma, point, fixed decimals, empty cell where nothing is known."""

from __future__ import annotations

import csv
import io

from rowplane.deliverables.content import Cell, Column, Files, Sheets, Table
from rowplane.deliverables.safe import figure, harmless
from rowplane.model import RoofResult


def csv_files(result: RoofResult, sheets: Sheets) -> Files:
    """One CSV per table."""
    return {f"{name}.csv": csv_text(table).encode() for name, table in sheets.tables.items()}


def csv_text(table: Table) -> str:
    """A table as CSV text with line feeds."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([c.name for c in table.columns])
    for row in table.rows:
        writer.writerow([cell_text(column, cell) for column, cell in zip(table.columns, row, strict=True)])
    return out.getvalue()


def cell_text(column: Column, cell: Cell) -> str:
    """A cell as text: numbers with the column's decimals, text that no spreadsheet runs as a formula."""
    if isinstance(cell, str):
        return harmless(cell)
    return figure(cell, column.decimals or 0)
