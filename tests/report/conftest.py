"""Pages of the made-up season."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.report.meeting_page import meeting_page
from pipeline.report.privacy import context_for_driver, for_driver, others_of
from pipeline.report.render import render, write_page
from pipeline.report.season_page import season_page
from pipeline.report.share_page import share_page
from tests.report import decided, made_up

PAGES = ("season", "meeting", "share")
DRIVER = "Ida Holm"


@pytest.fixture(scope="session")
def html() -> dict[str, str]:
    """The three pages of the made-up season."""
    result, context = decided.season(), decided.context()
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
