"""Usable by all: names and roles, order of focus, sizes to hit, contrast. `pytest -s` prints the contrast figures.

WCAG 2.x (CHECKS D-12): 1.4.3 text (L1 + .05)/(L2 + .05) of 4.5 or more, 1.4.11 marks and frames 3 or more; 2.5.5 targets of 44 px, here 48.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

LUMINANCE = """
  const lum = (c) => { const [r, g, b] = c.map((x) => { x /= 255; return x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const rgba = (s) => { const n = s.match(/[\\d.]+/g).map(Number); return n.length === 4 ? n : [...n, 1]; };
  const ratio = (a, b) => { const [hi, lo] = [lum(a), lum(b)].sort((x, y) => y - x); return (hi + 0.05) / (lo + 0.05); };
  const ground = (e) => { while (e && rgba(getComputedStyle(e).backgroundColor)[3] === 0) e = e.parentElement; return e ? rgba(getComputedStyle(e).backgroundColor).slice(0, 3) : [255, 255, 255]; };
"""

TEXT = (
    "() => {"
    + LUMINANCE
    + """
  const found = [];
  for (const e of document.querySelectorAll('body *')) {
    if (e.closest('svg') || !e.checkVisibility() || e.disabled) continue;
    if (![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
    found.push([ratio(rgba(getComputedStyle(e).color).slice(0, 3), ground(e)), e.tagName + ' ' + e.textContent.trim().slice(0, 30)]);
  }
  return found.sort((a, b) => a[0] - b[0]);
}"""
)

FRAMES = (
    "() => {"
    + LUMINANCE
    + """
  return [...document.querySelectorAll('button, select, input, .file, summary')].filter((e) => e.checkVisibility() && !e.disabled && e.id !== 'import')
    .map((e) => { const s = getComputedStyle(e), edge = parseFloat(s.borderTopWidth) || parseFloat(s.borderBottomWidth);
      return [edge ? ratio(rgba(s.borderBottomColor).slice(0, 3), ground(e.parentElement)) : ratio(rgba(s.color).slice(0, 3), ground(e)), e.id || e.textContent.trim().slice(0, 30)]; })
    .sort((a, b) => a[0] - b[0]);
}"""
)

PLAN = (
    "() => {"
    + LUMINANCE
    + """
  const paint = (e, what) => rgba(getComputedStyle(e)[what]).slice(0, 3), paper = [255, 255, 255], found = [];
  for (const plan of document.querySelectorAll('#plans figure:not([hidden]) svg')) {
    const module = paint(plan.querySelector('.d-module'), 'fill'), roof = paint(plan.querySelector('.d-outline'), 'fill');
    for (const foot of plan.querySelectorAll('.d-foot')) {
      const measure = foot.matches('.measure, .measure-now') && !foot.matches('.is-done, .is-current'), dark = foot.matches('.is-current') || measure ? paint(foot, 'stroke') : paint(foot, 'fill');
      for (const under of [module, roof]) found.push([ratio(dark, under), 'foot ' + foot.dataset.id]);
    }
    for (const text of plan.querySelectorAll('text')) for (const under of [module, roof, paper]) found.push([ratio(paint(text, 'fill'), under), 'letters ' + text.textContent]);
    for (const edge of plan.querySelectorAll('.d-edge, .d-rail')) found.push([ratio(paint(edge, 'stroke'), roof), edge.getAttribute('class')]);
  }
  return found.sort((a, b) => a[0] - b[0]);
}"""
)


@pytest.mark.parametrize("theme", ["light", "dark", "sun"])
def test_contrast_of_words_frames_and_plan(crew, theme):
    while crew.evaluate("document.documentElement.dataset.theme") != theme:
        crew.locator("#theme").click()
    crew.locator("#enter summary").click()
    crew.evaluate("for (const part of document.querySelectorAll('details.part')) part.open = true")
    least = {"words": 7.0 if theme == "sun" else 4.5, "frames": 3.0, "plan": 3.0}
    for what, script in (("words", TEXT), ("frames", FRAMES), ("plan", PLAN)):
        found = crew.evaluate(script)
        assert len(found) > 10
        print(f"{theme:5s} {what:6s} least contrast {found[0][0]:5.2f} ({found[0][1]}), allowed {least[what]}")
        assert found[0][0] >= least[what], found[:5]


def test_everything_to_use_has_a_name_and_a_role(crew):
    bad = crew.evaluate("""() => [...document.querySelectorAll('button, a[href], input, select, summary, [role=group], [role=img], progress, figure svg')].filter((e) => {
      const by = e.getAttribute('aria-labelledby'), label = e.labels && e.labels[0];
      const name = e.getAttribute('aria-label') || (by && document.getElementById(by).textContent) || (label && label.textContent) || (e.matches('svg') ? e.querySelector('title')?.textContent : e.matches('input,select') ? '' : e.textContent);
      return !(name || '').trim();
    }).map((e) => e.outerHTML.slice(0, 80))""")
    assert bad == []
    levels = crew.evaluate("[...document.querySelectorAll('h1,h2,h3')].map((h) => Number(h.tagName[1]))")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels)), "no level of heading is left out"
    assert crew.evaluate("document.documentElement.lang") == "en"
    assert crew.locator("[aria-live=polite] #height").count() == 1
    assert crew.locator("#notice").get_attribute("role") == "alert"


def test_keys_reach_everything_in_the_order_it_stands(crew):
    crew.locator("#enter summary").click()
    crew.locator("h1").click()  # where the walk starts
    reached = []
    for _ in range(30):
        crew.keyboard.press("Tab")
        name, ring = crew.evaluate("""() => { const e = document.activeElement, s = getComputedStyle(e.id === 'import' ? e.parentElement : e);
          return [e.id || e.dataset.foot || e.getAttribute('aria-label') || e.textContent.trim(), parseFloat(s.outlineWidth)]; }""")
        reached.append(name)
        assert ring >= 2, f"{name} shows no focus"
    order = ["done", "previous", "next", "next-open", "kind", "value", "theme", "export", "import"]
    at = [reached.index(name) for name in order]
    assert at == sorted(at)
    assert len(set(reached)) > 15, "no trap"
    crew.locator("#done").focus()
    crew.keyboard.press("Enter")
    assert crew.locator("#progress").inner_text().startswith("1 of")


def test_targets_take_a_glove(crew):
    crew.locator("#enter summary").click()
    small = crew.evaluate("""() => [...document.querySelectorAll('button, select, input:not(#import), .file, summary')].filter((e) => e.checkVisibility())
      .map((e) => [e.id || e.textContent.trim().slice(0, 30), e.getBoundingClientRect()]).filter(([, b]) => b.width < 48 || b.height < 48).map(([name]) => name)""")
    assert small == []


@pytest.mark.parametrize("name", ["crew-sheet.html", "model.html"])
def test_axe_finds_nothing(page, lead_folder, name):
    # In one light: the others differ in colour only, whose contrast is measured above.
    import axe_playwright_python.sync_playwright as axe

    page.goto((lead_folder / name).as_uri())
    found = axe.Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
