"""The frames of a drawn season, as `pipeline.analyse` takes them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.random import Generator

from tests.decide.world import WORDS, Array, World

FIRST_HOUR, LAST_HOUR = 9.0, 17.0
CARS_A_HEAT = 10


@dataclass(frozen=True)
class Season:
    """runs, laps, factors: what is handed in; table: the runs as they were drawn."""

    runs: pd.DataFrame
    laps: pd.DataFrame
    factors: list[dict[str, Any]]
    table: pd.DataFrame


def season(world: World, seed: int) -> Season:
    """Runs and laps of all meetings of a world."""
    rng = np.random.default_rng([seed, world.number, 1])
    settings = _first_settings(world, rng)
    runs = [_meeting(world, place, settings, rng) for place in range(len(world.words))]
    table = pd.concat(runs, ignore_index=True)
    laps = timed(world, table, rng)
    return Season(handed(world, table), laps, described(world), table)


def described(world: World) -> list[dict[str, Any]]:
    """The factors as team.toml would have them."""
    return [
        {"name": f.name, "kind": "number", "reference": f.values[f.reference]}
        if f.is_number
        else {
            "name": f.name, "kind": "category", "levels": list(f.values),
            "reference": f.values[f.reference],
        }
        for f in world.factors
    ]  # fmt: skip


def _first_settings(world: World, rng: Generator) -> np.ndarray:
    """(team, factors): half the cars begin on the reference, the others anywhere."""
    anywhere = [rng.integers(len(f.values), size=world.team) for f in world.factors]
    at_reference = [np.full(world.team, f.reference) for f in world.factors]
    begin = rng.random((len(world.factors), world.team)) < 0.5
    return np.where(begin, at_reference, anywhere).T


def _meeting(world: World, place: int, settings: np.ndarray, rng: Generator) -> pd.DataFrame:
    """A row a run; `settings` is walked on in place, as cars are between meetings."""
    rounds = []
    for turn in range(world.runs):
        grid = rng.permutation(world.field)
        hours = FIRST_HOUR + (LAST_HOUR - FIRST_HOUR) * turn / world.runs
        heat = np.arange(world.field) // CARS_A_HEAT
        frame = pd.DataFrame({"driver_no": grid, "turn": turn, "heat": heat})
        frame["hour"] = hours + heat * 10 / 60
        for row, factor in enumerate(world.factors):
            mine = grid < world.team
            frame[factor.name] = -1
            frame.loc[mine, factor.name] = settings[grid[mine], row]
        rounds.append(frame)
        _change(world, settings, rng)
    return pd.concat(rounds).assign(place=place, word=world.words[place])


def _change(world: World, settings: np.ndarray, rng: Generator) -> None:
    """Options are swapped; numbers go one value up or down, now and then anywhere."""
    for row, factor in enumerate(world.factors):
        count = len(factor.values)
        changed = rng.random(world.team) < world.toggles
        one = settings[:, row] + rng.choice([-1, 1], world.team)
        one = np.where((one < 0) | (one >= count), 2 * settings[:, row] - one, one)
        jump = rng.integers(count, size=world.team)
        drawn = np.where(rng.random(world.team) < 0.3, jump, one) if count > 2 else one
        settings[:, row] = np.where(changed, drawn, settings[:, row])


def gained(world: World, place: int, hour: Array) -> Array:
    """Seconds a lap that the day's grip has given by then, against the mean of the day."""
    bend = world.bends[place]

    def curve(part: Array) -> Array:
        return part if bend < 1e-3 else (1 - np.exp(-bend * part)) / (1 - np.exp(-bend))

    day = curve(np.linspace(0, 1, 200))
    part = (hour - FIRST_HOUR) / (LAST_HOUR - FIRST_HOUR)
    return np.asarray(world.gains[place] * (curve(part) - day.mean()))


def timed(world: World, table: pd.DataFrame, rng: Generator) -> pd.DataFrame:
    """Laps of the runs of `table`, one row a lap."""
    count, laps = len(table), world.laps
    place, driver = table["place"].to_numpy(), table["driver_no"].to_numpy()
    hour = table["hour"].to_numpy()[:, None] + np.arange(laps) * world.bases[place][:, None] / 3600
    grip = np.empty((count, laps))
    for one in np.unique(place):
        grip[place == one] = gained(world, one, hour[place == one])
    position = np.array([WORDS.index(word) - 1 for word in table["word"]])[:, None]
    position = position + world.steps_per_second * grip
    effect, log_rate = acting(world, table, position)
    form = 0.005 * world.bases.mean() * rng.standard_normal((world.field, place.max() + 1))
    level = world.bases[place] + world.skills[driver] + form[driver, place]
    level = level + rng.normal(0, world.run_sd, count)
    spread = world.lap_sd[driver][:, None] * rng.standard_normal((count, laps))
    fade = rng.uniform(0, 0.008) * np.arange(laps)
    rate = (world.rates[driver] * np.exp(log_rate))[:, None]
    hits = rng.poisson(np.broadcast_to(rate, (count, laps)))
    lost = hits * rng.uniform(*world.losses, (count, laps))
    times = level[:, None] - grip + effect + spread + fade + lost
    times[:, 0] += rng.uniform(0.3, 1.5)
    return pd.DataFrame(
        {
            "run": np.repeat(np.arange(count), laps),
            "lap": np.tile(np.arange(1, laps + 1), count),
            "lap_s": np.round(times.ravel(), 3),
        }
    )


def acting(world: World, table: pd.DataFrame, position: Array) -> tuple[Array, Array]:
    """(runs, laps) s a lap and (runs,) log ratio of rates of what is on each car."""
    effect, log_rate = np.zeros(position.shape), np.zeros(len(table))
    place, driver = table["place"].to_numpy(), table["driver_no"].to_numpy()
    for row, factor in enumerate(world.factors):
        on = table[factor.name].to_numpy()
        mine = np.flatnonzero(on >= 0)
        own = world.by_meeting[row, place[mine]] + world.by_driver[row, driver[mine]]
        values = factor.pace_at(position[mine].ravel()).reshape(len(mine), position.shape[1], -1)
        effect[mine] += np.take_along_axis(values, on[mine][:, None, None], axis=2)[:, :, 0]
        effect[mine] += (own * factor.lever[on[mine]])[:, None]
        log_rate[mine] += factor.log_rate[on[mine]]
    return effect, log_rate


def handed(world: World, table: pd.DataFrame) -> pd.DataFrame:
    """The runs as a team would hand them in."""
    day = pd.Timestamp("2026-03-01") + pd.to_timedelta(14 * table["place"], unit="D")
    start = day + pd.to_timedelta((table["hour"] * 3600).round(), unit="s")
    turn, heat = table["turn"] + 1, table["heat"] + 1
    runs = pd.DataFrame({
        "meeting": "meeting " + (table["place"] + 1).astype(str),
        "date": day.dt.strftime("%Y-%m-%d"),
        "session": "round " + turn.astype(str) + " heat " + heat.astype(str),
        "session_kind": np.where(turn <= 2, "practice", "qualifying"),
        "heat": heat.astype(str),
        "driver": names(table["driver_no"]),
        "team": table["driver_no"] < world.team,
        "run_no": turn, "start": start, "surface": "carpet", "grip": table["word"],
    })  # fmt: skip
    for factor in world.factors:
        on = table[factor.name].to_numpy()
        known = np.array([*factor.values, np.nan if factor.is_number else None])
        runs[factor.name] = known[on]
    return runs


def names(numbers: pd.Series) -> pd.Series:
    return "driver " + (numbers + 1).astype(str).str.zfill(2)
