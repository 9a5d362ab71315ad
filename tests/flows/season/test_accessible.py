"""The web pages before an accessibility checker, in the Chromium that is installed."""

from __future__ import annotations

import shutil

import pytest

from .conftest import Written

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))),
                None)


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
def test_no_serious_finding_of_axe(written: Written) -> None:
    from axe_playwright_python.sync_playwright import Axe
    from playwright.sync_api import sync_playwright

    pages = [written.folder / "season-report.html",
             next(iter(sorted((written.folder / "sites").glob("*.html"))))]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            for path in pages:
                page = browser.new_page()
                page.goto(path.resolve().as_uri())
                found = Axe().run(page).response["violations"]
                assert [(v["id"], v["impact"]) for v in found
                        if v["impact"] in ("serious", "critical")] == []
        finally:
            browser.close()
