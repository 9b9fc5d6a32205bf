"""The pages as a browser shows them: on a desk, on a phone, in the dark, on paper."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from tests.browser import axe
from tests.report.conftest import PAGES

pytestmark = pytest.mark.browser
WIDTHS = (1280, 360)
A4_WIDTH = 688  # CSS pixels between margins of 14 mm


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_fits_is_silent_and_asks_for_nothing(
    chromium: Any, page_files: dict[str, Path], name: str, width: int
) -> None:
    page = chromium.new_page(viewport={"width": width, "height": 800})
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(page_files[name].as_uri())
    wide = page.evaluate("document.documentElement.scrollWidth")
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    opened = page.evaluate("document.documentElement.scrollWidth")
    page.close()
    assert (said, asked) == ([], [page_files[name].as_uri()])
    assert wide <= width and opened <= width


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (360, "dark")])
@pytest.mark.parametrize("name", PAGES)
def test_no_serious_barrier(
    chromium: Any, page_files: dict[str, Path], name: str, width: int, scheme: str
) -> None:
    """By axe-core's rules, with every fold open."""
    script = axe()
    page = chromium.new_page(
        viewport={"width": width, "height": 800}, color_scheme=scheme, bypass_csp=True
    )
    page.goto(page_files[name].as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.add_script_tag(path=script)
    found = page.evaluate("axe.run({resultTypes: ['violations']})")["violations"]
    page.close()
    assert [
        (v["id"], v["nodes"][0]["html"]) for v in found if v["impact"] in ("serious", "critical")
    ] == []


@pytest.mark.parametrize("name", PAGES)
def test_paper_holds_whole_tables(chromium: Any, page_files: dict[str, Path], name: str) -> None:
    """Open folds are printed whole, and no table but the widest is wider than an A4 page."""
    page = chromium.new_page(viewport={"width": A4_WIDTH, "height": 1000})
    page.goto(page_files[name].as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.emulate_media(media="print")
    tables = page.evaluate(
        """Array.from(document.querySelectorAll('table')).map(t => {
            const box = t.getBoundingClientRect();
            return [t.id, box.right, box.height, !!t.closest('figure')];
        })"""
    )
    printed = page.pdf(prefer_css_page_size=True)
    page.close()
    assert printed.startswith(b"%PDF")
    shown = [t for t in tables if not t[3]]
    assert shown and all(height > 0 for _, _, height, _ in shown)
    # The table of every number is printed on its own landscape pages.
    assert [t for t, right, *_ in shown if right > A4_WIDTH and t != "effects-table"] == []


def test_the_season_prints_on_eight_pages(chromium: Any, page_files: dict[str, Path]) -> None:
    """Closed folds stay closed on paper, with their headings; heads of tables repeat."""
    page = chromium.new_page()
    page.goto(page_files["season"].as_uri())
    printed = page.pdf(prefer_css_page_size=True)
    page.emulate_media(media="print")
    heads = page.evaluate("getComputedStyle(document.querySelector('thead')).display")
    page.close()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) <= 8
    assert heads == "table-header-group"


def test_tables_sort_by_value_and_copy_whole(chromium: Any, page_files: dict[str, Path]) -> None:
    page = chromium.new_page(viewport={"width": 1280, "height": 800})
    page.goto(page_files["season"].as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    values = (
        "Array.from(document.querySelectorAll('#effects-table tbody tr'))"
        ".map(r => r.cells[3].dataset.value).filter(v => v).map(Number)"
    )
    page.locator("#effects-table thead th:nth-child(4) button").click()
    rising = page.evaluate(values)
    page.locator("#effects-table thead th:nth-child(4) button").click()
    falling = page.evaluate(values)
    button = page.locator(".scroll:has(#effects-table) + .copier")
    button.click()
    said = button.text_content()
    page.close()
    assert rising == sorted(rising) and len(rising) > 20
    assert falling == sorted(rising, reverse=True)
    assert said == "Copied"
