"""layout.svg drawn by a real browser, compared loosely with its stored picture."""

from __future__ import annotations

import io

from PIL import Image

from rowplane.deliverables.sheets import build_sheets
from rowplane.deliverables.svg import layout_svg
from test_7_deliverables.builders import make_result
from test_7_deliverables.compare_pictures import compare


def test_layout_looks_as_it_was_kept(browser):
    svg = layout_svg(build_sheets(make_result())).replace("<svg ", "<svg id=s ", 1)
    page = browser.new_page(viewport={"width": 700, "height": 900})
    page.set_content(f'<body style="margin:0">{svg}<style>#s{{width:700px;height:auto}}</style>')
    shot = page.locator("#s").screenshot()
    page.close()
    compare("layout", Image.open(io.BytesIO(shot)))
