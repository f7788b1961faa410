"""The model in a real browser: it draws, turns, and tells a foot's number where it is tapped."""

from __future__ import annotations

import csv
import os

import pytest

PIXELS = """() => {
  const gl = document.getElementById('view').getContext('webgl2'), n = gl.drawingBufferWidth * gl.drawingBufferHeight;
  const data = new Uint8Array(4 * n);
  gl.readPixels(0, 0, gl.drawingBufferWidth, gl.drawingBufferHeight, gl.RGBA, gl.UNSIGNED_BYTE, data);
  let drawn = 0;
  for (let k = 0; k < n; k++) if (Math.abs(data[4 * k] - 237) + Math.abs(data[4 * k + 1] - 241) + Math.abs(data[4 * k + 2] - 244) > 12) drawn++;
  return drawn / n;
}"""


@pytest.fixture
def model(page, lead_folder):
    page.goto((lead_folder / "model.html").as_uri())
    if not page.evaluate("!!document.createElement('canvas').getContext('webgl2')"):
        assert os.environ.get("ROWPLANE_BROWSER_TESTS") != "required"
        pytest.skip("this chromium draws no WebGL 2")
    return page


def test_the_roof_is_drawn_and_turns(model):
    before = model.evaluate(PIXELS)
    assert before > 0.03
    model.locator("#modules").uncheck()
    assert model.evaluate(PIXELS) > 0.03
    at = model.evaluate("roofModel.screen(roofModel.feet[0])")
    model.locator("#left").click()
    assert model.evaluate("roofModel.screen(roofModel.feet[0])") != at


def test_a_tap_on_a_foot_tells_its_number(model, lead_folder):
    with (lead_folder / "feet.csv").open(encoding="utf-8") as file:
        rows = {r["foot"]: r for r in csv.DictReader(file)}
    foot = model.evaluate("""() => {
      const view = document.getElementById('view'), middle = [view.clientWidth / 2, view.clientHeight / 2];
      const off = (id) => { const [x, y] = roofModel.screen(id); return Math.hypot(x - middle[0], y - middle[1]); };
      return [...roofModel.feet].sort((a, b) => off(a) - off(b))[0];
    }""")
    x, y = model.evaluate("id => roofModel.screen(id)", foot)
    model.locator("#view").click(position={"x": x, "y": y})
    told = model.locator("#picked").inner_text()
    assert told.startswith(f"{foot}: ")
    assert f"{float(rows[foot]['lift_mm']) + float(rows[foot]['packer_mm']):.1f} mm" in told


def test_nothing_overflows(model):
    assert model.evaluate("document.documentElement.scrollWidth") <= model.viewport_size["width"]
