"""Worlds in which drivers say how it felt: drawn from wide ranges, with the truth of each.

A driver has a latent feel of each run, on a scale of the driver's own, and says the nearest whole
number from -2 to 2. Nothing here knows the package or its models: what is true is counted from the
chances of the answers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

Array = NDArray[np.float64]
LEVELS = ("a", "b", "c")
FEEL = "grip_felt"
ANSWERS = np.arange(-2, 3)
LAPS, LAP_SD = 8, 0.12


@dataclass(frozen=True)
class People:
    """The team's drivers, (D,) each: where they put the middle, how far they go, how much a run
    differs from the next, who always answers the same, and how much of what they feel is time."""

    middle: Array
    scale: Array
    noise: Array
    always: NDArray[np.bool_]
    timed: Array


@dataclass(frozen=True)
class World:
    """One team's season.

    runs: meeting, day, hour, driver (code, -1 and below for rivals), run_no, part, other (codes of
    levels), score (NaN: none). felt: (R,) latent feel without noise. effect: (D, M, 3) what the
    part does to the latent feel by driver and meeting; usual: (D, 3) the same at no meeting in
    particular; meeting_sd: how meetings scatter about it. settled: (R,) s, pace without grip and
    luck; pace_sd: of that luck. laps: run, lap, lap_s.
    """

    runs: pd.DataFrame
    laps: pd.DataFrame
    people: People
    felt: Array
    effect: Array
    usual: Array
    meeting_sd: float
    settled: Array
    pace_sd: float


def draw(number: int, seed: int) -> World:
    """World `number` of a seed."""
    rng = np.random.default_rng([seed, number])
    drivers, meetings = int(rng.integers(1, 7)), int(rng.integers(1, 7))
    people = _people(rng, drivers)
    runs = _schedule(rng, drivers, meetings, int(rng.integers(0, 9)))
    meeting_sd = float(rng.choice([0.0, 0.15, 0.3]))
    usual = _usual(rng, drivers)
    effect = usual[:, None] + meeting_sd * rng.normal(0, 1, (1, meetings, 3)) * (np.arange(3) > 0)
    team = runs["driver"].to_numpy() >= 0
    felt, score, luck = _scores(rng, runs, people, effect)
    runs["score"] = np.where(team, score, np.nan)
    pace_sd = float(rng.uniform(0.04, 0.15))
    settled = _settled(rng, runs)
    share = np.where(team, people.timed[np.maximum(runs["driver"], 0)], 0.0)
    own = rng.normal(0, 1, len(runs))
    laps = _laps(rng, runs, settled + pace_sd * (np.sqrt(1 - share**2) * own - share * luck))
    return World(runs, laps, people, felt, effect, usual, meeting_sd, settled, pace_sd)


def _people(rng: np.random.Generator, drivers: int) -> People:
    return People(
        middle=rng.normal(0, 0.5, drivers),
        scale=np.exp(rng.normal(0, rng.uniform(0, 0.4), drivers)),
        noise=rng.uniform(0.5, 1.1) * np.exp(rng.normal(0, 0.2, drivers)),
        always=rng.random(drivers) < 0.1,
        timed=rng.uniform(0, 0.9, drivers),
    )


def _schedule(rng: np.random.Generator, drivers: int, meetings: int, rivals: int) -> pd.DataFrame:
    """Every car in every round; each driver changes the part by lot, in turn or in blocks."""
    rows = []
    levels = int(rng.integers(2, 4))
    for meeting in range(meetings):
        rounds = int(rng.integers(6, 13))
        gap = rng.uniform(0.5, 1.0)
        for driver in [*range(drivers), *range(-rivals, 0)]:
            part, other = (_order(rng, rounds, k) for k in (levels, 2))
            if rng.random() < 0.4:
                other[:] = rng.integers(0, 2)
            for turn in range(rounds):
                hour = 9 + turn * gap + 0.1 * rng.random()
                rows.append((meeting, hour, driver, turn + 1, part[turn], other[turn]))
    return pd.DataFrame(rows, columns=["meeting", "hour", "driver", "run_no", "part", "other"])


def _order(rng: np.random.Generator, rounds: int, levels: int) -> NDArray[np.int64]:
    way, first = rng.integers(3), rng.integers(levels)
    if way == 0:
        return (first + np.arange(rounds)) % levels
    if way == 1:
        return (first + np.arange(rounds) // 2) % levels
    return rng.integers(0, levels, rounds)


def _usual(rng: np.random.Generator, drivers: int) -> Array:
    whole = rng.choice([0.0, 0.3, 0.7, 1.2]) * rng.normal(0, 1, 3)
    own = rng.choice([0.0, 0.2, 0.4]) * rng.normal(0, 1, (drivers, 3))
    return np.asarray((whole + own) * (np.arange(3) > 0))


def _scores(
    rng: np.random.Generator, runs: pd.DataFrame, people: People, effect: Array
) -> tuple[Array, Array, Array]:
    """Latent feel without noise, what was said (NaN: nothing), and the noise in units of its SD."""
    who = np.maximum(runs["driver"].to_numpy(), 0)
    meeting = runs["meeting"].to_numpy()
    drivers, meetings = effect.shape[:2]
    day = rng.uniform(0, 0.5) * rng.normal(0, 1, (drivers, meetings))
    drift = rng.uniform(-0.1, 0.1, (drivers, meetings))
    hours = runs["hour"].to_numpy() - 13
    second = rng.normal(0, 0.5)
    felt = effect[who, meeting, runs["part"]] + second * runs["other"].to_numpy()
    felt = people.scale[who] * (felt + day[who, meeting] + drift[who, meeting] * hours)
    felt = people.middle[who] + felt
    luck = rng.normal(0, 1, len(runs))
    score = np.clip(np.rint(felt + people.scale[who] * people.noise[who] * luck), -2, 2)
    score[people.always[who]] = rng.integers(-1, 2)
    silent = rng.uniform(0, 0.3)
    score[rng.random(len(runs)) < silent] = np.nan
    return felt, score, luck


def _settled(rng: np.random.Generator, runs: pd.DataFrame) -> Array:
    """Seconds a lap of driver and part, beside grip and luck."""
    driver = runs["driver"].to_numpy()
    level = {d: 16 + 0.3 * rng.normal() for d in np.unique(driver)}
    part = rng.normal(0, 0.05, 3)[runs["part"]] * (driver >= 0)
    return np.asarray([level[d] for d in driver]) + part


def _laps(rng: np.random.Generator, runs: pd.DataFrame, pace: Array) -> pd.DataFrame:
    n = len(runs)
    gain = rng.uniform(0, 0.8, int(runs["meeting"].max()) + 1)[runs["meeting"]]
    grip = -gain * (1 - np.exp(-(runs["hour"].to_numpy() - 9) / 3))
    run = np.repeat(np.arange(n), LAPS)
    lap_s = (pace + grip)[run] + rng.normal(0, LAP_SD, n * LAPS)
    lap_s[::LAPS] += 1.5
    return pd.DataFrame({"run": run, "lap": np.tile(np.arange(1, LAPS + 1), n), "lap_s": lap_s})


def mean_answer(felt: Array, sd: Array) -> Array:
    """What is said on average of these latent feels with this scatter, any one shape."""
    edges = ANSWERS[:-1] + 0.5
    above = norm.sf((edges - np.asarray(felt)[..., None]) / np.asarray(sd)[..., None])
    return np.asarray(ANSWERS[0] + above.sum(axis=-1))


def true_effect(
    world: World, level: int, reference: int, drivers: list[int], meetings: list[int] | None
) -> float:
    """What is said on average with the level less what is said with the reference.

    The mean over the drivers, of each the mean over the meetings, of each the mean over the runs
    as they were but for the part. meetings: None for the next one.
    """
    seen = list(world.runs["meeting"].unique()) if meetings is None else meetings
    return float(
        np.mean([
            [_at(world, d, m, level, reference, meetings is None) for m in seen] for d in drivers
        ])
    )  # fmt: skip


def _at(world: World, driver: int, meeting: int, level: int, reference: int, new: bool) -> float:
    """The same of one driver at one meeting; new: at one that is as unlike as those were."""
    people, runs = world.people, world.runs
    here = ((runs["driver"] == driver) & (runs["meeting"] == meeting)).to_numpy()
    scale, was = people.scale[driver], world.effect[driver, meeting]
    base = world.felt[here] - scale * was[runs.loc[here, "part"]]
    then, unlike = (world.usual[driver], world.meeting_sd) if new else (was, 0.0)
    said = []
    for k in (level, reference):
        sd = scale * np.hypot(people.noise[driver], unlike if k else 0.0)
        said.append(mean_answer(base + scale * then[k], np.full(len(base), sd)).mean())
    return float(said[0] - said[1])


def true_share(world: World, driver: int, draws: int = 400) -> float:
    """Of pairs of this driver's scored runs at a meeting that feel different: how often the better
    felt is the faster, were these runs driven again and again."""
    rng = np.random.default_rng(4)
    runs, people = world.runs, world.people
    here = np.flatnonzero((runs["driver"] == driver) & runs["score"].notna())
    sd, share = people.scale[driver] * people.noise[driver], people.timed[driver]
    luck, own, laps = rng.normal(0, 1, (3, draws, len(here)))
    score = np.clip(np.rint(world.felt[here] + sd * luck), -2, 2)
    pace = world.pace_sd * (np.sqrt(1 - share**2) * own - share * luck)
    pace += world.settled[here] + LAP_SD / np.sqrt(LAPS - 1) * laps
    meeting = runs["meeting"].to_numpy()[here]
    ahead = differ = 0.0
    for m in np.unique(meeting):
        s, p = score[:, meeting == m], pace[:, meeting == m]
        felt = np.sign(s[:, :, None] - s[:, None, :])
        ahead += (felt * np.sign(p[:, None, :] - p[:, :, None])).sum()
        differ += np.abs(felt).sum()
    return float(0.5 + 0.5 * ahead / differ)
