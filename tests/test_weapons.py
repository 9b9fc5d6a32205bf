"""Small spreadsheets that claim more than any machine holds: one message, little time and room."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.weapons import WEAPONS

BYTES, MEGABYTES, SECONDS = 100_000, 300, 5
ALLOWED = "the most of all.xlsx"  # is opened; the others are refused before


@pytest.mark.parametrize("names", [[ALLOWED], [n for n in WEAPONS if n != ALLOWED]])
def test_a_small_spreadsheet_never_costs_much(names: list[str], tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tests.weapons", str(tmp_path), *names]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert (done.returncode, done.stderr) == (0, "")
    found = [json.loads(line) for line in done.stdout.splitlines()]
    assert [each["name"] for each in found] == names
    for each in found:
        two = "damaged" if each["name"].startswith("two ends") else " over "
        words = "no column of lap times" if each["name"] == ALLOWED else two
        assert any(words in said for said in each["said"]), each
        assert each["bytes"] <= BYTES and each["seconds"] < SECONDS, each
        assert each["megabytes"] < MEGABYTES, each
