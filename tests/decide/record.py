"""One world: drawn, analysed, and held against its truth."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

import pipeline
from tests.decide.rules import picks, place_of
from tests.decide.season import Season, names
from tests.decide.world import RACE_SECONDS, USUAL_MIX, WORDS, Factor, World

Record = dict[str, Any]
OUTCOMES = ("pace", "mistakes", "race")


def record(world: World, data: Season, found: Any) -> Record:
    """What was said of a world, and what is true."""
    return {
        "meeting_sd": world.meeting_sd, "team": world.team,
        "driver_sd": world.driver_sd, "usual": sorted(world.words) == sorted(USUAL_MIX),
        "choices": situations(world, found.choices),
        "regrets": regrets(world, data, found),
        "gradients": gradients(world, found), "bests": bests(world, found),
        "tests": tests(world, found),
    }  # fmt: skip


def analysed(data: Season, **more: Any) -> Any:
    return pipeline.analyse(
        data.runs, data.laps, data.factors, outcomes=OUTCOMES, conditions=["grip"],
        race_seconds=RACE_SECONDS, **more,
    )  # fmt: skip


def text(column: pd.Series) -> pd.Series:
    return column.astype(object).where(column.notna(), "").astype(str)


def situations(world: World, choices: pd.DataFrame) -> list[Record]:
    """A row a factor, grip word and driver (or the team): what is said of its levels, and truth."""
    drivers = {name: place for place, name in enumerate(names(pd.Series(range(world.team))))}
    rows = choices[text(choices["grip"]).ne("") & text(choices["surface"]).eq("")]
    grouped = rows.groupby(["factor", text(rows["grip"]), text(rows["driver"])], sort=False)
    return [
        situation(world, group, str(word), drivers[driver] if driver else None)
        for (_, word, driver), group in grouped
    ]


def situation(world: World, group: pd.DataFrame, word: str, driver: int | None) -> Record:
    factor = world.factor(str(group["factor"].iloc[0]))
    places = [place_of(factor, level) for level in group["level"]]
    gains = world.next_gains(factor.name, word, driver)[:, places]
    best = gains.max(axis=1, keepdims=True)
    are_best = gains > best - 1e-9
    return {
        "role": factor.role, "grip": word, "driver": -1 if driver is None else driver,
        "places": places, "reference": factor.reference,
        "chance": numbers(group["chance_best"]), "loss": numbers(group["loss_s"]),
        "gain": numbers(group["gain_s"]), "low": numbers(group["gain_low"]),
        "high": numbers(group["gain_high"]),
        "advice": "".join(text(group["advice"])), "present": present(factor, group),
        "true_chance": (are_best / are_best.sum(axis=1, keepdims=True)).mean(axis=0).tolist(),
        "true_loss": (best - gains).mean(axis=0).tolist(), "true_gain": gains.mean(axis=0).tolist(),
        "covered": covered(group, gains),
    }  # fmt: skip


def present(factor: Factor, group: pd.DataFrame) -> int:
    """Place of what is on the car; of the reference where the row is the team's."""
    level = text(group["present"]).iloc[0]
    return place_of(factor, level) if level else factor.reference


def numbers(column: pd.Series) -> list[float | None]:
    return [float(v) if np.isfinite(v) else None for v in column.astype(float)]


def covered(group: pd.DataFrame, gains: np.ndarray) -> list[float]:
    """Share of the next meetings whose gain lies within each level's interval."""
    low, high = group["gain_low"].to_numpy(float), group["gain_high"].to_numpy(float)
    inside = (gains >= low - 1e-9) & (gains <= high + 1e-9)
    return np.where(np.isfinite(low), inside.mean(axis=0), np.nan).tolist()


def regrets(world: World, data: Season, found: Any) -> list[Record]:
    """A row a grip and factor: what each rule loses over a race at the next meeting, s.

    Values that were run fewer than twice are in nobody's choice but that of the simple rules.
    """
    rows = []
    for word in [word for word in WORDS if word in world.words]:
        chosen = picks(world, data, found.effects, word)
        chosen |= own_picks(world, found.choices, word)
        for row, factor in enumerate(world.factors):
            gains = world.next_gains(factor.name, word, None)
            lost = (gains.max(axis=1, keepdims=True) - gains).mean(axis=0)
            usual = gains.mean(axis=0).argmax()
            rules = {name: float(lost[places[row]]) for name, places in chosen.items()}
            rules["knows the effects"] = float(lost[usual])
            rows.append({"grip": word, "role": factor.role, **rules})
    return rows


def own_picks(world: World, choices: pd.DataFrame, word: str) -> dict[str, list[int]]:
    """Least expected loss, and what the advice comes to for a car on the reference."""
    rows = choices[text(choices["grip"]).eq(word) & text(choices["surface"]).eq("")]
    team = rows[text(rows["driver"]).eq("")]
    least, advice = [], []
    for factor in world.factors:
        mine = team[team["factor"].eq(factor.name)]
        loss = mine["loss_s"].astype(float)
        known = loss.notna().any()
        least.append(
            place_of(factor, mine.loc[loss.idxmin(), "level"]) if known else factor.reference
        )
        moved = mine[mine["advice"].isin(["fit", "try"])]
        advice.append(place_of(factor, moved["level"].iloc[0]) if len(moved) else factor.reference)
    return {"least loss": least, "advice": advice}


def gradients(world: World, found: Any) -> list[Record]:
    """A row an option: its gradient on pace, and its switch-over where there is one."""
    effects, crossings = found.effects, found.switchovers
    rows = []
    for factor in [factor for factor in world.factors if not factor.is_number]:
        one = effects[
            effects["condition"].eq("grip per step") & effects["factor"].eq(factor.name)
            & effects["outcome"].eq("pace")
        ]  # fmt: skip
        at = crossings[crossings["factor"].eq(factor.name) & crossings["outcome"].eq("pace")]
        true = float(np.diff(factor.pace[[0, 2]], axis=0)[0, 1] / 2)
        row: Record = {"role": factor.role, "true": true, "shown": False, "rows": len(one)}
        if len(one):
            first = one.iloc[0]
            row |= {key: float(first[key]) for key in ("estimate", "std_error", "df", "p_value")}
            row |= {"low": float(first["ci_low"]), "high": float(first["ci_high"])}
            row |= {"verdict": str(first["verdict"])}
        if len(at):
            ends = at.iloc[0][["at", "low", "high"]].astype(float)
            row["switch"] = [float(v) if np.isfinite(v) else None for v in ends]
            row["words"] = str(at.iloc[0]["words"])
        row["true_switch"] = world.switch_over(factor.name) if factor.role == "crossing" else None
        rows.append(row)
    return rows


def bests(world: World, found: Any) -> list[Record]:
    """A row a number, outcome and grip ('' for all) of the table of best values."""
    table = found.best_values
    rows = []
    for one in table[table["outcome"].isin(["pace", "race"])].itertuples():
        factor = world.factor(str(one.factor))
        true = world.best_value(factor.name) if factor.role == "curved" else None
        ends = [float(v) if np.isfinite(v) else None for v in (one.best, one.low, one.high)]
        grip = "" if pd.isna(one.grip) else str(one.grip)
        rows.append({
            "role": factor.role, "outcome": one.outcome, "grip": grip, "said": ends,
            "words": str(one.words), "true": true, "range": [factor.values[0], factor.values[-1]],
        })  # fmt: skip
    return rows


def tests(world: World, found: Any) -> list[Record]:
    """A row a test that is proposed, with the choice that it is to change."""
    rows = []
    for one in found.tests.to_dict("records"):
        row = {key: one[key] for key in ("factor", "grip", "drivers", "runs")}
        row |= {key: float(one[key]) for key in ("worth_s", "chance_to_change")}
        row |= {"role": world.factor(one["factor"]).role, "levels": str(one["levels"])}
        rows.append({key: None if pd.isna(value) else value for key, value in row.items()})
    return rows
