"""crew-sheet.pdf, set by typst from the same pages as the HTML. All text goes in as data, so none of it can be markup."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

from rowplane.deliverables.content import Files, Sheets
from rowplane.deliverables.marking_figure import marking_figures
from rowplane.deliverables.page_content import Pages
from rowplane.deliverables.pages import build_pages
from rowplane.deliverables.safe import breakable, plain
from rowplane.deliverables.svg import plan_svg
from rowplane.deliverables.words import SEVERITY_SIGNS, SEVERITY_WORDS, WORDS
from rowplane.model import RoofResult

TEMPLATE = Path(__file__).parent / "templates" / "crew-sheet.typ"


def pdf_files(result: RoofResult, sheets: Sheets) -> Files:
    """crew-sheet.pdf."""
    import typst

    values = pdf_values(sheets, build_pages(result, sheets))
    render: Any = typst.compile  # its stub takes no list of plain paths, the function does
    pdf = render(
        TEMPLATE.read_bytes(),
        format="pdf",
        font_paths=[fonts()],
        ignore_system_fonts=True,
        sys_inputs={"sheets": json.dumps(values, ensure_ascii=False).encode("utf-8", "replace").decode()},
    )
    return {"crew-sheet.pdf": pdf}


def fonts() -> str:
    """DejaVu comes with matplotlib: the same letters on every machine, whatever is installed there."""
    import matplotlib

    return str(Path(matplotlib.get_data_path()) / "fonts" / "ttf")


def pdf_values(sheets: Sheets, pages: Pages) -> dict[str, Any]:
    """What the template sets: plain strings, lists and SVG figures."""
    drawings = {d.face: d for d in sheets.drawings}
    figures = {page.array: marking_figures(drawings[page.face], page) for page in pages.marking if page.face in drawings}
    said = {
        "lead": sheets.lead,
        "headline": sheets.headline,
        "date": sheets.survey_date,
        "revision": sheets.revision,
        "version": sheets.version,
        "facts": sheets.facts,
        "quality": sheets.quality,
        "cautions": sheets.cautions,
        "findings": tuple(f for f in sheets.findings if f[0] != SEVERITY_WORDS["info"]),
        "records": tuple(f for f in sheets.findings if f[0] == SEVERITY_WORDS["info"]),
        **{f.name: getattr(pages, f.name) for f in dataclasses.fields(pages)},
    }
    return {
        "words": WORDS,
        "signs": {SEVERITY_WORDS[key]: sign for key, sign in SEVERITY_SIGNS.items()},
        "inches": sheets.units == "in",
        "paper": {"a4": "a4", "letter": "us-letter"}[sheets.paper],
        "short": plain(sheets.lead, 45),
        "plan": plan_svg(sheets.key_plan) if sheets.key_plan else "",
        "figures": figures,
        "assumed": sheets.assumed,
        **_plain(said),
    }


def _plain(value: Any) -> Any:
    """Nouns as dicts and lists; text with places to break it."""
    if isinstance(value, str):
        return breakable(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        value = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {key: _plain(v) for key, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, tuple) else value
