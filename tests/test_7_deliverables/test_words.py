"""Language-ready: every label comes from words.py. The words are marked there, and nothing unmarked may be left but data."""

from __future__ import annotations

import dataclasses
import html
import io
import re
from pathlib import Path
from typing import Any

import pytest

import rowplane.deliverables
from rowplane.deliverables import words
from rowplane.deliverables.dxf import dxf_files
from rowplane.deliverables.html import html_files
from rowplane.deliverables.model3d import model_files
from rowplane.deliverables.pdf import pdf_files
from rowplane.deliverables.sheets import build_sheets
from rowplane.deliverables.svg import svg_files
from rowplane.deliverables.xlsx import xlsx_files
from test_7_deliverables.builders import make_result

TABLES = ("WORDS", "TITLES", "ORIENTATIONS", "SEVERITY_WORDS", "PAGE_WORDS", "MODEL_WORDS")
TEMPLATES = Path(rowplane.deliverables.__file__).parent / "templates"

# Units, the program and its files are called the same in every language.
SAME_EVERYWHERE = {"rowplane", "lead", "toml", "json", "result", "kW", "piece"}


@pytest.fixture
def marked(monkeypatch):
    for name in TABLES:
        for key, text in getattr(words, name).items():
            if key not in ("language", "mm", "in"):
                monkeypatch.setitem(getattr(words, name), key, f"«{text}»")
    for key, (one, many) in words.COUNTS.items():
        monkeypatch.setitem(words.COUNTS, key, (f"«{one}»", f"«{many}»"))
    return make_result(columns=(3, 2), rows=(2, 2))


def data_of(value: Any) -> set[str]:
    """Every string in a result."""
    if isinstance(value, str):
        return {value}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return set().union(*(data_of(getattr(value, f.name)) for f in dataclasses.fields(value)))
    if isinstance(value, tuple | list):
        return set().union(*map(data_of, value)) if value else set()
    return set()


def left_over(text: str, result: Any) -> set[str]:
    """Words of a text that are neither marked nor data of the result."""
    text = " ".join(text.split())
    while text != (text := re.sub("«[^«»]*»", " ", text)):
        pass
    config = result.lead.config
    data = data_of(result) | {config.module.name, config.hardware.name} | set(words.CAUTIONS)
    sheets = build_sheets(result)
    # A revision is hexadecimal, so that letters may follow each other in it.
    data |= {part for setting in sheets.assumed for part in setting} | {sheets.revision}
    for known in sorted(data, key=len, reverse=True):
        text = text.replace(" ".join(known.split()), " ") if len(known) > 2 else text
    return set(re.findall(r"[A-Za-z]{3,}", text)) - SAME_EVERYWHERE


def body_text(page: str) -> str:
    page = re.sub(r"<(style|script).*?</\1>", " ", page, flags=re.S)
    labels = re.findall(r'(?:aria-label|title|alt)="([^"]*)"', page)
    return html.unescape(" ".join([*labels, re.sub(r"<wbr>", "", page)]).replace("</", " </"))


def shown_text(page: str) -> str:
    return html.unescape(re.sub(r"<[^>]*>", " ", body_text(page)))


@pytest.mark.parametrize(
    ("writer", "name"), [(html_files, "crew-sheet.html"), (model_files, "model.html"), (svg_files, "layout.svg")], ids=str
)
def test_pages_say_nothing_of_their_own(marked, writer, name):
    page = writer(marked, build_sheets(marked))[name].decode()
    assert left_over(shown_text(page), marked) == set()


def test_paper_says_nothing_of_its_own(marked):
    import pypdf
    paper = pdf_files(marked, build_sheets(marked))["crew-sheet.pdf"]
    for page in pypdf.PdfReader(io.BytesIO(paper)).pages:
        assert left_over(page.extract_text(), marked) == set()


def test_drawing_and_workbook_say_nothing_of_their_own(marked, tmp_path):
    import ezdxf
    import openpyxl

    sheets = build_sheets(marked)
    (tmp_path / "layout.dxf").write_bytes(dxf_files(marked, sheets)["layout.dxf"])
    document = ezdxf.readfile(tmp_path / "layout.dxf")
    drawn = [t.dxf.text for layout in document.layouts for t in layout.query("TEXT")]
    assert left_over(" ".join(drawn), marked) == set()
    assert all("«" in name for name in document.layout_names()[1:])
    book = openpyxl.load_workbook(io.BytesIO(xlsx_files(marked, sheets)["tables.xlsx"]))
    assert all("«" in sheet.title and "«" in sheet["A2"].value for sheet in book)


def test_scripts_hold_no_sentences():
    for name in ("crew-sheet.js", "model.js"):
        script = re.sub(r"//.*", "", (TEMPLATES / name).read_text(encoding="utf-8"))
        sentences = [s for s in re.findall(r'"([^"\n]*)"', script) if re.search(r"[a-z]{2,} [a-z]{2,}", s)]
        assert set(sentences) <= {"use strict", "rowplane crew sheet|", "no feet", "#feet button"}


def test_no_word_lies_about_unused():
    room = Path(rowplane.deliverables.__file__).parent
    files = [p for p in room.rglob("*.*") if p.suffix in (".py", ".js", ".j2", ".typ") and p != Path(words.__file__)]
    source = "".join(p.read_text(encoding="utf-8") for p in files)
    used = set(re.findall(r"[\w-]+", source)) | {"mid support"}
    # Keys put together from a kind: say(f"step_{step}"), say("theme_" + theme).
    starts = tuple(re.findall(r'"([a-z]+_)(?:\{|" \+)', source))
    for table in (words.WORDS, words.PAGE_WORDS, words.MODEL_WORDS):
        assert {key for key in set(table) - used if not key.startswith(starts)} == set()
