"""What to run: which group a change falls into, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from pipeline.report.advice import advice, as_text, summary
from pipeline.report.contrasts import contrasts, group_of
from tests.report import made_up


def names(groups: object) -> dict[str, list[str]]:
    return {g.name: [item.key for item in g.items] for g in groups}  # type: ignore[attr-defined]


def with_verdicts(**verdicts: str) -> str:
    """The group of one change with these verdicts (and estimates that go with them)."""
    result = made_up.season()
    one = result.effects["factor"].eq("top_deck") & result.effects["condition"].eq("all")
    effects = result.effects[one].copy()
    for outcome, verdict in verdicts.items():
        effects.loc[effects["outcome"] == outcome, "verdict"] = verdict
        word = verdict.removeprefix("leaning ")
        if word in {"faster", "steadier", "fewer"}:
            effects.loc[effects["outcome"] == outcome, "estimate"] = (
                -0.05 if outcome in ("pace", "race") else 0.8
            )
        if word in {"slower", "wilder", "more"}:
            effects.loc[effects["outcome"] == outcome, "estimate"] = (
                0.05 if outcome in ("pace", "race") else 1.2
            )
    (contrast,) = contrasts(replace(result, effects=effects))
    return group_of(contrast)


NO = made_up.NO


@pytest.mark.parametrize(
    ("verdicts", "group"),
    [
        ({"pace": "faster", "race": "faster"}, "keep"),
        ({"pace": "leaning faster", "race": "faster"}, "keep"),
        ({"pace": "slower", "race": "leaning slower"}, "drop"),
        ({"pace": "faster", "race": "slower"}, "depends"),
        ({"pace": "faster", "race": NO}, "depends"),
        ({"pace": NO, "race": NO, "spread": "steadier"}, "keep"),
        ({"pace": NO, "race": NO, "spread": "wilder", "mistakes": "more"}, "drop"),
        ({"pace": NO, "race": NO, "spread": "wilder", "mistakes": "fewer"}, "depends"),
        ({"pace": NO, "race": NO}, "same"),
        ({"pace": "leaning faster", "race": "leaning faster"}, "open"),
        ({"pace": "not enough runs", "race": "not enough runs"}, "open"),
    ],
)
def test_the_race_decides_then_pace_then_care(verdicts: dict[str, str], group: str) -> None:
    assert with_verdicts(**{"mistakes": "", **verdicts}) == group


def test_better_in_one_condition_and_worse_in_another_depends() -> None:
    result = made_up.season()
    one = result.effects[
        result.effects["factor"].eq("rear_bar")
        & result.effects["level"].eq("1.2")
        & result.effects["outcome"].eq("pace")
    ].copy()
    one.loc[one["condition"] == "grip=high", ["estimate", "verdict"]] = [0.06, "slower"]
    (contrast,) = contrasts(replace(result, effects=one))
    assert group_of(contrast) == "depends"


@pytest.mark.parametrize(
    ("pace", "race", "group"),
    [
        ("leaning faster", "not enough runs", "keep"),
        ("not enough runs", "leaning faster", "depends"),
        ("not enough runs", "not enough runs", "depends"),
        ("leaning slower", "not enough runs", "depends"),
    ],
)
def test_shown_in_one_condition_it_holds_where_pace_leans_that_way(
    pace: str, race: str, group: str
) -> None:
    result = made_up.season()
    one = result.effects[
        result.effects["factor"].eq("rear_bar")
        & result.effects["level"].eq("1.2")
        & result.effects["outcome"].isin(["pace", "race"])
    ].copy()
    high = one["condition"] == "grip=high"
    one.loc[:, ["estimate", "verdict"]] = [-0.01, "not enough runs"]
    one.loc[high & (one["outcome"] == "pace"), ["estimate", "verdict"]] = [-0.06, "faster"]
    for outcome, verdict in (("pace", pace), ("race", race)):
        where = (one["condition"] == "all") & (one["outcome"] == outcome)
        sign = 1 if verdict.endswith("slower") else -1
        one.loc[where, ["estimate", "verdict"]] = [sign * 0.02, verdict]
    (contrast,) = contrasts(replace(result, effects=one))
    assert group_of(contrast) == group


def test_a_contrast_without_a_number_says_why() -> None:
    groups = {g.name: g for g in advice(made_up.season(), made_up.context())}
    springs = next(i for i in groups["cannot"].items if i.key.startswith("springs"))
    assert springs.text == "Always changed together with Damper oil."
    assert springs.sure == ""


def test_the_sentence_names_pace_spread_race_and_what_would_settle_it() -> None:
    groups = {g.name: g for g in advice(made_up.season(), made_up.context())}
    (screws,) = groups["open"].items
    assert screws.name == "Centre screws out instead of in"
    assert screws.text.startswith("Leans faster by 0.02 s a lap, but 15 % wilder; over five min")
    assert screws.text.endswith("; 7 more back-to-backs would settle it.")
    assert "between 0.05 s a lap faster and 0.003 s a lap slower" in screws.sure


def test_terminal_text_and_summary_hold_every_change() -> None:
    groups = advice(made_up.season(), made_up.context())
    text = as_text(groups)
    assert all(item.name in text for group in groups for item in group.items)
    assert summary(groups) == "Of 7 changes, keep 1 and drop 1; 1 is still open."


def test_a_season_without_effects_gives_no_advice() -> None:
    result = made_up.season()
    empty = replace(result, effects=result.effects.iloc[:0], needs=pd.DataFrame(result.needs[:0]))
    assert advice(empty, made_up.context()) == () and summary(()) == ""
