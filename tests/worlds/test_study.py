"""The study: goes on where it was, survives a failing analysis, keeps the truth that was meant."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.worlds import record as recording
from tests.worlds import study
from tests.worlds.record import Asked, record
from tests.worlds.world import World

SIMPLE = Asked(outcomes=("pace",), analysis="simple")


def said(one: World, scope: str, **more: Any) -> pd.DataFrame:
    """What an analysis would say that finds the reference and the level alike."""
    truth = one.truth[one.truth["driver"].eq("")]
    rows = truth[["outcome", "factor", "level", "condition"]].assign(scope=scope, **more)
    ratio = rows["outcome"].isin(["spread", "mistakes"])
    return rows.assign(
        estimate=ratio.astype(float), ci_low=ratio - 0.5, ci_high=ratio + 0.5,
        verdict="no difference that matters",
    )  # fmt: skip


def with_stub(monkeypatch: pytest.MonkeyPatch, analysis: Any) -> Asked:
    monkeypatch.setitem(recording.ANALYSES, "stub", analysis)
    return Asked(analysis="stub", conditions=True)


@pytest.mark.parametrize(
    ("scope", "column"),
    [("the next meeting", "truth_next"), ("these meetings", "truth_these")],
)
def test_the_scope_says_which_truth(
    monkeypatch: pytest.MonkeyPatch, scope: str, column: str
) -> None:
    asked = with_stub(monkeypatch, lambda one, _: SimpleNamespace(effects=said(one, scope)))
    rows = pd.DataFrame(record("meetings differ", 1, 4, asked)["rows"])
    assert set(rows["row"]) == {"both"}
    assert rows["truth"].equals(rows[column])
    assert not rows["truth_next"].equals(rows["truth_these"])


def test_rows_of_drivers_are_held_against_drivers(monkeypatch: pytest.MonkeyPatch) -> None:
    def analysis(one: World, _: Asked) -> Any:
        cars = one.truth[one.truth["driver"].ne("")]
        by_driver = cars[["outcome", "factor", "level", "driver"]].assign(estimate=0.0)
        return SimpleNamespace(effects=said(one, "this meeting"), by_driver=by_driver)

    asked = with_stub(monkeypatch, analysis)
    rows = pd.DataFrame(record("drivers differ", 1, 2, asked)["rows"])
    pace = rows[rows["outcome"].eq("pace") & rows["driver"].ne("")]
    assert len(pace) == 4 and pace["truth"].nunique() == 4
    all_cars = rows[rows["outcome"].eq("pace") & rows["driver"].eq("")]["truth"].iloc[0]
    assert pace["truth"].mean() == pytest.approx(all_cars, abs=1e-5)


def test_a_row_too_few_and_one_too_many_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    def analysis(one: World, _: Asked) -> Any:
        effects = said(one, "this meeting")
        return SimpleNamespace(
            effects=pd.concat([effects.iloc[1:], effects.iloc[:1].assign(level="Z")])
        )

    rows = pd.DataFrame(record("plain", 1, 2, with_stub(monkeypatch, analysis))["rows"])
    assert rows["row"].value_counts().to_dict() == {"both": 4, "truth": 1, "effects": 1}
    assert rows.loc[rows["row"].eq("effects"), "truth"].isna().all()


def test_a_failing_analysis_is_recorded(monkeypatch: pytest.MonkeyPatch) -> None:
    def analysis(one: World, _: Asked) -> Any:
        raise ValueError("singular in world 7")

    kept = record("plain", 1, 2, with_stub(monkeypatch, analysis))
    assert kept["failure"].startswith("ValueError: singular in world 7 (test_study.py:")
    table = study.frame([json.loads(json.dumps(kept))])
    assert len(table) == 1 and table["estimate"].isna().all() and table["w_cars"].eq(4).all()
    assert study.alike(kept["failure"]) == study.alike(kept["failure"].replace("7", "12.5"))


def test_an_analysis_that_hangs_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    def analysis(one: World, _: Asked) -> Any:
        while True:
            pass

    monkeypatch.setattr(recording, "MOST_SECONDS", 1)
    assert (
        "took more than 1 s" in record("plain", 1, 2, with_stub(monkeypatch, analysis))["failure"]
    )


def test_the_simple_analysis_stands_beside_pace() -> None:
    kept = record("plain", 1, 3, SIMPLE)
    rows = pd.DataFrame(kept["rows"])
    width = (rows["ci_high"] - rows["ci_low"]) / 2
    assert rows["simple_half_width"].to_numpy() == pytest.approx(width.to_numpy(), rel=1e-4)
    assert rows["simple_covers"].isin([0, 1]).all() and kept["failure"] == ""


def test_the_package_s_analysis_is_asked_as_the_contract_says() -> None:
    kept = record("plain", 1, 3, Asked(outcomes=("pace",)))
    assert kept["failure"] == ""
    rows = pd.DataFrame(kept["rows"])
    assert rows["row"].tolist() == ["both"] and np.isfinite(rows["estimate"]).all()


def test_a_stopped_study_goes_on_where_it_was(tmp_path: Path) -> None:
    scratch, out = tmp_path / "scratch.jsonl", tmp_path / "worlds.parquet"
    tasks = [("plain", 1, n) for n in range(6)]
    done = [record(*task, SIMPLE) for task in tasks[:4]]
    text = "".join(json.dumps(one) + "\n" for one in done)
    scratch.write_text(text + '{"kind": "plain", "se')  # a stop cut the last line off
    study.run(tasks, SIMPLE, 1, scratch, None)
    kept = [json.loads(line) for line in scratch.read_text().splitlines()]
    assert [one["number"] for one in kept[:4]] == [0, 1, 2, 3] and kept[:4] == done
    assert {one["number"] for one in kept} == set(range(6)) and len(kept) == 6
    study.write(tasks, scratch, out)
    table = pd.read_parquet(out)
    assert sorted(table["number"]) == list(range(6))
    assert {"truth", "estimate", "verdict", "w_run_sd_team", "simple_half_width"} <= set(table)


def test_no_world_is_begun_after_the_deadline(tmp_path: Path) -> None:
    scratch = tmp_path / "scratch.jsonl"
    study.run([("plain", 1, 0)], SIMPLE, 1, scratch, 1e-9)
    assert scratch.read_text() == ""


def test_the_fingerprint_knows_what_was_asked() -> None:
    assert study.fingerprint(SIMPLE) == study.fingerprint(SIMPLE) != study.fingerprint(Asked())
