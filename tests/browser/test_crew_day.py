"""A day with the crew page: every foot tapped on the plan, readings out to `rowplane recheck`, the new sheet in; and in inches."""

from __future__ import annotations

import csv
import re
import unicodedata
from pathlib import Path

import pytest

from browser.lead import levelled_result
from rowplane.cli.run import recheck_result
from rowplane.config import Config
from rowplane.deliverables import write_all
from rowplane.units import sixteenths


def rows_of(folder: Path) -> dict[str, dict[str, str]]:
    with (folder / "feet.csv").open(encoding="utf-8") as file:
        return {row["foot"]: row for row in csv.DictReader(file)}


def height(row: dict[str, str]) -> float:
    return float(row["lift_mm"]) + float(row["packer_mm"])


def test_every_foot_answers_a_tap_on_the_plan(crew, lead_folder):
    rows = rows_of(lead_folder)
    for face in dict.fromkeys(r["face"] for r in rows.values()):
        mine = [f for f, r in rows.items() if r["face"] == face]
        crew.locator(f'#feet button[data-foot="{mine[0]}"]').click()
        for foot in mine:
            x, y = crew.evaluate(
                """(id) => { const mark = document.querySelector(`#plans .d-foot[data-id="${id}"]`);
                  mark.scrollIntoView({ block: "center", inline: "center" });
                  const box = mark.getBoundingClientRect(); return [box.left + box.width / 2, box.top + box.height / 2]; }""",
                foot,
            )
            # A thumb lands beside the mark: 10 px off is still this foot.
            crew.mouse.click(x + 10, y - 7)
            shown = crew.evaluate("['foot', 'height'].map((id) => document.getElementById(id).textContent)")
            assert shown == [foot, f"{height(rows[foot]):.1f}"]


def test_feet_on_the_plan_are_a_thumb_apart(crew, lead_folder):
    at = crew.evaluate("""() => [...document.querySelectorAll('#plans figure:not([hidden]) .d-foot')].map((m) => {
      const b = m.getBoundingClientRect(); return [b.left + b.width / 2, b.top + b.height / 2]; })""")
    nearest = min(((ax - bx) ** 2 + (ay - by) ** 2) ** 0.5 for k, (ax, ay) in enumerate(at) for bx, by in at[:k])
    assert nearest >= 48


def test_readings_go_to_the_desk_and_the_new_sheet_comes_back(crew, lead_folder, tmp_path):
    rows = rows_of(lead_folder)
    inner = [f for f, r in rows.items() if (r["array"], r["line"]) == ("A1", "1") and r["string_gap_mm"]][1:-1]
    done = crew.locator("#foot").inner_text()
    crew.locator("#done").click()
    for k, foot in enumerate(inner):
        crew.locator(f'#feet button[data-foot="{foot}"]').click()
        if not crew.locator("#value").is_visible():
            crew.locator("#enter summary").click()
        crew.locator("#kind").select_option("gap")
        crew.locator("#value").fill(f"{float(rows[foot]['string_gap_mm']) + (2.5, -2.5, 3.0)[k % 3]:.1f}")
        crew.locator("#reading button").click()
        assert "saved" in crew.locator("#notice").inner_text()
    crew.reload()
    assert crew.locator("#reading-list li").count() == len(inner)
    assert crew.locator("#undo").is_disabled()
    with crew.expect_download() as download:
        crew.locator("#export").click()
    download.value.save_as(tmp_path / "readings.csv")

    recheck_result(lead_folder, tmp_path / "readings.csv", tmp_path / "new", overwrite=False)
    new = rows_of(tmp_path / "new")
    assert {f for f in rows if height(new[f]) != height(rows[f])}, "readings of some mm change some feet"
    crew.locator("#import").set_input_files(tmp_path / "new" / "crew-sheet.html")
    revision = next(iter(new.values()))["revision"]
    crew.locator("#revision", has_text=revision).wait_for()
    listed = "[...document.querySelectorAll('#feet button')].map((b) => [b.dataset.foot, b.querySelector('span').textContent])"
    shown = dict(crew.evaluate(listed))
    assert shown == {f: f"{height(rows[f] if f == done else new[f]):.1f}" for f in new}, "a set foot keeps what it was set to"


def test_a_reading_taken_back_leaves_no_trace_in_the_table(crew, lead_folder):
    listed = "Object.fromEntries([...document.querySelectorAll('tr[data-foot]')].map((r) => [r.dataset.foot, r.querySelector('.big b').textContent]))"
    before = crew.evaluate(listed)
    row = next(r for r in rows_of(lead_folder).values() if (r["array"], r["line"], r["rail"]) == ("A1", "1", "A1-R3"))
    crew.locator(f'#feet button[data-foot="{row["foot"]}"]').click()
    crew.locator("#enter summary").click()
    crew.locator("#value").fill(f"{float(row['string_gap_mm']) + 3:.1f}")
    crew.locator("#reading button").click()
    assert any(text.endswith("*") for text in crew.evaluate(listed).values())
    crew.locator("#undo").click()
    assert crew.evaluate(listed) == before


@pytest.fixture(scope="session")
def inch_folder(tmp_path_factory) -> Path:
    config = Config.model_validate({"deliverables": {"units": "in", "paper": "letter", "files": ["crew-sheet.html"]}})
    write_all(levelled_result("Barn in inches", config), out := tmp_path_factory.mktemp("inches") / "out")
    return out


def test_inches_with_sixteenths_are_shown_and_taken(page, inch_folder):
    page.goto((inch_folder / "crew-sheet.html").as_uri())
    rows = rows_of(inch_folder)
    for _ in range(6):
        foot = page.locator("#foot").inner_text()
        assert page.locator("#height").inner_text() == sixteenths(height(rows[foot]))
        page.locator("#next").click()
    assert page.locator("#height-words").inner_text().startswith("in, ")
    foot = [f for f, r in rows.items() if (r["array"], r["line"]) == ("A1", "1")][2]
    gap = float(rows[foot]["string_gap_mm"])
    page.locator(f'#feet button[data-foot="{foot}"]').click()
    page.locator("#enter summary").click()
    page.locator("#value").fill(sixteenths(gap))
    page.locator("#reading button").click()
    (line,) = [x for x in page.evaluate("crewSheet.file()").splitlines() if x.startswith(f"{foot},gap,")]
    assert float(line.split(",")[2]) == pytest.approx(gap, abs=25.4 / 32 + 0.01), "the file speaks mm"
    text = page.evaluate("document.body.textContent")
    assert re.search(r"\d+ \d+/16", text)
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]


def test_a_phone_that_keeps_nothing_says_so(browser, lead_folder):
    context = browser.new_context(viewport={"width": 360, "height": 740})
    context.add_init_script("Storage.prototype.setItem = () => { throw new Error('full'); };")
    page = context.new_page()
    page.goto((lead_folder / "crew-sheet.html").as_uri())
    page.locator("#done").click()
    assert "export before you close" in page.locator("#notice").inner_text()
    assert page.locator("#progress").inner_text().startswith("1 of")
    context.close()


def test_all_is_there_without_scripts_and_in_print(browser, lead_folder, tmp_path):
    rows = rows_of(lead_folder)
    context = browser.new_context(viewport={"width": 360, "height": 740}, java_script_enabled=False)
    page = context.new_page()
    page.goto((lead_folder / "crew-sheet.html").as_uri())
    assert page.locator("#work").is_hidden()
    shown = page.locator("tr[data-foot]:visible")
    assert shown.count() == len(rows)
    context.close()
    import pypdf
    context = browser.new_context()
    page = context.new_page()
    page.goto((lead_folder / "crew-sheet.html").as_uri())
    page.pdf(path=tmp_path / "print.pdf", prefer_css_page_size=True)
    # "ff" of a revision comes back as one letter of its own.
    printed = [unicodedata.normalize("NFKC", p.extract_text()) for p in pypdf.PdfReader(tmp_path / "print.pdf").pages]
    paper = " ".join(printed)
    revision = next(iter(rows.values()))["revision"]
    assert all("2031-05-04" in text and revision in text for text in printed), "date and revision on every page"
    for foot, row in rows.items():
        assert foot in paper
        assert f"{height(row):.1f}" in paper
    assert "Hook schedule" in paper
    context.close()
