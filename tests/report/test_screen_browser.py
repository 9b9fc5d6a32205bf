"""The first screen as a browser shows it, without scripts: every state, on a phone and on paper."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.report import decided, screens

pytestmark = pytest.mark.browser
DESK, PHONE = 1280, 360
A4_WIDTH = 688  # CSS pixels between margins of 14 mm
THUMB = 44  # px: the least height of what a thumb has to hit
HEIGHTS = (
    "Array.from(document.querySelectorAll('.pick label, .lead-list .do a'))"
    ".filter(e => e.offsetParent).map(e => e.getBoundingClientRect().height)"
)


@pytest.fixture(scope="module")
def screen_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("screen") / "screen.html"
    path.write_text(screens.page(decided.season(), decided.context()), "utf-8")
    return path


@pytest.mark.parametrize("width", [DESK, PHONE])
def test_each_state_shows_one_list_and_one_sentence_a_part(
    chromium: Any, screen_file: Path, width: int
) -> None:
    browser = chromium.new_context(
        java_script_enabled=False, viewport={"width": width, "height": 740}
    )
    page = browser.new_page()
    page.goto(screen_file.as_uri())
    parts = page.locator(".row").count()
    seen = set()
    for driver in range(len(decided.DRIVERS) + 1):
        page.locator(f"label[for=d{driver}]").click()
        for grip in range(3):
            page.locator(f"label[for=g{grip}]").click()
            headings = page.locator(".lead-list h2:visible").all_inner_texts()
            assert len(headings) == 1
            assert page.locator(".told:not(.ex):visible").count() == parts
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            if width == PHONE:
                assert min(page.evaluate(HEIGHTS)) >= THUMB
            seen.add(headings[0])
    browser.close()
    assert len(seen) == 3 * (len(decided.DRIVERS) + 1)


def test_on_a_phone_the_whole_answer_stands_above_the_grip_bar(
    chromium: Any, screen_file: Path
) -> None:
    page = chromium.new_page(viewport={"width": PHONE, "height": 740})
    page.goto(screen_file.as_uri())
    last = page.locator(".lead-list li:visible").last.bounding_box()
    bar = page.locator(".bar").bounding_box()
    page.close()
    assert last["y"] + last["height"] <= bar["y"] < 740


def test_the_answer_is_one_page_of_paper(chromium: Any, screen_file: Path) -> None:
    """Short list, tests and what cannot be told; the parts begin on the next page."""
    page = chromium.new_page(viewport={"width": A4_WIDTH, "height": 1000})
    page.goto(screen_file.as_uri())
    page.emulate_media(media="print")
    bottoms = page.evaluate(
        "Array.from(document.querySelectorAll('.aside, .lead-list'))"
        ".map(e => e.getBoundingClientRect().bottom)"
    )
    new_page = page.evaluate("getComputedStyle(document.querySelector('.parts')).breakBefore")
    bar = page.evaluate("getComputedStyle(document.querySelector('.bar')).display")
    page.close()
    assert max(bottoms) < 1000 and new_page == "page" and bar == "none"
