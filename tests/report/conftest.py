"""Pages of the made-up season, and a browser to open them in."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.report.meeting_page import meeting_page
from pipeline.report.privacy import context_for_driver, for_driver, others_of
from pipeline.report.render import render, write_page
from pipeline.report.season_page import season_page
from pipeline.report.share_page import share_page
from tests.report import made_up

PAGES = ("season", "meeting", "share")
DRIVER = "Ida Holm"
CHROMIUM = next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)


@pytest.fixture(scope="session")
def html() -> dict[str, str]:
    """The three pages of the made-up season."""
    result, context = made_up.season(), made_up.context()
    others = others_of(DRIVER, result.runs, made_up.TEAM, {}, ["7654321"])
    own = for_driver(result, DRIVER, others)
    return {
        "season": render(season_page(result, context)),
        "meeting": render(meeting_page(made_up.meeting(result), context)),
        "share": render(share_page(own, context_for_driver(context, others), DRIVER)),
    }


@pytest.fixture(scope="session")
def page_files(html: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    return {name: write_page(folder / f"{name}.html", text) for name, text in html.items()}


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A headless Chromium; skips where there is none."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    api = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed")
    with api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield browser
        browser.close()
