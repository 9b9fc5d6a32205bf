"""What a proposed test brings: its day is driven, and the choice made anew with it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

import pipeline
from tests.decide.record import Record, analysed, own_picks, text
from tests.decide.rules import place_of
from tests.decide.season import FIRST_HOUR, LAST_HOUR, Season, handed, timed
from tests.decide.world import Array, World


def brought(world: World, data: Season, before: Any, seed: int) -> Record:
    """One of the tests that are proposed after a season, drawn at random, and its gain.

    What the race loses by the choice at that grip, before and after: s at the next meeting,
    which is not the test's.
    """
    if not len(before.tests):
        return {"tests": 0}
    rng = np.random.default_rng([seed, world.number, 2])
    test = before.tests.iloc[int(rng.integers(len(before.tests)))]
    grip = _grip(test, world, rng)
    row = [factor.name for factor in world.factors].index(str(test["factor"]))
    lost = losses(world, row, grip)
    after = analysed(with_test(world, data, test, grip, seed))
    first, then = (
        own_picks(world, found.choices, grip)["least loss"][row] for found in (before, after)
    )
    said = said_of(before.choices, str(test["factor"]), grip)
    return {
        "tests": len(before.tests), "rank": int(test["rank"]), "role": world.factors[row].role,
        "worth": float(test["worth_s"]), "to_change": float(test["chance_to_change"]),
        "brought": float(lost[first] - lost[then]), "changed": first != then,
        "loss_before": float(lost[first]), "loss_after": float(lost[then]), **said,
    }  # fmt: skip


def _grip(test: pd.Series, world: World, rng: np.random.Generator) -> str:
    """The word that the test names; where it names none, one of the season's."""
    return (
        str(rng.choice(world.words))
        if pd.isna(test["grip"]) or not test["grip"]
        else str(test["grip"])
    )


def losses(world: World, row: int, grip: str) -> Array:
    """(values,) what each value loses over the next race against the best there, on average."""
    gains = world.next_gains(world.factors[row].name, grip, None)
    return np.asarray((gains.max(axis=1, keepdims=True) - gains).mean(axis=0))


def said_of(choices: pd.DataFrame, factor: str, grip: str) -> dict[str, float]:
    """The expected loss and the chance of the choice that the test is to change."""
    mine = choices["factor"].eq(factor) & text(choices["grip"]).eq(grip)
    team = choices[mine & text(choices["surface"]).eq("") & text(choices["driver"]).eq("")]
    best = team.loc[team["loss_s"].astype(float).idxmin()]
    return {"loss_said": float(best["loss_s"]), "chance_said": float(best["chance_best"])}


def with_test(world: World, data: Season, test: pd.Series, grip: str, seed: int) -> Season:
    """The season and the day that the test names, the team alone on the track."""
    rng = np.random.default_rng([seed, world.number, 3])
    larger = _with_meeting(world, grip, rng)
    day = _day(larger, data, test, rng)
    laps = timed(larger, day, rng)
    laps["run"] += len(data.table)
    runs = pd.concat([data.runs, handed(larger, day)], ignore_index=True)
    runs.loc[len(data.table) :, "session_kind"] = "test"
    table = pd.concat([data.table, day], ignore_index=True)
    return Season(runs, pd.concat([data.laps, laps], ignore_index=True), data.factors, table)


def _with_meeting(world: World, grip: str, rng: np.random.Generator) -> World:
    """The world with one more meeting, drawn as the others were."""
    deviations = world.meeting_sd * rng.standard_normal((len(world.factors), 1))
    return replace(
        world, words=(*world.words, grip), bases=np.append(world.bases, rng.choice(world.bases)),
        gains=np.append(world.gains, rng.uniform(0.1, 1.0)),
        bends=np.append(world.bends, rng.uniform(0, 4)),
        by_meeting=np.hstack([world.by_meeting, deviations]),
    )  # fmt: skip


def _day(world: World, data: Season, test: pd.Series, rng: np.random.Generator) -> pd.DataFrame:
    """A row a run of the planned order; all else stays as it was last on each car."""
    order = _planned(world, test, int(rng.integers(1, 1000)))
    drivers = rng.permutation(world.team)[: int(test["drivers"])]
    who = order["driver"].map(dict(zip(order["driver"].unique(), drivers, strict=True)))
    turn = order["run"].astype(int) - 1
    part = turn / order["run"].astype(int).max()
    day = pd.DataFrame({"driver_no": who.astype(int), "turn": turn, "heat": 0})
    day["hour"] = FIRST_HOUR + (LAST_HOUR - FIRST_HOUR) * part
    last = data.table[data.table["driver_no"] < world.team].groupby("driver_no").last()
    for factor in world.factors:
        day[factor.name] = last[factor.name].reindex(day["driver_no"]).to_numpy()
    tested = world.factor(str(test["factor"]))
    day[tested.name] = [place_of(tested, level) for level in order[tested.name]]
    place = len(world.words) - 1
    return day.assign(place=place, word=world.words[place])


def _planned(world: World, test: pd.Series, seed: int) -> pd.DataFrame:
    """The runs of the day that the package itself plans for the test."""
    factor = world.factor(str(test["factor"]))
    levels: list[Any] = levels_of(str(test["levels"]))
    if factor.is_number:
        levels = [float(level) for level in levels]
    day = pipeline.plan_day(
        [factor.name], int(test["drivers"]), int(test["runs"]), levels={factor.name: levels},
        seed=seed,
    )  # fmt: skip
    return pd.DataFrame(day.runs)


def levels_of(text: str) -> list[str]:
    return [level.strip() for level in text.split(",")]
