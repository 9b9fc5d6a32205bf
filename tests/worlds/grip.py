"""What the track gives at a time of day, in seconds a lap (less is quicker)."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from tests.worlds.parameters import Parameters
from tests.worlds.schedule import FINAL, HOURS, Floats, Schedule

SHOWER_H = 0.8  # a shower's loss falls to 37 % in this time


def field_grip(p: Parameters, s: Schedule, rng: Generator) -> Floats:
    """(N,) what all cars feel at each run's start: shape and jumps, each meeting's own."""
    out = np.zeros(len(s.start))
    for meeting in range(p.meetings):
        rows = s.meeting == meeting
        out[rows] = _shape(p, rng, s.start[rows]) + _jumps(p, rng, s.start[rows])
    return out


def _shape(p: Parameters, rng: Generator, hour: Floats) -> Floats:
    gain = p.grip_gain_s * rng.uniform(0.7, 1.3)
    day = hour / HOURS
    match p.grip_shape:
        case "none":
            return np.zeros(len(hour))
        case "saturating":
            return -gain * (1 - np.exp(-hour / rng.uniform(1.5, 4)))
        case "quadratic":
            return -gain * (2 * day - day**2 * rng.uniform(0.5, 1.3))
        case "backwards":
            return -gain * np.sin(np.pi * np.clip(day * rng.uniform(0.8, 1.3), 0, 1.5))
        case "waves":
            period, phase = rng.uniform(1.5, 5), rng.uniform(0, 2 * np.pi)
            return -gain * day + 0.2 * gain * np.sin(2 * np.pi * hour / period + phase)
        case _:
            return _walk(rng, gain, hour)


def _walk(rng: Generator, gain: float, hour: Floats) -> Floats:
    """A random walk in ten-minute steps that strays by about `gain` over the day."""
    times = np.arange(0, float(hour.max(initial=0)) + 1, 1 / 6)
    steps = rng.normal(0, gain / np.sqrt(6 * HOURS), len(times))
    return np.interp(hour, times, np.cumsum(steps))


def _jumps(p: Parameters, rng: Generator, hour: Floats) -> Floats:
    out = np.zeros(len(hour))
    for _ in range(p.jumps):
        since = hour - rng.uniform(1, 0.9 * HOURS)
        size = p.jump_s * rng.choice((-1.0, 1.0))
        if p.jump_kind == "shower":
            out += np.where(since > 0, abs(size) * np.exp(-np.maximum(since, 0) / SHOWER_H), 0)
        else:
            out += np.where(since > 0, size, 0)
    return out


def team_alone(p: Parameters, s: Schedule, grip: Floats) -> Floats:
    """(N,) what the team's cars feel beside the field's grip."""
    day = s.start / HOURS
    learnt = (1 - np.exp(-3 * day)) / (1 - np.exp(-3)) if p.learning_curved else day
    drift = (p.team_grip - 1) * grip - p.learning_s * learnt
    drift = drift - p.finals_gain_s * (s.kind[s.round] == FINAL)
    return np.where(s.of_team(p.cars), drift, 0.0)
