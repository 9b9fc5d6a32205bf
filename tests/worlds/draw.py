"""A world's parameters by lot, from wide ranges."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.random import Generator

from tests.worlds.parameters import ORDERS, Effect, Factor, Order, Parameters

# Shares of worlds by number of meetings: small ones are what most people have.
MEETINGS = ((0.55, 1, 1), (0.25, 2, 4), (0.15, 5, 8), (0.05, 9, 12))
ORDER_SHARES = (0.30, 0.12, 0.20, 0.08, 0.04, 0.12, 0.06, 0.04, 0.04)
FACTOR_COUNTS = (0.45, 0.25, 0.15, 0.10, 0.05)
NULLS = 0.5
MOST_LOST = 0.35  # share of laps that the wildest runs lose to incidents, by and large


def draw(rng: Generator) -> Parameters:
    """One world's parameters; `rng` alone decides."""
    meetings = _meetings(rng)
    parts = [
        _size(rng, meetings),
        _people(rng),
        _track(rng),
        _team(rng),
        _lap(rng),
        _incidents(rng),
    ]
    known = {key: value for part in parts for key, value in part.items()}
    known["fade_run_sd"] = _some(rng, 0.5, 0.0, 6.0) * known["lap_sd"] / known["laps"]
    factors = _factors(rng, known["laps"], meetings)
    settings = _settings(rng, meetings, len(factors))
    return Parameters(factors=factors, meetings=meetings, **known, **settings)


def _meetings(rng: Generator) -> int:
    row = rng.choice(len(MEETINGS), p=[share for share, _, _ in MEETINGS])
    _, least, most = MEETINGS[row]
    return int(rng.integers(least, most + 1))


def _size(rng: Generator, meetings: int) -> dict[str, Any]:
    rivals = _rivals(rng)
    lap_s = rng.uniform(10, 25)
    laps = round(_minutes(rng) * 60 / lap_s)
    laps = min(max(laps, 8), 40)
    return {
        "cars": int(rng.integers(1, 9)),
        "rivals": rivals,
        "pool": rivals if meetings == 1 else min(max(50, rivals), int(rivals * rng.uniform(1, 2))),
        "attendance": 1.0 if meetings == 1 else rng.uniform(0.7, 1.0),
        "runs": int(rng.integers(4 if meetings == 1 else 2, 13)),
        "laps": laps,
        "lap_s": lap_s,
        "layout_sd": _some(rng, 0.5, 0.02, 0.15),
        "missing": _some(rng, 0.5, 0.0, 0.4),
        "cut_short": _some(rng, 0.5, 0.0, 0.5),
        "heat_size": int(rng.integers(6, 13)),
        "team_together": bool(rng.random() < 0.35),
        "heats_redrawn": bool(rng.random() < 0.5),
        "test_day": bool(rng.random() < 0.2),
        "race_seconds": float(round(laps * lap_s)) if rng.random() < 0.8 else 300.0,
    }


def _rivals(rng: Generator) -> int:
    """Mostly 8 to 25, now and then none, few or many."""
    if rng.random() < 0.75:
        return int(rng.integers(8, 26))
    return int(rng.integers(0, 41))


def _minutes(rng: Generator) -> float:
    """Of a run: mostly five; a short practice at times."""
    kind = rng.random()
    if kind < 0.05:
        return rng.uniform(3.3, 5)
    return 5.0 if kind < 0.5 else rng.uniform(5, 10)


def _people(rng: Generator) -> dict[str, Any]:
    run_sd = _log_uniform(rng, 0.02, 0.2)
    ratio = _log_uniform(rng, 0.25, 4)
    return {
        "lap_sd": _log_uniform(rng, 0.05, 0.35),
        "lap_sd_ratio": rng.uniform(1, 4),
        "run_sd_team": run_sd,
        "run_sd_rivals": min(max(run_sd / ratio, 0.02), 0.2),
        "run_tail_df": _some(rng, 0.3, 4, 10),
        "driver_sd": rng.uniform(0.1, 0.6),
        "entry_sd": rng.uniform(0.0, 0.2),
        "team_ahead_s": rng.uniform(-0.3, 0.5),
        "run_spread_sd": rng.uniform(0, 0.5),
    }


def _track(rng: Generator) -> dict[str, Any]:
    shapes = ("none", "saturating", "quadratic", "backwards", "waves", "walk")
    gain = rng.uniform(0, 0.8) if rng.random() < 0.7 else rng.uniform(0.8, 2.0)
    # However much the track gains, what the team gains of it beside the field has its limits.
    apart = rng.uniform(-0.4, 0.5) * min(1.0, 0.8 / gain)
    return {
        "grip_shape": str(rng.choice(shapes, p=(0.08, 0.40, 0.15, 0.15, 0.12, 0.10))),
        "grip_gain_s": gain,
        "team_grip": 1.0 + apart if rng.random() < 0.6 else 1.0,
        "jumps": int(rng.choice(3, p=(0.7, 0.2, 0.1))),
        "jump_s": rng.uniform(0, 0.3),
        "jump_kind": str(rng.choice(("step", "shower"))),
        "kind_sd": _some(rng, 0.7, 0.0, 0.12),
        "heat_shock_s": _some(rng, 0.5, 0.0, 0.08),
        "slow_stretches": _some(rng, 0.4, 0.0, 2.0),
    }


def _team(rng: Generator) -> dict[str, Any]:
    return {
        "learning_s": _some(rng, 0.5, -0.2, 0.3),
        "learning_curved": bool(rng.random() < 0.5),
        "finals_gain_s": _some(rng, 0.25, 0.0, 0.15),
    }


def _lap(rng: Generator) -> dict[str, Any]:
    return {
        "tails": str(rng.choice(("normal", "t", "skewed"), p=(0.4, 0.3, 0.3))),
        "tail_df": rng.uniform(3, 10),
        "skewness": rng.uniform(0.4, 1.6),
        "autocorrelation": _some(rng, 0.7, 0.0, 0.7),
        "shared": _some(rng, 0.5, 0.0, 0.15),
        "come_in_s": rng.uniform(-0.3, 0.4),
        "come_in_laps": rng.uniform(1, 5),
        "fade_s": rng.uniform(0, 0.01),
        "fade_sd": rng.uniform(0, 0.004),
        "traffic_rate": _some(rng, 0.7, 0.0, 0.1),
        "traffic_s": rng.uniform(0.2, 1.0),
        "missed": _some(rng, 0.5, 0.0, 0.01),
        "status_column": bool(rng.random() < 0.1),
        "known_starts": bool(rng.random() >= 0.05),
    }


def _incidents(rng: Generator) -> dict[str, Any]:
    small = _some(rng, 0.5, 0.2, 0.9)
    rate = rng.uniform(0, 0.15) if rng.random() < 0.7 else rng.uniform(0, 0.03)
    # Where incidents are frequent they differ less: a run that loses half its laps is no run.
    room = math.log(MOST_LOST / max(rate, 0.01)) / 4
    return {
        "incident_rate": rate,
        "small_share": small,
        "small_loss_s": rng.uniform(0.3, 1.5),
        "after_s": _some(rng, 0.6, 0.0, 0.8),
        "incident_run_sd": rng.uniform(0, min(0.6, room)),
        "incident_driver_sd": rng.uniform(0, min(0.7, room)),
        "incident_day_fall": _some(rng, 0.3, 0.0, 0.8),
        "marks": ("small incidents",) if small else (),
    }


def _settings(rng: Generator, meetings: int, factors: int) -> dict[str, Any]:
    season = meetings > 1
    return {
        "cars_together": bool(rng.random() < 0.12),
        "tried": rng.uniform(0.5, 1.0) if season and rng.random() < 0.6 else 1.0,
        "interaction": _some(rng, 0.3, -0.1, 0.1) if factors > 1 else 0.0,
        "meeting_sd": _some(rng, 0.5, 0.0, 0.08) if season else 0.0,
        "spread_meeting_sd": _some(rng, 0.4, 0.0, 0.15) if season else 0.0,
        "mistakes_meeting_sd": _some(rng, 0.5, 0.0, 0.5) if season else 0.0,
        "driver_effect_sd": _some(rng, 0.35, 0.0, 0.08),
        "grip_words": _words(rng),
        "session_words": bool(rng.random() < 0.1),
        "surfaces": 2 if season and rng.random() < 0.4 else 1,
        "unknown": _some(rng, 0.4, 0.0, 0.1),
        "wrong": _some(rng, 0.4, 0.0, 0.03),
    }


def _words(rng: Generator) -> tuple[float, float, float]:
    """Chances of low, medium and high."""
    if rng.random() < 0.3:
        return (0.0, 1.0, 0.0)
    low, medium, high = rng.dirichlet((2, 2, 2))
    return (float(low), float(medium), float(high))


def _factors(rng: Generator, laps: int, meetings: int) -> tuple[Factor, ...]:
    count = 1 + int(rng.choice(len(FACTOR_COUNTS), p=FACTOR_COUNTS))
    first, *others = [_factor(rng, number, laps, meetings) for number in range(count)]
    if first.order == "adaptive":  # chosen run by run, after all others
        others = [replace(factor, crossing="crossed") for factor in others]
    return (first, *others)


def _factor(rng: Generator, number: int, laps: int, meetings: int) -> Factor:
    kind = str(rng.choice(("category", "ordered", "number"), p=(0.45, 0.35, 0.20)))
    count = (
        int(rng.integers(2, 6))
        if kind == "number"
        else int(rng.choice((2, 3, 4), p=(0.6, 0.25, 0.15)))
    )
    step = float(rng.choice((0.1, 0.2, 0.5, 1.0)))
    levels = _values(rng, count, step) if kind == "number" else tuple(f"L{n}" for n in range(count))
    contrasts = 1 if kind == "number" else count - 1
    order: Order = ORDERS[rng.choice(len(ORDERS), p=ORDER_SHARES)]
    return Factor(
        name=f"part_{'abcde'[number]}",
        kind=kind,  # type: ignore[arg-type]
        levels=levels,
        reference=int(rng.integers(count)),
        effects=tuple(_effect(rng, laps, meetings, kind) for _ in range(contrasts)),
        order="random" if number and order == "adaptive" else order,
        crossing=str(rng.choice(("crossed", "partly", "only at"), p=(0.7, 0.15, 0.15))),  # type: ignore[arg-type]
        step=step,
        step_given=bool(rng.random() < 0.7),
    )


def _values(rng: Generator, count: int, step: float) -> tuple[str, ...]:
    start = float(rng.integers(1, 20))
    return tuple(f"{start + n * step:.1f}" for n in range(count))


def _effect(rng: Generator, laps: int, meetings: int, kind: str) -> Effect:
    """Nothing at all in half the contrasts; else mostly pace, and each other outcome at times."""
    if rng.random() < NULLS:
        return Effect(varies=bool(rng.random() < 0.3))
    share = 0.5 if kind == "number" else 1.0
    by_grip = share * (rng.random() < 0.4)
    return Effect(
        pace=share * _either(rng, 0.85, 0.02, 0.15),
        spread=share * _either(rng, 0.5, math.log(1.05), math.log(1.35)),
        mistakes=share * _either(rng, 0.5, math.log(1.2), math.log(2.0)),
        fade=share * _either(rng, 0.4, 0.05, 0.3) / laps,
        pace_by_grip=by_grip * rng.uniform(-0.1, 0.1),
        spread_by_grip=by_grip * _some(rng, 0.3, -0.15, 0.15),
        mistakes_by_grip=by_grip * _some(rng, 0.3, -0.3, 0.3),
    )


def _either(rng: Generator, chance: float, least: float, most: float) -> float:
    """0, or with `chance` a size between the two, of either sign."""
    size = rng.uniform(least, most) * rng.choice((-1.0, 1.0))
    return float(size) if rng.random() < chance else 0.0


def _some(rng: Generator, chance: float, least: float, most: float) -> float:
    """0, or with `chance` a value between the two."""
    value = rng.uniform(least, most)
    return float(value) if rng.random() < chance else 0.0


def _log_uniform(rng: Generator, least: float, most: float) -> float:
    return float(np.exp(rng.uniform(math.log(least), math.log(most))))
