"""The morning's list in a real browser: a thousand leads open at once, sort, filter, and show no foreign text as markup."""

from __future__ import annotations

import base64
import io
import random
import re
from pathlib import Path
from typing import Any

import pytest

from rowplane.batch.summary import VERDICTS, summary_files
from rowplane.batch.triage import COLUMNS

LEADS = 1000
HOSTILE = 'Mill "Lane" </script><img src=x onerror=alert(1)> =cmd()'
REASONS = {
    "ready": "{m} modules, 3 of {f} feet to measure on the roof.",
    "site-check": "Face A sags 34 mm up its slope, 1/134 of the length; an ordinary limit is 1/180. (and 2 more)",
    "not-suitable": "Only 2 modules fit; 4 are the least.",
    "failed": "roof.laz: found a file that ends after 227 bytes; allowed: a whole LAS 1.4 file. Export it again.",
}


def thumb(chance: random.Random) -> str:
    """A picture of the size of a real one: roof faces with relief."""
    from PIL import Image, ImageDraw

    image = Image.new("RGB", (160, 120), (245, 245, 245))
    draw = ImageDraw.Draw(image)
    for k in range(3):
        x, y = chance.randrange(60), chance.randrange(50)
        draw.rectangle((x, y, x + 70, y + 40), fill=(60 + 60 * k, chance.randrange(90, 200), 120))
        for u in range(x, x + 70, 6):
            draw.line((u, y, u, y + 40), fill=(chance.randrange(255), 90, 90))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=60)
    return base64.b64encode(out.getvalue()).decode()


def outcomes(count: int) -> list[dict[str, Any]]:
    chance = random.Random(7)
    thumbs = [thumb(chance) for _ in range(40)]
    made = []
    for k in range(count):
        verdict = VERDICTS[chance.choice((0, 0, 0, 1, 1, 2, 3))]
        modules = 0 if verdict == "failed" else chance.randrange(4, 48)
        figures = {
            "faces": chance.randrange(1, 7), "modules": modules, "power_kw": round(modules * 0.43, 2), "rails": modules,
            "hooks": modules * 3, "feet": modules * 2, "adjustment_min_mm": round(-chance.uniform(0, 25), 1),
            "adjustment_max_mm": round(chance.uniform(0, 25), 1), "feet_to_measure": modules // 5, "feet_out_of_reach": 0,
            "packers": modules // 8, "scan": "good", "deviation_max_mm": round(chance.uniform(3, 40), 1), "revision": "0a1b2c3d",
            "flatness_mm": round(chance.uniform(5, 60), 1),
        }  # fmt: skip
        row = {name: None for name, *_ in COLUMNS} | (figures if verdict != "failed" else {})
        reason = HOSTILE if k == 11 else REASONS[verdict].format(m=modules, f=modules * 2)
        row |= {"lead": f"Pond Corner {k}", "verdict": verdict, "reason": reason}
        parts = [["tile hook", "invented hook", "piece", modules * 3, modules * 2.7], ["module", "invented", "piece", modules, modules * 21.5]]
        made.append({"lead": row["lead"], "row": row, "parts": parts, "thumb": thumbs[k % 40]})
    return made


@pytest.fixture(scope="session")
def summary(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("summary")
    for name, content in summary_files(outcomes(LEADS), LEADS).items():
        (folder / name).write_bytes(content)
    return folder / "summary.html"


def test_a_thousand_leads_open_in_two_seconds_and_filter_without_lag(page: Any, summary: Path) -> None:
    opened, filtered = [], []
    for _ in range(3):  # the best of three: other work on the machine is not the page's
        page.goto(summary.as_uri())
        page.wait_for_function("document.querySelectorAll('#body tr').length > 50")
        opened.append(page.evaluate("performance.getEntriesByType('navigation')[0].duration"))
        filtered.append(max(page.evaluate(TIMED, text) for text in ("corner 77", "")))
    assert page.locator("#shown").inner_text() == f"{LEADS} of {LEADS} leads"
    assert min(opened) < 2000, opened
    assert min(filtered) < 200, filtered


TIMED = """async (text) => {
    const find = document.getElementById("find"), start = performance.now();
    find.value = text; find.dispatchEvent(new Event("input"));
    await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
    return performance.now() - start;
}"""
"""Milliseconds from a letter typed to the list on the screen."""


def test_scrolling_and_printing_bring_all_rows(page: Any, summary: Path) -> None:
    page.goto(summary.as_uri())
    rows = page.locator("#body tr")
    assert rows.count() < LEADS
    page.wait_for_function(f"window.scrollTo(0, document.body.scrollHeight), document.querySelectorAll('#body tr').length === {LEADS}")
    assert not page.locator("#more").is_visible()
    page.reload()
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert rows.count() == LEADS
    assert page.evaluate("new Set([...document.querySelectorAll('#body td.lead')].map((c) => c.textContent)).size") == LEADS


def test_it_filters_sorts_and_links(page: Any, summary: Path) -> None:
    page.goto(summary.as_uri())
    rows, shown = page.locator("#body tr"), page.locator("#shown")
    page.get_by_role("button", name="ready:").click()
    ready = sum(o["row"]["verdict"] == "ready" for o in outcomes(LEADS))
    assert shown.inner_text() == f"{ready} of {LEADS} leads"
    page.locator("#find").fill("PACIFIC")
    assert rows.count() == 0
    page.get_by_role("button", name="all:").click()
    page.locator("#find").fill("corner 77")
    assert rows.count() == 11  # 77 and 770 to 779
    page.locator("#find").fill("")
    page.evaluate("sortBy('modules', false)")
    sorted_modules = page.evaluate("[...document.querySelectorAll('#body tr')].map((r) => Number(r.cells[5].textContent))")
    assert sorted_modules == sorted(sorted_modules, reverse=True)
    assert sorted_modules[0] == max(o["row"]["modules"] or 0 for o in outcomes(LEADS))
    picture, sheet = (a.get_attribute("href") for a in rows.first.locator("a").all())
    assert sheet.startswith("Pond%20Corner%20")
    assert sheet == picture.replace("deviation.png", "crew-sheet.html")
    assert re.fullmatch(r"\d+ of \d+", rows.first.locator("td[data-label='feet to measure']").inner_text())


def test_headers_sort_on_a_desk_and_a_choice_on_a_phone(page: Any, summary: Path) -> None:
    page.goto(summary.as_uri())
    if page.viewport_size["width"] > 1270:
        page.get_by_role("button", name="kW", exact=True).click()
        assert page.locator("th[aria-sort=ascending]").inner_text() == "kW"
    else:
        page.locator("#order").select_option("+power_kw")
    power = page.evaluate("[...document.querySelectorAll('#body tr')].map((r) => Number(r.cells[6].textContent))")
    assert power == sorted(power)
    assert len(set(power)) > 5


def test_nothing_runs_over_the_side_and_all_can_be_hit(page: Any, summary: Path) -> None:
    page.goto(summary.as_uri())
    width = page.viewport_size["width"]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    low = page.evaluate(
        "[...document.querySelectorAll('.bar button, .bar input')].filter((b) => b.getBoundingClientRect().height < 44).length"
    )
    assert low == 0


def test_foreign_text_stays_text(page: Any, summary: Path) -> None:
    page.goto(summary.as_uri())
    page.locator("#find").fill("onerror")
    assert page.locator("#body td.reason").text_content() == HOSTILE  # a row out of sight has no inner text
    assert page.locator("#body td.reason img").count() == 0


def test_parts_of_ready_leads_are_added_up(page: Any, summary: Path) -> None:
    page.goto(summary.as_uri())
    page.locator("details.totals summary").click()
    hooks = sum(o["parts"][0][3] for o in outcomes(LEADS) if o["row"]["verdict"] == "ready")
    assert f"{hooks:,}" in page.locator("details.totals table tbody tr").first.inner_text()


def test_a_page_of_very_many_leads_takes_its_pictures_from_the_folders(browser: Any, tmp_path: Path) -> None:
    html = summary_files([{**o, "thumb": ""} for o in outcomes(30)], 3000)["summary.html"]
    (tmp_path / "summary.html").write_bytes(html)
    page = browser.new_page()
    page.goto((tmp_path / "summary.html").as_uri())
    assert "30 of 3000 leads" in page.locator(".warn").inner_text()
    assert page.locator("#body tr").count() == 30
    assert "deviation.png" in page.locator("#body tr img").first.get_attribute("src")
    page.close()
