"""A real browser for the pages: the system's chromium, started once, nothing allowed to leave the machine."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

CHROMIUM = next((path for name in ("chromium", "chromium-browser", "google-chrome") if (path := shutil.which(name))), None)
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
]


@pytest.fixture(scope="session")
def browser() -> Iterator[object]:
    if os.environ.get("ROWPLANE_BROWSER_TESTS") == "required":
        assert CHROMIUM, "no chromium on a machine that has to have one"
    playwright = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    with playwright.sync_playwright() as running:
        chromium = running.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture(params=[(360, 740), (1280, 800)], ids=["phone", "desk"])
def page(browser, request) -> Iterator[object]:
    """A page of one size; fails on any console error or any request that is not the file itself."""
    context = browser.new_context(viewport=dict(zip(("width", "height"), request.param, strict=True)), accept_downloads=True)
    opened = context.new_page()
    trouble: list[str] = []
    opened.on("console", lambda message: trouble.append(message.text) if message.type == "error" else None)
    opened.on("pageerror", lambda error: trouble.append(str(error)))
    opened.on(
        "request",
        lambda request: trouble.append(request.url) if not request.url.startswith(("file:", "blob:", "data:")) else None,
    )
    yield opened
    context.close()
    assert not trouble


@pytest.fixture(scope="session")
def lead_folder(tmp_path_factory) -> Path:
    from browser.lead import levelled_result
    from rowplane.deliverables import write_all

    out = tmp_path_factory.mktemp("pages") / "out"
    write_all(levelled_result(), out)
    return out


@pytest.fixture
def crew(page, lead_folder):
    """The crew sheet as a phone opens it the first time: nothing remembered."""
    page.goto((lead_folder / "crew-sheet.html").as_uri())
    page.evaluate("localStorage.clear()")
    page.reload()
    return page
