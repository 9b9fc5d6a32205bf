"""What the records of outcomes and conditions say, and what a verdict is."""

from __future__ import annotations

from math import log

import pytest

from pipeline.report.words import effect_words
from pipeline.tables.conditions import CONDITIONS, condition_words, parted, sort_key
from pipeline.tables.outcomes import OUTCOMES, is_definite, is_leaning, leaning, outcome_of

# name: ratio, counted, over a race, by driver, weight, digits, nothing, figure
RECORDS = {
    "pace": (False, False, False, True, 2.5, 3, 0.0, "effects"),
    "spread": (True, False, False, True, 0.5, 3, 1.0, "effects"),
    "mistakes": (True, True, False, False, 0.5, 3, 1.0, "effects"),
    "fade": (False, False, False, False, 0.5, 5, 0.0, ""),
    "race": (False, False, True, False, 1.0, 2, 0.0, "race"),
}


def test_the_records() -> None:
    found = {
        o.name: (
            o.is_ratio, o.is_counted, o.is_over_race, o.by_driver, o.weight, o.digits, o.no_effect,
            o.figure,
        )
        for o in OUTCOMES.values()
    }  # fmt: skip
    assert found == RECORDS
    assert list(found) == list(RECORDS)
    assert not any(o.higher_is_better for o in OUTCOMES.values())


@pytest.mark.parametrize(
    ("outcome", "value", "words"),
    [
        ("pace", -0.1234, "0.12 s a lap faster"),
        ("pace", 0.0041, "0.004 s a lap slower"),  # a digit more where it would say zero
        ("spread", 1.15, "15 % wilder"),
        ("spread", 0.85, "15 % steadier"),
        ("spread", 2.0, "100 % wilder"),
        ("spread", 2.51, "2.5 times the spread"),
        ("mistakes", 0.7, "30 % fewer mistakes"),
        ("mistakes", 1.3, "30 % more mistakes"),
        ("mistakes", 3.0, "3.0 times the mistakes"),
        ("fade", -0.0021, "2.1 ms of fade a lap less"),
        ("fade", 0.0021, "2.1 ms of fade a lap more"),
        ("race", 1.12, "1.1 s slower"),
    ],
)
def test_effects_in_words(outcome: str, value: float, words: str) -> None:
    assert effect_words(outcome, value) == words


@pytest.mark.parametrize(
    ("outcome", "worthwhile_s", "laps", "margin"),
    [
        ("pace", 0.03, 20.0, 0.03),
        ("race", 0.03, 20.0, 0.6),
        ("fade", 0.03, 20.0, 0.003),
        ("fade", 0.03, 2.5, 0.024),
        ("fade", 0.03, 1.5, 0.03),  # as of two laps: one lap fades nothing
        ("spread", 0.03, 20.0, log(1.10)),
        ("mistakes", 0.03, 20.0, log(1.25)),
    ],
)
def test_margins(outcome: str, worthwhile_s: float, laps: float, margin: float) -> None:
    assert OUTCOMES[outcome].margin(worthwhile_s, laps) == pytest.approx(margin, rel=1e-12)


@pytest.mark.parametrize(
    ("words", "definite", "leans"),
    [
        ("faster", True, False),
        ("fades less", True, False),
        ("better", True, False),
        ("worse", True, False),
        ("leaning faster", False, True),
        ("no difference that matters", False, False),
        ("not enough runs", False, False),
        ("not separable", False, False),
        ("same at any grip", False, False),
        ("", False, False),
    ],
)
def test_what_a_verdict_says(words: str, definite: bool, leans: bool) -> None:
    assert is_definite(words) == definite
    assert is_leaning(words) == leans


def test_a_record_is_found_by_its_name() -> None:
    pace = OUTCOMES["pace"]
    assert outcome_of("pace") is outcome_of(pace) is pace
    assert (pace.verdict(True), pace.verdict(False)) == ("faster", "slower")
    assert leaning("slower") == "leaning slower"


@pytest.mark.parametrize(
    ("condition", "parts", "words"),
    [
        ("all", ("all", ""), "overall"),
        ("grip=high", ("grip", "high"), "at high grip"),
        ("surface=carpet", ("surface", "carpet"), "on carpet"),
        ("wind=strong", ("wind", "strong"), "where wind is strong"),
    ],
)
def test_conditions_in_words(condition: str, parts: tuple[str, str], words: str) -> None:
    assert parted(condition) == parts
    assert condition_words(condition) == words


def test_conditions_in_order() -> None:
    ordered = ["all", "grip=low", "grip=medium", "grip=high", "grip=odd", "surface=asphalt",
               "surface=carpet", "wind=a", "wind=b"]  # fmt: skip
    assert sorted({*ordered}, key=sort_key) == ordered
    assert sort_key("wind=b") == ("wind", 0, "b")
    assert [CONDITIONS["grip"].place(v) for v in ("low", "high", "odd")] == [
        (0, "low"), (2, "high"), (3, "odd"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "cell", "read"),
    [
        ("grip", "High", "high"),
        ("grip", " high ", "high"),
        ("grip", "hihg", None),
        ("grip", "", ""),
        ("surface", "Smooth  Asphalt", "smooth asphalt"),
        ("surface", "", ""),
    ],
)
def test_cells_of_conditions(name: str, cell: str, read: str | None) -> None:
    assert CONDITIONS[name].read(cell) == read
    assert CONDITIONS["surface"].expected == "text"
    assert CONDITIONS["grip"].expected == "low, medium, high"
