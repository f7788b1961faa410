"""crew-sheet.html: one file for a phone without signal and for a printer; nothing is fetched."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rowplane.deliverables.content import Files, Sheets
from rowplane.deliverables.pages import build_pages
from rowplane.deliverables.svg import STYLE, face_svg
from rowplane.model import RoofResult

TEMPLATES = Path(__file__).parent / "templates"


def html_files(result: RoofResult, sheets: Sheets) -> Files:
    """crew-sheet.html."""
    page = template("crew-sheet.html.j2").render(
        style=STYLE, sheets=sheets, pages=build_pages(result, sheets), plans=[(d, face_svg(d, d.title, styled=False)) for d in sheets.drawings]
    )
    return {"crew-sheet.html": page.encode("utf-8", "replace")}


def template(name: str) -> Any:
    """A template of this package; everything put into it is escaped unless it is marked safe there."""
    import jinja2

    loader = jinja2.FileSystemLoader(TEMPLATES)
    return jinja2.Environment(
        loader=loader, autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    ).get_template(name)
