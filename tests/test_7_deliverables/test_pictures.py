"""PDF pages as pictures, compared loosely with stored ones."""

from __future__ import annotations

import pytest
from PIL import Image

from rowplane.config import Config
from rowplane.deliverables.pdf import pdf_files
from rowplane.deliverables.sheets import build_sheets
from test_7_deliverables.builders import make_result
from test_7_deliverables.compare_pictures import LIMIT, compare, unlike


@pytest.fixture(scope="module")
def paper() -> dict[str, list[Image.Image]]:
    import pypdfium2 as pdfium

    made = {}
    for units, size in (("mm", "a4"), ("in", "letter")):
        result = make_result(config=Config.model_validate({"deliverables": {"units": units, "paper": size}}))
        pdf = pdfium.PdfDocument(pdf_files(result, build_sheets(result))["crew-sheet.pdf"])
        made[units] = [page.render(scale=0.6).to_pil() for page in pdf]
    return made


@pytest.mark.parametrize("page", range(4))
@pytest.mark.parametrize("units", ["mm", "in"])
def test_pages_look_as_they_were_kept(paper, units, page):
    # Cover, marking out, first page of hooks, first page of heights.
    number = (0, 1, 3, len(paper[units]) - 5)[page]
    compare(f"page-{('cover', 'marking', 'hooks', 'heights')[page]}-{units}", paper[units][number])


def test_another_page_would_be_noticed(paper):
    """The comparison can fail: every page differs from the next by more than is allowed."""
    assert min(unlike(a, b) for a, b in zip(paper["mm"][:5], paper["mm"][1:6], strict=True)) > LIMIT
