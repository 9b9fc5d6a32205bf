"""Who refused, and what that one did: nothing in a driver's file tells it by exclusion.

The attacker is in the team, knows who ran what, and has the whole file: tables, the figures' data,
texts of figures, attributes, scripts. Teams are drawn at random.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest

from pipeline.models.identify import tell_apart
from pipeline.models.season import analyse
from pipeline.report.privacy import MATE, Others, context_for_driver, for_driver, others_of
from pipeline.tables.records import SeasonResult
from tests.models import small_season
from tests.report import made_up
from tests.report.pages import shared

NAMES = ["Aud Brask", "Bel Ciro", "Cas Drum", "Dag Ebbe", "Eli Foss", "Fay Gorm", "Gil Hark"]
NAMES += ["Hal Irup"]
CONTRASTS = [("rear_bar", "1.2", "1.3"), ("screws", "out", "in"), ("ride_height", "+1", "5.2")]
OUTCOMES = ("pace", "spread")
MARK = 100_000  # counts from here on stand nowhere else in a page
SETS = 24  # answers of a team that are looked at, drawn from all
FELT = "rear_grip"
DAY, CLOCK = r"\d{4}-\d{2}-\d{2}", r"\d{1,2}:\d{2}"


@dataclass(frozen=True)
class Drawn:
    """A team, its season, and every number that is of one driver or a sum over some."""

    team: tuple[str, ...]
    result: SeasonResult
    counts: dict[tuple[str, str], dict[str, int]]

    @property
    def driver(self) -> str:
        return self.team[0]

    def page(self, yes: Iterable[str]) -> str:
        return shared(self.result, self.driver, list(yes))


def draw(size: int, seed: int) -> Drawn:
    """A team of `size`; who ran which change is drawn too, so that some did not."""
    rng = np.random.default_rng([size, seed])
    team = tuple(rng.permutation(NAMES)[:size].tolist())
    ran = {c: [d for d in team if rng.random() < 0.8 or d == team[0]] for c in CONTRASTS}
    counts = {
        (outcome, contrast[0]): {d: int(rng.integers(MARK, 10 * MARK)) for d in ran[contrast]}
        for outcome in OUTCOMES
        for contrast in CONTRASTS
    }
    rows = [
        (outcome, *contrast, d, *_numbers(rng), counts[outcome, contrast[0]][d])
        for outcome in OUTCOMES
        for contrast in CONTRASTS
        for d in rng.permutation(ran[contrast])
    ]
    full = made_up.season(seed)
    by_driver = pd.DataFrame(rows, columns=full.by_driver.columns)
    return Drawn(team, _season(full, team, by_driver, counts), counts)


def _numbers(rng: np.random.Generator) -> tuple[float, ...]:
    estimate, error = float(rng.normal(0, 0.05)), float(rng.uniform(0.01, 0.04))
    return estimate, error, 12.0, estimate - 2.1 * error, estimate + 2.1 * error


def _season(
    full: SeasonResult,
    team: tuple[str, ...],
    by_driver: pd.DataFrame,
    counts: dict[tuple[str, str], dict[str, int]],
) -> SeasonResult:
    """The made-up season with this team; the team's counts are the sums of its drivers'."""
    pattern = full.runs[full.runs["driver"] == made_up.TEAM[0]]
    own = [pattern.assign(driver=d) for d in team]
    effects, cannot = full.effects.copy(), full.cannot_tell.copy()
    for (outcome, factor), each in counts.items():
        at = (effects["outcome"] == outcome) & (effects["factor"] == factor)
        effects.loc[at, ["n_runs", "n_switches"]] = sum(each.values())
    # A change that was tried a little: it has a row, a count, and no number.
    few = {**effects.iloc[0].to_dict(), "factor": "springs", "level": "hard", "reference": "soft"}
    few |= {"estimate": np.nan, "ci_low": np.nan, "ci_high": np.nan, "verdict": "not enough runs"}
    cannot["n_switches"] = MARK + 7
    cannot["sentence"] = (
        "changed once, on 2025-03-28 about 13:45, by one driver: grip and this change cannot be "
        "told apart"
    )
    return replace(
        full,
        runs=pd.concat([*own, full.runs[~full.runs["team"]]], ignore_index=True),
        effects=pd.concat([effects, pd.DataFrame([few])], ignore_index=True),
        cannot_tell=cannot[cannot["factor"] != "springs"],
        by_driver=by_driver,
    )


def answers(team: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """Every set of those who said yes."""
    return itertools.chain.from_iterable(
        itertools.combinations(team, count) for count in range(len(team) + 1)
    )


def others(drawn: Drawn, yes: Iterable[str]) -> Others:
    return others_of(drawn.driver, drawn.result.runs, yes, {}, [])


def tables(drawn: Drawn, yes: Iterable[str]) -> dict[str, pd.DataFrame]:
    """All that the page of the first driver is made from, as text where it is no table."""
    hidden = others(drawn, yes)
    own = for_driver(drawn.result, drawn.driver, hidden)
    words = context_for_driver(made_up.context(), hidden)
    rest = pd.DataFrame({"words": [str(words)], "notes": [str(own.notes)]})
    return {"rest": rest, **{n: t for n, t in vars(own).items() if isinstance(t, pd.DataFrame)}}


TEAMS = [(size, seed) for size in range(1, 9) for seed in range(2)]


@pytest.mark.parametrize(("size", "seed"), TEAMS)
def test_the_file_is_the_same_whoever_refused(size: int, seed: int) -> None:
    """To the byte: so no row, count, order or gap can say who it was, nor how many."""
    drawn = draw(size, seed)
    partly = [yes for yes in answers(drawn.team) if len(yes) < len(drawn.team) or size < 3]
    nobody = tables(drawn, ())
    some = np.random.default_rng(seed).permutation(len(partly))[:SETS]
    for yes in (partly[i] for i in some):
        for name, table in tables(drawn, yes).items():
            pd.testing.assert_frame_equal(table, nobody[name], obj=f"{name} where {yes} agreed")
    assert drawn.page(partly[some[0]]) == drawn.page(())


@pytest.mark.parametrize(("size", "seed"), TEAMS)
def test_what_others_did_leaves_no_trace(size: int, seed: int) -> None:
    """Their rows may go, or say anything else, in any order: not a byte moves."""
    drawn = draw(size, seed)
    nobody, result = drawn.page(()), drawn.result
    mine = result.by_driver["driver"] == drawn.driver
    shifted = result.by_driver["estimate"].where(mine, result.by_driver["estimate"] + 1)
    other = result.by_driver.assign(estimate=shifted).iloc[::-1]
    back = other.sort_values("driver", key=lambda d: d != drawn.driver, kind="stable").iloc[::-1]
    moved = pd.concat([back[back["driver"] != drawn.driver], result.by_driver[mine]])
    assert replace(drawn, result=replace(result, by_driver=moved)).page(()) == nobody


@pytest.mark.parametrize(("size", "seed"), TEAMS)
def test_no_count_to_take_the_known_ones_from(size: int, seed: int) -> None:
    """Neither a team-mate's number nor a sum that has it in, of any of the drivers."""
    drawn = draw(size, seed)
    page = drawn.page(drawn.team[:-1]).replace("\N{NO-BREAK SPACE}", "").replace(" ", "")
    for each in drawn.counts.values():
        others = {d: n for d, n in each.items() if d != drawn.driver}
        for some in answers(tuple(each)):
            if set(some) & set(others):
                assert str(sum(each[d] for d in some)) not in page
    assert str(MARK + 7) not in page
    assert MATE not in page and not any(name in page for name in drawn.team[1:])


@pytest.mark.parametrize("size", range(3, 9))
def test_where_all_agreed_they_stand_by_name(size: int) -> None:
    drawn = draw(size, 5)
    page = drawn.page(drawn.team)
    listed = {d for each in drawn.counts.values() for d in each}
    assert all(name in page for name in listed)
    totals = [sum(each.values()) for each in drawn.counts.values() if len(each) > 1]
    shown = page.replace("\N{NO-BREAK SPACE}", "").replace(" ", "")
    assert not any(str(total) in shown for total in totals)


def test_one_left_out_of_a_list_could_be_reckoned() -> None:
    """Why it is all or nobody: drivers' effects average to the team's, to the last digit."""
    data = small_season.season(seed=5, meetings=4)
    runs, laps = data.runs.iloc[data.laps["run"]], data.laps
    four = dict(zip(runs["driver"].unique()[:4], (0.25, -0.2, 0.1, -0.15), strict=True))
    pull = runs["driver"].map(four)
    moved = np.where(runs["spring"].eq("hard"), pull.fillna(0), 0)
    result = analyse(small_season.with_laps(data, laps["lap_s"] + moved))
    own = result.by_driver.query("outcome == 'pace' and factor == 'spring'")["estimate"]
    team = result.effects.query("outcome == 'pace' and factor == 'spring' and condition == 'all'")
    assert own.max() - own.min() > 0.2
    assert own.mean() == pytest.approx(team["estimate"].item(), abs=1e-9)


def by_two(yes: list[str]) -> list[str]:
    """Whose row stands in the first driver's file, of a change that two of three ran."""
    drawn = draw(3, 1)
    two = drawn.team[:2]
    rows = [("pace", *CONTRASTS[0], d, -0.05, 0.02, 12.0, -0.09, -0.01, 6) for d in two]
    by_driver = pd.DataFrame(rows, columns=drawn.result.by_driver.columns)
    result = replace(drawn.result, by_driver=by_driver)
    return for_driver(result, two[0], others(drawn, yes)).by_driver["driver"].tolist()


def test_of_two_the_other_is_not_told_by_ones_own() -> None:
    team = draw(3, 1).team
    assert by_two([]) == by_two([team[0], team[1]]) == []
    assert by_two(list(team)) == list(team[:2])


@pytest.mark.parametrize(
    "sentence",
    [
        "changed once, on 2025-03-28 about 13:45, by one driver: grip and this change cannot be "
        "told apart",
        "changed only one way in one break, on 2025-03-28 about 09:05, by 3 drivers: grip and this "
        "change cannot be told apart",
        "changed only with the clock (on 2025-03-28 about 17:00, by 2 drivers): grip and this "
        "change cannot be told apart",
    ],
)
def test_when_and_by_how_many_stay_in_the_team(sentence: str) -> None:
    drawn = draw(4, 0)
    cannot = drawn.result.cannot_tell.assign(sentence=sentence)
    own = for_driver(replace(drawn.result, cannot_tell=cannot), drawn.driver, others(drawn, []))
    (said,) = set(own.cannot_tell["sentence"])
    assert said.startswith("changed ")
    assert said.endswith(": grip and this change cannot be told apart")
    assert not any(sign.isdigit() for sign in said) and "driver" not in said


def test_the_models_own_sentences_lose_them_too() -> None:
    """A part that one driver changed once, as the models word it today."""
    data = small_season.season()
    team, first = data.runs["team"], data.runs["driver"] == data.runs["driver"].iloc[0]
    late = first & (data.runs["meeting"] == "meeting 0") & (data.runs["run_no"] > 4)
    spring = data.runs["spring"].where(~team, np.where(late, "hard", "soft"))
    told = tell_apart(replace(data, runs=data.runs.assign(spring=spring)))
    assert told["sentence"].str.contains(DAY).any()
    drawn = draw(4, 0)
    own = for_driver(replace(drawn.result, cannot_tell=told), drawn.driver, others(drawn, []))
    assert not own.cannot_tell["sentence"].str.contains(f"{DAY}|{CLOCK}|driver").any()


def test_how_a_car_felt_is_ones_own() -> None:
    """Also where all agreed, and never the team's: a feel is no number of the clock."""
    drawn = draw(4, 2)
    felt = drawn.result.by_driver.assign(outcome=FELT)
    team = drawn.result.effects.assign(outcome=FELT)
    result = replace(
        drawn.result,
        by_driver=pd.concat([drawn.result.by_driver, felt]),
        effects=pd.concat([drawn.result.effects, team]),
        needs=drawn.result.needs.assign(outcome=FELT),
    )
    own = for_driver(result, drawn.driver, others(drawn, list(drawn.team)))
    assert set(own.by_driver.loc[own.by_driver["outcome"] == FELT, "driver"]) == {drawn.driver}
    assert FELT not in {*own.effects["outcome"], *own.needs["outcome"]}


def test_a_table_that_nobody_looked_at_comes_empty() -> None:
    drawn = draw(4, 0)
    own = for_driver(drawn.result, drawn.driver, others(drawn, []))
    frames = {name: t for name, t in vars(own).items() if isinstance(t, pd.DataFrame)}
    kept = {name for name, table in frames.items() if len(table)}
    assert kept == {"effects", "runs", "by_driver", "cannot_tell", "needs"}
    assert own.notes == ()
