"""The study's own arithmetic, on records whose answer is plain."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.calibration import markdown, study
from tests.calibration.replicate import Record
from tests.calibration.summary import (
    RATIOS,
    claimed_direction,
    effects_table,
    monte_carlo_error,
    summarise,
)


def effect(truth: float, low: float, high: float, verdict: str, outcome: str = "pace") -> Record:
    middle = (low * high) ** 0.5 if outcome in RATIOS else (low + high) / 2
    excludes_null = low > 0 or high < 0
    return {
        "outcome": outcome,
        "factor": "bar",
        "level": "B",
        "estimate": middle,
        "std_error": 0.05,
        "df": 20.0,
        "ci_low": low,
        "ci_high": high,
        "p_value": 0.01 if excludes_null else 0.5,
        "q_value": 0.02 if excludes_null else 0.5,
        "truth": truth,
        "null": truth == 0,
        "verdict": verdict,
        "mixed_with": "",
    }


def record(number: int, *effects: Record) -> Record:
    return {
        "kind": "field",
        "number": number,
        "effects": list(effects),
        "failure": "",
    }


@pytest.fixture
def records() -> list[Record]:
    return [
        record(0, effect(0.10, 0.05, 0.25, "slower")),
        record(1, effect(0.10, -0.25, -0.05, "faster")),
        record(2, effect(0.0, 0.05, 0.25, "slower")),
        record(3, effect(0.0, -0.1, 0.1, "no difference that matters")),
    ]


def test_shares_are_counted_over_the_right_contrasts(records: list[Record]) -> None:
    row = summarise(effects_table(records)).iloc[0]
    assert row["covered"] == 0.5
    assert row["false_p"] == row["false_q"] == row["false_claim"] == 0.5
    assert row["wrong_way"] == row["found"] == 0.5
    assert row["half_width"] == pytest.approx(0.1)


def test_no_number_is_neither_right_nor_wrong(records: list[Record]) -> None:
    silent = effect(0.1, 0.0, 0.0, "not separable")
    silent |= dict.fromkeys(("estimate", "ci_low", "ci_high", "p_value", "q_value", "std_error"))
    row = summarise(effects_table([*records, record(4, silent)])).iloc[0]
    assert row["refused"] == pytest.approx(0.2)
    assert row["covered"] == 0.5
    assert row["wrong_way"] == 0.5


def test_ratios_are_measured_on_the_log_scale() -> None:
    row = effect(1.2, 1.0, 1.44, "wilder", "spread") | {"null": False}
    table = effects_table([record(0, row)])
    assert table["half_width"][0] == pytest.approx(np.log(1.2))
    assert table["z"][0] == pytest.approx(0.0, abs=1e-12)


def test_contrasts_of_one_season_are_one_cluster() -> None:
    right, wrong = effect(0.0, -1, 1, "leaning faster"), effect(0.0, 1, 2, "leaning slower")
    single = effects_table([record(0, right), record(1, wrong)])
    doubled = effects_table([record(0, right, right), record(1, wrong, wrong)])
    assert monte_carlo_error(doubled, "covered") == monte_carlo_error(single, "covered")


def test_a_share_of_all_has_an_error_too() -> None:
    table = effects_table([record(n, effect(0.0, -1, 1, "not enough runs")) for n in range(48)])
    assert monte_carlo_error(table, "covered") == pytest.approx((0.98 * 0.02 / 48) ** 0.5)


def test_verdict_that_is_unknown_is_not_passed_over() -> None:
    assert claimed_direction("leaning faster") == 0
    with pytest.raises(KeyError):
        claimed_direction("quicker")


def test_share_outside_its_bounds_stands_out(records: list[Record]) -> None:
    assert "*50.0 % ± 25.0*" in markdown.effects_markdown(summarise(effects_table(records)))
    many = [r | {"number": 4 * n + r["number"]} for n in range(25) for r in records]
    assert "**50.0 % ± 5.0**" in markdown.effects_markdown(summarise(effects_table(many)))


def test_race_effect_of_nearly_nothing_has_no_wrong_way() -> None:
    rows = [effect(0.1, -3.0, -1.0, "faster", "race"), effect(0.9, -3.0, -1.0, "faster", "race")]
    table = effects_table([record(0, *rows)])
    assert list(table["wrong_way"]) == [False, True]


def test_study_goes_on_where_it_was(tmp_path: Path) -> None:
    scratch = tmp_path / "records.jsonl"
    kept = json.dumps(record(0) | {"kind": "pair"}) + "\n"
    scratch.write_text(kept + '{"kind": "pair", "num', encoding="utf-8")
    study.run(["pair"], 1, 1, 1, scratch)
    assert study.recorded(["pair", "four"], 2, 1, scratch) == [json.loads(kept)]
    assert scratch.read_text(encoding="utf-8") == kept
