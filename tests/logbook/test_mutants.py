"""Files that a spreadsheet mended or somebody broke: taken in as meant, or refused whole."""

from __future__ import annotations

from tests.logbook.mutants import study


def test_files_are_taken_in_as_meant_or_refused_with_nothing_changed():
    counts = study(files=240, seed=7)
    assert set(counts) == {"taken in", "refused", "broken and refused", "broken and taken in"}
    assert counts["taken in"] > 60 and counts["refused"] > 60
