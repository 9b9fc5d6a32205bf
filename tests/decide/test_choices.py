"""A small study: choices lose less than simple rules, and their chances are no boast."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.decide import measures, study
from tests.decide.record import Record

WORLDS = range(1, 7)  # not world 0, which is analysed in other units too
SEED = 21


@pytest.fixture(name="records", scope="module")
def _records() -> list[Record]:
    return [study.attempt(number, SEED, "full") for number in WORLDS]


@pytest.fixture(name="chosen", scope="module")
def _chosen(records: list[Record]) -> pd.DataFrame:
    return measures.choices(measures.part(records, "choices"))


def test_choices_lose_less_than_the_reference_and_best_laps(records: list[Record]) -> None:
    found = measures.regret_table(measures.part(records, "regrets"))
    for rule in ("reference", "best laps", "shown by grip"):
        assert found.loc[rule, "more"] > 0, rule
    assert found.loc["least loss", "mean"] < 0.67 * found.loc["reference", "mean"]


def test_chances_are_no_boast(chosen: pd.DataFrame) -> None:
    off = chosen["chance_picked"] - chosen["true_chance_picked"]
    mean, error = measures.mean_and_error(off, chosen["world"])
    assert mean < 2.6 * error + 0.01


def test_chances_know_more_than_the_base_rate(chosen: pd.DataFrame) -> None:
    said, base = measures.log_scores(chosen)
    assert said > base


def test_the_option_that_changes_sign_is_chosen_by_grip(chosen: pd.DataFrame) -> None:
    """Always the same level would be right in every second of these."""
    mine = chosen[chosen["role"].eq("crossing") & chosen["driver"].lt(0)]
    ends = mine[mine["grip"].ne("medium")]
    assert len(ends) == 2 * len(WORLDS)
    right = ends["true_gain_picked"] >= [max(gain) - 1e-9 for gain in ends["true_gain"]]
    assert right.sum() >= 10  # of 12; 2 % if each were right with a chance of 0.5


def test_a_race_of_next_meetings_lies_in_the_intervals(chosen: pd.DataFrame) -> None:
    mine = chosen[chosen["places"].str.len().eq(2)]
    held = mine["covered"].map(lambda shares: shares[1])
    mean, error = measures.mean_and_error(held, mine["world"])
    assert mean > 0.95 - 2.6 * error - 0.02


def test_chances_of_a_situation_sum_to_one(chosen: pd.DataFrame) -> None:
    assert chosen["chance"].map(sum).to_numpy() == pytest.approx(1)
    assert chosen["loss"].map(min).min() >= 0


def test_tests_are_worth_no_more_than_the_choice_can_lose(records: list[Record]) -> None:
    tests, chosen = measures.part(records, "tests"), measures.part(records, "choices")
    team = chosen[chosen["driver"].lt(0)]
    assert len(tests)
    for test in tests.itertuples():
        same = team["world"].eq(test.world) & team["role"].eq(test.role)
        one = team[same & team["grip"].eq(test.grip)]
        if not len(one):
            continue
        loss, chance = np.array(one["loss"].iloc[0]), np.array(one["chance"].iloc[0])
        assert test.worth_s <= loss.min() + 1e-9
        assert test.chance_to_change <= 1 - chance[loss.argmin()] + 1e-9


def test_test_days_are_driven_and_change_what_is_known(records: list[Record]) -> None:
    days = measures.test_days(records)
    assert 1 <= len(days) <= len(WORLDS) / 3  # none where nothing is worth a day
    assert (days["loss_before"] - days["loss_after"]).to_numpy() == pytest.approx(days["brought"])
    assert (days["changed"] | days["brought"].eq(0)).all()
    assert (days["worth"] <= days["loss_said"] + 1e-9).all()
    assert (days["to_change"] <= 1 - days["chance_said"] + 1e-9).all()


def test_a_study_goes_on_where_it_was_and_has_every_table(
    records: list[Record], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    asked = []
    monkeypatch.setattr(study, "attempt", lambda n, *_: asked.append(n) or records[n - 1])
    call = ["--first", "1", "--seed", f"{SEED}", "--sizes", "full", "--out", f"{tmp_path / 'out'}"]
    study.main([*call, "--worlds", "3"])
    study.main([*call, "--worlds", "7"])
    assert asked == list(WORLDS)
    page = capsys.readouterr().out
    for title in ("Regret", "Chances", "Gradients and switch-overs", "Best values"):
        assert f"## {title}" in page
