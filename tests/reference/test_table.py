"""No check of values.json goes unused, and the table of their sources is current."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.reference import published, table

FOLDERS = (Path(__file__).parent, Path(__file__).parents[1] / "models")


@pytest.mark.parametrize("name", published.all_checks())
def test_every_check_is_used(name: str) -> None:
    tests = [path for folder in FOLDERS for path in folder.glob("*.py") if path.name != "table.py"]
    assert any(f'"{name}"' in path.read_text("utf-8") for path in tests)


def test_table_of_sources_is_current() -> None:
    assert table.README.read_text("utf-8") == table.page()
