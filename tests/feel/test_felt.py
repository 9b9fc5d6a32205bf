"""Feels as outcomes: their rows, what they leave alone, the page, the driver's file and ties."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.stats import somersd

import pipeline
from pipeline.errors import UserError
from pipeline.models.agreement import concordance, somers_interval
from pipeline.models.engine.inference import Estimate
from pipeline.models.season import analyse, estimate
from pipeline.models.verdicts import verdict
from pipeline.report.privacy import context_for_driver, for_driver
from pipeline.report.render import render
from pipeline.report.season_page import season_page
from pipeline.report.share_page import share_page
from pipeline.tables.outcomes import OUTCOMES
from tests.browser import axe
from tests.feel.folder import FEELS, TEAM, imported, team_folder
from tests.feel.season import OUTCOME, season
from tests.feel.study import coverage, record
from tests.feel.world import FEEL, draw

CLOCK = list(OUTCOMES)


@pytest.fixture(scope="module")
def felt(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return imported(team_folder(tmp_path_factory.mktemp("felt") / "team")).season()


@pytest.fixture(scope="module")
def unfelt(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return imported(team_folder(tmp_path_factory.mktemp("unfelt") / "team", feels="")).season()


def test_feels_are_outcomes_behind_those_of_the_clock(felt: Any) -> None:
    assert list(felt.effects["outcome"].unique()) == [*CLOCK, "rear", "nose"]
    rows = felt.effects[felt.effects["outcome"] == "rear"].set_index("factor")
    for factor, truth in (("wing", 1.2), ("strut", 1.4)):
        row = rows.loc[factor]
        assert row["ci_low"] < truth < row["ci_high"]
        assert (row["verdict"], row["n_runs"], row["n_drivers"]) == ("better", 48, 3)
        assert row["p_shuffled"] < 0.01
    one_driver = felt.effects[felt.effects["outcome"] == "nose"]
    assert list(one_driver["n_drivers"]) == [1, 1]
    assert set(one_driver["scope"]) == {"these meetings"}


def test_the_clock_is_left_as_it_is(felt: Any, unfelt: Any) -> None:
    """Effects, choices and advice; where either will do the sentence says what felt better."""
    clock = felt.effects[felt.effects["outcome"].isin(CLOCK)].reset_index(drop=True)
    pd.testing.assert_frame_equal(clock, unfelt.effects)
    both = felt.choices, unfelt.choices
    words = [frame["sentence"] for frame in both]
    pd.testing.assert_frame_equal(*(frame.drop(columns="sentence") for frame in both))
    told = both[0][both[0]["advice"].notna()]
    tie, settled = (told[(told["advice"] == "either") == is_tie] for is_tie in (True, False))
    assert set(tie["factor"]) == {"wing"} and set(settled["factor"]) == {"strut"}
    ending = "; high felt better (Rear grip: planted), which with low the driver will miss."
    assert all(sentence.endswith(ending) for sentence in tie["sentence"])
    assert not any("felt" in sentence for sentence in settled["sentence"])
    assert [w.replace(ending, ".") for w in words[0].dropna()] == list(words[1].dropna())


def test_a_team_without_feels_hears_nothing_of_them(unfelt: Any) -> None:
    assert unfelt.result.agreement is None
    page = render(season_page(unfelt.result, unfelt.joined.context("season")))
    assert "felt" not in page.casefold()


def text_of(html: str) -> str:
    body = html[html.index('id="felt"') :]
    body = body[: body.index("</section>")]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body))


def test_the_page_says_both(felt: Any) -> None:
    said = text_of(render(season_page(felt.result, felt.joined.context("season"))))
    number = felt.effects.set_index(["outcome", "factor"]).loc
    rear, pace = number["rear", "strut"]["estimate"], number["pace", "strut"]["estimate"]
    assert (
        f"Strut on instead of off: felt better (Rear grip, {rear:.1f} points nearer planted) and "
        f"was slower ({pace:.2f} s a lap)."
    ) in said
    assert "and makes no difference by the clock that matters" in said
    ada = felt.result.agreement.set_index(["feel", "driver"]).loc["rear", TEAM[0]]
    shares = [round(100 * ada[name]) for name in ("share", "ci_low", "ci_high")]
    assert "{} % ({} to {})".format(*shares) in said
    assert ada["ci_high"] < 0.5 and "no, against it" in said


def test_a_driver_sees_the_own_feel_alone(felt: Any) -> None:
    driver = TEAM[0]
    others = felt.joined.others(driver)
    own = for_driver(felt.result, driver, others)
    assert set(own.agreement["driver"]) == {driver}
    context = context_for_driver(felt.joined.context("share"), others)
    html = render(share_page(own, context, driver))
    assert "felt better" in html and not any(name in html for name in TEAM[1:])
    mine = felt.by_driver[
        felt.by_driver["driver"].eq(driver) & felt.by_driver["outcome"].eq("rear")
    ]
    assert f"{mine.iloc[0]['estimate']:.1f} points better" in text_of(html)
    assert "Rear grip" not in render_guide(felt)


def render_guide(felt: Any) -> str:
    from pipeline.report.guide_page import guide_page, published

    context = felt.joined.context("share")
    return render(guide_page(published(felt.result, context), context))


@pytest.mark.browser
def test_the_page_fits_a_phone(felt: Any, chromium: Any, tmp_path: Path) -> None:
    path = tmp_path / "index.html"
    path.write_text(render(season_page(felt.result, felt.joined.context("season"))))
    page = chromium.new_page(viewport={"width": 360, "height": 800}, bypass_csp=True)
    page.goto(path.as_uri())
    part = page.locator("section[aria-labelledby=felt]")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    for box in part.locator("td, th[scope=row], li, p").all():
        where = box.bounding_box()
        assert where is None or where["x"] + where["width"] <= 360
    assert part.locator("#felt-beside-table tbody tr").count() == 2
    page.add_script_tag(path=axe())
    found = page.evaluate("axe.run('section[aria-labelledby=felt]')")["violations"]
    page.close()
    assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == []


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("m0,Ada Ash,1,", "m0,Ada Ash,1,3,\nm0,Ada Ash,1,", "found '3'; expected a whole number"),
        ("m0,Ada Ash,1,", "m0,Ada Ash,1,1.5,\nm0,Ada Ash,1,", "from -2 (loose) to 2 (planted)"),
        ("m1,Ben Birk", "m1,Ben Brik", "Did you mean 'Ben Birk'?"),
        ("m1,Ben Birk,3", "m1,Ben Birk,33", "33"),
        ("m1,", "m11,", "a meeting of meetings.csv"),
    ],
)
def test_faults_of_feel_csv_are_named(tmp_path: Path, old: str, new: str, said: str) -> None:
    folder = team_folder(tmp_path / "team")
    scores = (folder / "feel.csv").read_text()
    assert old in scores
    (folder / "feel.csv").write_text(scores.replace(old, new, 1))
    with pytest.raises(UserError) as caught:
        imported(folder).season()
    (problem, *_) = caught.value.problems
    assert problem.where == "feel.csv" and problem.line
    assert said in str(problem)


def test_a_column_that_is_no_feel_is_said(tmp_path: Path) -> None:
    folder = team_folder(tmp_path / "team", FEELS.replace('"nose"', '"front"'))
    notes = imported(folder).check()["notes"]
    assert any("feel.csv: column 'nose' is no feel and is not used" in note for note in notes)


def test_names_are_one_space(tmp_path: Path) -> None:
    folder = team_folder(tmp_path / "team", FEELS.replace('"nose"', '"wing"'))
    with pytest.raises(UserError, match="'wing' a second time"):
        pipeline.open_team(folder)


def drawn(number: int = 0) -> Any:
    """A season with the clock's pace and a feel."""
    return season(draw(number, 1))


def with_scores(data: Any, change: Any) -> Any:
    return replace(data, runs=data.runs.assign(**{FEEL: change(data.runs)}))


def test_who_always_says_the_same_is_left_out_and_named() -> None:
    data = drawn()
    name = data.runs.loc[data.runs["team"], "driver"].iloc[0]
    same = with_scores(data, lambda runs: runs[FEEL].mask(runs["driver"] == name, 1.0))
    none = with_scores(data, lambda runs: runs[FEEL].mask(runs["driver"] == name))
    found = [estimate(one, outcomes=[FEEL], conditions=[]) for one in (same, none)]
    pd.testing.assert_frame_equal(found[0].effects_table(), found[1].effects_table())
    assert any(name in note and "gave 1 in all" in note for note in found[0].notes())


@pytest.mark.parametrize("kept", [0, 1, 3])
def test_too_few_scores_leave_rows_without_numbers(kept: int) -> None:
    def few(runs: pd.DataFrame) -> pd.Series:
        first = runs[runs["team"] & runs[FEEL].notna()].index[:kept]
        return runs[FEEL].where(runs.index.isin(first))

    found = estimate(with_scores(drawn(), few), outcomes=["pace", FEEL], conditions=[])
    table = found.effects_table()
    rows = table[table["outcome"] == FEEL]
    assert len(rows) == len(table[table["outcome"] == "pace"])
    assert rows[["estimate", "ci_low", "q_value", "p_shuffled"]].isna().all().all()
    assert not set(rows["verdict"]) & {"better", "worse"}


def test_scores_that_follow_the_setting_to_the_point_are_not_known_without_error() -> None:
    data = with_scores(
        drawn(), lambda runs: (runs["part"] == "b").where(runs["team"]).astype(float)
    )
    table = estimate(data, outcomes=[FEEL], conditions=[]).effects_table()
    row = table[(table["factor"] == "part") & (table["level"] == "b")].iloc[0]
    assert row["estimate"] == pytest.approx(1.0, abs=1e-6)
    assert row["ci_high"] - row["ci_low"] > 0.1


def test_along_grip_better_is_higher() -> None:
    """A level that feels better the more grip there is gains with grip: above zero."""
    sure = Estimate(0.8, 0.1, 30.0)
    assert verdict(OUTCOME, sure, 0.001, 0.5, along="grip") == "better with grip"
    assert verdict("pace", sure, 0.001, 0.03, along="grip") == "worse with grip"
    assert verdict(OUTCOME, sure, 0.001, 0.5) == "better"


def test_every_table_takes_feels() -> None:
    """Fits, components, drivers; and a placebo asks them too."""
    from pipeline.models.placebo import placebo

    result = analyse(drawn(), conditions=[])
    for frame in (result.fits, result.components, result.by_driver):
        assert FEEL in set(frame["outcome"])
    tallies = {tally.outcome: tally for tally in placebo(drawn(), 3)}
    assert list(tallies) == [*CLOCK, FEEL, "any outcome"]
    assert tallies[FEEL].intervals > 0


def test_agreement_is_somers_d() -> None:
    """As scipy has it, within one meeting; over several the pairs are added."""
    rng = np.random.default_rng(5)
    score = rng.integers(-2, 3, 30).astype(float)
    speed = score + rng.normal(0, 2, 30)
    ahead, differ = concordance(score, speed, np.zeros(30, np.intp))
    told = somers_interval(ahead, differ)
    assert told is not None
    assert told[0] == pytest.approx(somersd(score, speed).statistic, abs=1e-12)
    group = np.repeat([0, 1], 15)
    ahead, differ = concordance(score, speed, group)
    parts = [
        concordance(score[group == g], speed[group == g], np.zeros(15, np.intp)) for g in (0, 1)
    ]
    assert ahead.sum() == sum(part[0].sum() for part in parts)
    assert differ.sum() == sum(part[1].sum() for part in parts)


@pytest.mark.parametrize("turned", [1, -1])
def test_agreement_without_exception_is_no_certainty(turned: int) -> None:
    score = np.repeat([-1.0, 0.0, 1.0], 3)
    told = somers_interval(*concordance(score, turned * np.arange(9.0), np.zeros(9, np.intp)))
    assert told is not None
    d, low, high = told
    assert d == turned and high - low > 0.3
    few = concordance(score[:5], np.arange(5.0), np.zeros(5, np.intp))
    assert somers_interval(*few) is None


def test_coverage_in_a_few_worlds() -> None:
    """The small version of `python -m tests.feel.study`; bounds of four binomial errors."""
    rows = [row for number in range(40) for row in record(number, 5)]
    frame = pd.DataFrame(
        rows,
        columns=["world", "what", "drivers", "meetings", "runs", "truth", "estimate", "low", "high",
                 "called"],
    )  # fmt: skip
    effects = frame[frame["what"].isin(["next", "these"])]
    for part in (effects, frame[frame["what"] == "share"]):
        count, share, _, _ = coverage(part)
        assert count > 40
        assert share > 0.95 - 4 * np.sqrt(0.95 * 0.05 / count)
