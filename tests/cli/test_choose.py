"""`choose`: what stands on the terminal and in the JSON, from tables drawn at random."""

from __future__ import annotations

import json
import math
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from pipeline.errors import CallError
from pipeline.tables import decisions as tables
from tests.commands import Said, run
from tests.report import decided


class Season:
    """A season whose tables are drawn; `choose` filters as the public name does."""

    def __init__(self, result: Any) -> None:
        self.decisions = result.decisions
        self.choices, self.tests = result.decisions.choices, result.decisions.tests
        self.runs = result.runs
        self.notes = ("12 rows of the exports were set aside",)
        source = SimpleNamespace(racing_class="touring")
        self.joined = SimpleNamespace(
            source=source, team_driver=self.team_driver, context=lambda _: decided.context()
        )

    def team_driver(self, name: str) -> str:
        if name not in decided.DRIVERS:
            raise CallError(f"no team driver '{name}' has runs")
        return name

    def choose(self, grip: Any = None, surface: Any = None, driver: Any = None) -> pd.DataFrame:
        rows = self.choices
        for column, word in (("grip", grip), ("surface", surface), ("driver", driver)):
            if word and word not in set(rows[column]):
                raise CallError(f"no {column} '{word}' was run")
            rows = rows[rows[column] == (word or "")]
        return rows


@pytest.fixture
def season(monkeypatch: pytest.MonkeyPatch) -> Season:
    made = Season(decided.season())
    team = SimpleNamespace(season=lambda *_, **__: made)
    monkeypatch.setattr("pipeline.cli.pages.opened", lambda folder, steps: team)
    return made


def said(*arguments: str) -> Said:
    return run("choose", *arguments)


def test_all_grips_in_short_and_the_tests(season: Season) -> None:
    words = said()
    assert words.status == 0 and "note: 12 rows" in words.err
    blocks = [line for line in words.out.splitlines() if line and not line.startswith(" ")]
    assert blocks[:3] == ["Low grip: one to fit", "Medium grip: four to fit",
                          "High grip: four to fit"]  # fmt: skip
    assert blocks[3] == "What to test next"
    assert "2.4 s  19 of 20  Flex plate: stiff, not soft" in words.out
    assert "Cannot be told: Front springs" in words.out
    assert words.out.count("  1. Rear brace, off or on") == 1
    assert max(len(line) for line in words.out.splitlines() if ". " not in line) <= 80


def test_one_grip_gives_each_part_its_sentence(season: Season) -> None:
    words = said("--grip", "high", "--driver", "Samir Aziz")
    assert words.status == 0
    assert words.out.splitlines()[0] == "For Samir Aziz"
    rows = season.choose("high", None, "Samir Aziz")
    for sentence in rows["sentence"].dropna():
        assert sentence in words.out
    assert "Low grip" not in words.out and "at low grip: 2 drivers" not in words.out


@pytest.mark.parametrize("arguments", [(), ("--grip", "low"), ("--driver", "Ida Holm")])
def test_json_is_the_tables(season: Season, arguments: tuple[str, ...]) -> None:
    answer = json.loads(said("--json", *arguments).out)
    assert list(answer) == ["season", "class", "choices", "tests", "notes"]
    assert answer["class"] == "touring" and answer["notes"] == list(season.notes)
    assert all(list(row) == tables.CHOICES.names for row in answer["choices"])
    assert all(list(row) == tables.TESTS.names for row in answer["tests"])
    grips = {row["grip"] for row in answer["choices"]}
    assert grips == ({"low"} if "low" in arguments else {"low", "medium", "high", ""})
    assert {row["driver"] for row in answer["choices"]} == {
        "Ida Holm" if "Ida Holm" in arguments else ""
    }
    key = (season.choices["factor"] == "flex") & (season.choices["level"] == "stiff")
    expected = season.choices[key & (season.choices["grip"] == "low")]
    got = [r for r in answer["choices"] if r["factor"] == "flex" and r["level"] == "stiff"]
    driver = answer["choices"][0]["driver"]
    row = expected[expected["driver"] == driver].iloc[0]
    low = next(r for r in got if r["grip"] == "low")
    assert math.isclose(low["gain_s"], row["gain_s"]) and low["n_runs"] == row["n_runs"]
    assert any(value is None for row in answer["choices"] for value in row.values())


def test_nothing_to_tell_is_an_empty_list_with_the_reason(season: Season) -> None:
    season.choices, season.tests = tables.CHOICES.empty(), tables.TESTS.empty()
    season.notes = ()
    words = said("--json")
    answer = json.loads(words.out)
    assert words.status == 0 and answer["choices"] == [] and answer["notes"]
    assert "nothing to fit" in said().out.lower()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--grip", "hihg"), "no grip 'hihg' was run"),
        (("--surface", "sand"), "no surface 'sand' was run"),
        (("--driver", "Nobody"), "no team driver 'Nobody'"),
    ],
)
def test_a_name_that_is_not_known_is_a_wrong_call(
    season: Season, arguments: tuple[str, ...], words: str
) -> None:
    found = said(*arguments)
    assert (found.status, found.out) == (2, "") and words in found.err


def test_nothing_is_said_of_the_team_where_only_a_driver_is_asked_for(season: Season) -> None:
    words = said("--grip", "high", "--driver", "Samir Aziz")
    assert "team’s choice" not in words.out
