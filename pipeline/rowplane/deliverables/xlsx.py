"""tables.xlsx: all tables with typed cells, units under the names, frozen header, set up for printing."""

from __future__ import annotations

import io
import re
import zipfile
from typing import Any

from rowplane import __version__
from rowplane.deliverables.content import Files, Sheets, Table
from rowplane.deliverables.safe import harmless
from rowplane.deliverables.words import WORDS, say
from rowplane.model import RoofResult

HEAD_ROWS = 4
FIXED = (1980, 1, 1, 0, 0, 0)


def xlsx_files(result: RoofResult, sheets: Sheets) -> Files:
    """tables.xlsx."""
    said = say("tables_said", date=sheets.survey_date, revision=sheets.revision, screening=WORDS["screening"])
    tables = {table.title: table for table in sheets.tables.values()}
    return {"tables.xlsx": workbook(sheets.lead, said, tables, sheets.paper)}


def workbook(name: str, said: str, tables: dict[str, Table], paper: str = "a4") -> bytes:
    """A sheet per table under its title, headed by `name`, with `said` below and in the footer; the same bytes every time."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    book.properties.title, book.properties.creator = say("tables_of", lead=name), f"rowplane {__version__}"
    for title, table in tables.items():
        _sheet(book.create_sheet(title), table, name, said, paper)
    out = io.BytesIO()
    book.save(out)
    return _timeless(out.getvalue())


def _sheet(sheet: Any, table: Table, name: str, said: str, paper: str) -> None:
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    _put(sheet, 1, 1, f"{name}: {table.title}").font = Font(bold=True, size=13)
    _put(sheet, 2, 1, f"{said} rowplane {__version__}")
    for k, column in enumerate(table.columns, 1):
        for row, text in ((3, column.name), (HEAD_ROWS, column.unit)):
            cell = _put(sheet, row, k, text)
            cell.font, cell.fill = Font(bold=True), PatternFill("solid", fgColor="E8E8E8")
            cell.alignment = Alignment(wrap_text=True, vertical="top")
    for r, values in enumerate(table.rows, HEAD_ROWS + 1):
        for k, (column, value) in enumerate(zip(table.columns, values, strict=True), 1):
            if value is None:
                continue
            cell = _put(sheet, r, k, value)
            if column.decimals is not None:
                cell.number_format = "0" if column.decimals == 0 else f"0.{'0' * column.decimals}"
    for k, column in enumerate(table.columns, 1):
        widest = max([len(column.name), *(len(str(row[k - 1])) for row in table.rows[:200] if row[k - 1] is not None)])
        sheet.column_dimensions[get_column_letter(k)].width = min(max(widest + 2, 7), 48)
    sheet.freeze_panes = sheet.cell(HEAD_ROWS + 1, 2)
    last = f"{get_column_letter(len(table.columns))}{HEAD_ROWS + max(len(table.rows), 1)}"
    sheet.auto_filter.ref = f"A{HEAD_ROWS}:{last}"
    sheet.print_title_rows = f"3:{HEAD_ROWS}"
    sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", 9 if paper == "a4" else 1
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    # An ampersand starts a code in a page footer.
    sheet.oddFooter.left.text = said.replace("&", "&&")
    sheet.oddFooter.right.text = say("page_of", n="&P", all="&N")


def _put(sheet: Any, row: int, column: int, value: object) -> Any:
    cell = sheet.cell(row, column)
    if isinstance(value, str):
        # Set as text, whatever it looks like: no cell may become a formula.
        cell.value = harmless(value)
        cell.data_type = "s"
    else:
        cell.value = value
    return cell


def _timeless(book: bytes) -> bytes:
    """The same workbook without the hour it was made: the revision says all that matters."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"(<dcterms:(created|modified)[^>]*>)[^<]*", rb"\g<1>1980-01-01T00:00:00Z", content)
            new.writestr(zipfile.ZipInfo(name, FIXED), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()
