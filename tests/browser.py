"""A headless Chromium for tests that open pages in it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)


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


def axe() -> str:
    """Where axe-core's script lies; skips where nobody says."""
    path = os.environ.get("BACKTOBACK_AXE", "")
    if not Path(path).is_file():
        pytest.skip("BACKTOBACK_AXE does not name axe-core's script")
    return path
