"""crew-sheet.html: one file for a phone without signal and for a printer; nothing is fetched, nothing is sent."""

from __future__ import annotations

import base64
import hashlib
import json
from pathlib import Path
from typing import Any

from rowplane.deliverables.content import Files, Sheets
from rowplane.deliverables.crew_data import crew_data
from rowplane.deliverables.pages import build_pages
from rowplane.deliverables.phone_plan import phone_plan
from rowplane.deliverables.svg import STYLE, plan_svg
from rowplane.deliverables.words import PAGE_WORDS, SEVERITY_SIGNS, SEVERITY_WORDS, WORDS
from rowplane.model import RoofResult

TEMPLATES = Path(__file__).parent / "templates"


def html_files(result: RoofResult, sheets: Sheets) -> Files:
    """crew-sheet.html."""
    script = (TEMPLATES / "crew-sheet.js").read_text(encoding="utf-8")
    page = template("crew-sheet.html.j2").render(
        sheets=sheets,
        pages=build_pages(result, sheets),
        w=WORDS,
        p=PAGE_WORDS,
        signs={SEVERITY_WORDS[key]: sign for key, sign in SEVERITY_SIGNS.items()},
        css=(TEMPLATES / "crew-sheet.css").read_text(encoding="utf-8"),
        figure_css=STYLE,
        script=script,
        script_hash=script_hash(script),
        data=script_json(crew_data(result, sheets)),
        plans=[(d, phone_plan(d)) for d in sheets.drawings],
        key_plan=plan_svg(sheets.key_plan, "min(100%, 560px)") if sheets.key_plan else "",
    )
    return {"crew-sheet.html": page.encode("utf-8", "replace")}


def script_json(values: Any) -> str:
    """JSON that no text in it can end early inside a script element."""
    text = json.dumps(values, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def script_hash(script: str) -> str:
    """The one script the page's content security policy lets run."""
    return "sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def template(name: str) -> Any:
    """A template of this package; everything put into it is escaped unless it is marked safe there."""
    import jinja2

    loader = jinja2.FileSystemLoader(TEMPLATES)
    return jinja2.Environment(
        loader=loader, autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    ).get_template(name)
