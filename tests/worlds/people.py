"""Drivers: how quick, how steady, how often they go off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from tests.worlds.grip import field_grip, team_alone
from tests.worlds.parameters import Parameters
from tests.worlds.schedule import HOURS, Floats, Schedule


@dataclass(frozen=True)
class People:
    """Of D drivers, the team's cars first: `pace` s a lap, `lap_sd` s, `incidents` (factor of the
    rate), `fade` s a lap per lap, `come_in` s; `entry` (M, D) s a lap."""

    pace: Floats
    lap_sd: Floats
    incidents: Floats
    fade: Floats
    come_in: Floats
    entry: Floats


def draw_people(p: Parameters, rng: Generator) -> People:
    count = p.cars + p.pool
    apart = np.log(p.lap_sd_ratio) / 2
    ahead = np.where(np.arange(count) < p.cars, p.team_ahead_s, 0.0)
    return People(
        pace=rng.normal(0, p.driver_sd, count) - ahead,
        lap_sd=p.lap_sd * np.exp(rng.uniform(-apart, apart, count)),
        incidents=np.exp(rng.normal(0, p.incident_driver_sd, count)),
        fade=rng.normal(p.fade_s, p.fade_sd, count),
        come_in=p.come_in_s * rng.uniform(0.5, 1.5, count),
        entry=rng.normal(0, p.entry_sd, (p.meetings, count)),
    )


@dataclass(frozen=True)
class Runs:
    """Of N runs without their settings: `base` s a lap, `lap_sd` s, `rate` of incidents a lap;
    `usual_rate` the same on average over the luck of runs."""

    base: Floats
    lap_sd: Floats
    rate: Floats
    usual_rate: Floats


def draw_runs(p: Parameters, s: Schedule, people: People, rng: Generator) -> Runs:
    grip = field_grip(p, s, rng)
    kind = rng.normal(0, p.kind_sd, 4)[s.kind[s.round]]
    base = s.lap_s[s.meeting] + people.pace[s.driver] + people.entry[s.meeting, s.driver]
    base = base + grip + team_alone(p, s, grip) + kind + _heat_shock(p, s, rng) + _luck(p, s, rng)
    usual = _usual_rate(p, s, people)
    count, sd = len(base), p.incident_run_sd
    return Runs(
        base=base,
        lap_sd=people.lap_sd[s.driver] * np.exp(rng.normal(0, p.run_spread_sd, count)),
        rate=usual * np.exp(rng.normal(-(sd**2) / 2, sd, count)),
        usual_rate=usual,
    )


def _luck(p: Parameters, s: Schedule, rng: Generator) -> Floats:
    sd = np.where(s.of_team(p.cars), p.run_sd_team, p.run_sd_rivals)
    if not p.run_tail_df:
        return sd * rng.standard_normal(len(sd))
    return sd * unit_t(rng, p.run_tail_df, sd.shape)


def unit_t(rng: Generator, df: float, shape: tuple[int, ...]) -> Floats:
    """Student's t of variance 1; of 3 degrees of freedom at least 2.5 of it is finite."""
    return rng.standard_t(df, shape) * np.sqrt((df - 2) / df)


def _heat_shock(p: Parameters, s: Schedule, rng: Generator) -> Floats:
    heats = int(s.heat.max(initial=0)) + 1
    shock = rng.normal(0, p.heat_shock_s, (p.meetings, p.runs, heats))
    return shock[s.meeting, s.round, s.heat]


def _usual_rate(p: Parameters, s: Schedule, people: People) -> Floats:
    fall = np.exp(-p.incident_day_fall * s.start / HOURS)
    return p.incident_rate * people.incidents[s.driver] * np.where(s.of_team(p.cars), fall, 1.0)
