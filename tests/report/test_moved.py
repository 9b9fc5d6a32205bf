"""What moved, as lines of the season's page."""

from __future__ import annotations

import pandas as pd

from pipeline.decide.places import Part
from pipeline.report.moved_views import moved_lines

PARTS = {"bar": Part("Rear bar", "1.3", "mm"), "shell": Part("Shell", "round")}
GRIPS = ("low", "medium", "high")
CHOICES = [
    ("choice", "bar", "1.4", "", "try", "fit", "40 new runs"),
    ("choice", "bar", "1.3", "low", "try 1.4", "keep 1.3", "40 new runs"),
    ("choice", "bar", "1.4", "medium", "try", "fit", "40 new runs"),
    ("choice", "bar", "1.4", "high", "try", "fit", "40 new runs"),
    ("choice", "shell", "wedge", "low", "cannot be told", "keep", "12 new runs"),
    ("choice", "shell", "wedge", "medium", "cannot be told", "keep", "12 new runs"),
    ("choice", "shell", "wedge", "high", "cannot be told", "keep", "12 new runs"),
    ("choice", "tyre_runs", "0", "low", "try 1", "keep 0", "40 new runs"),
]
VERDICTS = [
    (
        "verdict",
        "shell",
        "wedge",
        "",
        "race faster, settled",
        "race leaning faster, taken back",
        "",
    ),
    ("verdict", "shell", "wedge", "", "pace leaning faster", "pace faster", ""),
    ("verdict", "shell", "wedge", "", "cannot be told", "rear_grip better, settled", ""),
]


def lines(rows: list[tuple[str, ...]], grips: tuple[str, ...] = GRIPS) -> list[tuple[str, str]]:
    names = ["what", "factor", "level", "grip", "before", "now", "why"]
    return moved_lines(pd.DataFrame(rows, columns=names), PARTS, grips)


def test_a_move_is_said_once_with_its_grips() -> None:
    assert lines(CHOICES) == [
        ("Rear bar", "Try 1.4 before, now keep 1.3 at low grip: 40 new runs."),
        ("Rear bar", "Try before, now fit 1.4 at medium and high grip: 40 new runs."),
        ("Shell", "Cannot be told before, now keep wedge at any grip: 12 new runs."),
    ]


def test_without_a_word_of_grip_that_over_all_is_said() -> None:
    assert lines(CHOICES[:1], ("",)) == [("Rear bar", "Try before, now fit 1.4: 40 new runs.")]


def test_of_verdicts_those_of_the_clock_that_are_or_were_settled() -> None:
    found = lines(VERDICTS)
    assert [label for label, _ in found] == ["Shell wedge"]
    assert found[0][1].startswith("Race faster, settled before, now race leaning faster")


def test_nothing_without_a_table() -> None:
    assert moved_lines(None, PARTS, GRIPS) == []
