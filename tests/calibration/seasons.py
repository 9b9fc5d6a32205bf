"""Seasons from a plain statistical recipe, with their truth, straight from arrays.

It shares no code with the models, and it is not the mechanism that makes the demo: it is as
simple as a recipe can be whose truth is known by definition.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.calibration.kinds import Kind

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

RACE_SECONDS = 300.0
WORTHWHILE_S = 0.03
BASE_LAP_S = 15.0
FIRST_HOUR, HOURS = 9.0, 8.0
HEAT_HOURS, HEAT_CARS = 0.15, 10
INCIDENT_S = (3.0, 8.0)
DRIVER_RATE_SD = RUN_RATE_SD = 0.3
SESSION_KIND_S = {"practice": 0.0, "qualifying": -0.05, "final": -0.02, "test": 0.0}
# How large an effect is where there is one, either sign: useful changes of the trade are worth
# 0.02 to 0.15 s a lap (common practice, no published source); spread and mistakes as log ratios.
EFFECT_SIZES = {
    "pace": (0.02, 0.15),
    "spread": (0.05, 0.30),
    "mistakes": (0.20, 0.70),
    "fade": (0.005, 0.03),
}


@dataclass(frozen=True)
class Plan:
    """Who ran when: arrays (R,) of codes and hours, settings (R, factors) with -1 for rivals."""

    meeting: Integers
    driver: Integers
    turn: Integers
    heat: Integers
    hour: Floats
    settings: Integers

    def keep(self, rows: NDArray[np.bool_]) -> Plan:
        return Plan(**{name: values[rows] for name, values in vars(self).items()})


@dataclass(frozen=True)
class Laps:
    """Matrices (R, most laps): times and what they are; `driven` says which exist."""

    seconds: Floats
    driven: NDArray[np.bool_]
    incident: NDArray[np.bool_]


@dataclass(frozen=True)
class Season:
    """A season and what is true of it.

    truth: (outcome, factor, level) -> level minus reference, on the scale of the result table
        (s/lap, ratio of SD, ratio of incident rate, s/lap per lap, s a race).
    """

    kind: Kind
    plan: Plan
    laps: Laps
    truth: Mapping[tuple[str, str, str], float]

    def is_null(self, key: tuple[str, str, str]) -> bool:
        return self.truth[key] == (1.0 if key[0] in ("spread", "mistakes") else 0.0)


def make_season(kind: Kind, rng: np.random.Generator) -> Season:
    """A season of that kind; the same generator state gives the same season."""
    plan = _plan(kind, rng)
    effects = _draw_effects(kind, rng)
    log_rate = _log_rate(kind, plan, effects, rng)
    laps = _laps(kind, plan, effects, log_rate, rng)
    return Season(kind, plan, laps, _truth(kind, plan, effects, laps, log_rate))


def _plan(kind: Kind, rng: np.random.Generator) -> Plan:
    drivers = kind.team + kind.rivals
    meeting, driver, turn = (
        axis.ravel() for axis in np.indices((kind.meetings, drivers, kind.runs), dtype=np.int64)
    )
    places = np.array([rng.permutation(drivers) for _ in range(kind.meetings)])
    heat = places[meeting, driver] // HEAT_CARS
    hour = FIRST_HOUR + HOURS * turn / kind.runs + HEAT_HOURS * heat
    settings = np.stack([_levels(kind, n, rng) for _, n in kind.factors], axis=-1)
    plan = Plan(meeting, driver, turn, heat, hour, settings.reshape(-1, len(kind.factors)))
    return plan.keep(rng.random(len(meeting)) >= kind.missing) if kind.missing else plan


def _levels(kind: Kind, levels: int, rng: np.random.Generator) -> Integers:
    """Levels by (meeting, driver, turn); -1 for drivers who are not of the team."""
    even = np.arange(kind.runs) * levels // kind.runs
    out = np.full((kind.meetings, kind.team + kind.rivals, kind.runs), -1, dtype=np.int64)
    for meeting in range(kind.meetings):
        for driver in range(kind.team):
            out[meeting, driver] = _order(kind, even, driver, rng)
    return out


def _order(kind: Kind, even: Integers, driver: int, rng: np.random.Generator) -> Integers:
    if kind.order == "random":
        return rng.permutation(even)
    if kind.order == "mixed":
        # A B B A B A A B and its mirror: free of a linear and a quadratic trend.
        swaps = np.array([0, 1, 1, 0, 1, 0, 0, 1])[np.arange(kind.runs) % 8]
        return np.asarray((swaps + driver) % 2, dtype=np.int64)
    if kind.order == "lunch":
        return even
    # Not everybody changes in the same round: that is all the variety such a day has.
    change = kind.runs // 2 + rng.integers(-1, 2)
    return (np.arange(kind.runs) >= change).astype(np.int64)


def _draw_effects(kind: Kind, rng: np.random.Generator) -> dict[str, list[Floats]]:
    """Per outcome, per factor, the effect of each level against the first (logs for ratios)."""
    live = [np.r_[0.0, rng.random(n - 1) >= kind.null_share] for _, n in kind.factors]
    return {
        outcome: [
            on * rng.choice([-1.0, 1.0], len(on)) * rng.uniform(low, high, len(on)) + 0.0
            for on in live
        ]
        for outcome, (low, high) in EFFECT_SIZES.items()
    }


def _of_setting(plan: Plan, effects: list[Floats]) -> Floats:
    """Sum over factors of the effect of each run's setting (R,); zero for rivals."""
    columns = plan.settings.T
    return np.sum(
        [np.where(c < 0, 0.0, e[c]) for c, e in zip(columns, effects, strict=True)], axis=0
    )


def _log_rate(
    kind: Kind, plan: Plan, effects: dict[str, list[Floats]], rng: np.random.Generator
) -> Floats:
    """Log incident rate a lap of each run, without the run's own luck."""
    driver = rng.normal(0.0, DRIVER_RATE_SD, kind.team + kind.rivals)
    rate = np.log(kind.incident_rate) if kind.incident_rate else -np.inf
    return rate + driver[plan.driver] + _of_setting(plan, effects["mistakes"])


def _laps(
    kind: Kind,
    plan: Plan,
    effects: dict[str, list[Floats]],
    log_rate: Floats,
    rng: np.random.Generator,
) -> Laps:
    runs = len(plan.hour)
    counts = _lap_counts(kind, runs, rng)
    lap = np.arange(1, kind.laps[1] + 1, dtype=float)
    driven = lap <= counts[:, None]
    middle = (counts[:, None] + 2) / 2  # of the laps after the first: fade leaves pace alone
    slope = kind.fade + _of_setting(plan, effects["fade"]) + rng.normal(0, kind.run_fade_sd, runs)
    seconds = (
        _run_means(kind, plan, effects["pace"], rng)[:, None]
        + slope[:, None] * (lap - middle)
        + kind.come_in * np.exp(-(lap - 1) / 2)
        + _lap_sd(kind, plan, effects["spread"], rng)[:, None] * _noise(kind, driven.shape, rng)
    )
    rate = np.exp(log_rate + rng.normal(0, RUN_RATE_SD, runs))
    incident = rng.random(driven.shape) < np.minimum(rate, 0.5)[:, None]
    incident[:, 0] = False
    lost = rng.uniform(*INCIDENT_S, driven.shape)
    return Laps(np.round(seconds + incident * lost, 3), driven, incident & driven)


def _lap_counts(kind: Kind, runs: int, rng: np.random.Generator) -> Integers:
    fewest, most = kind.laps
    counts = rng.integers(fewest, most + 1, runs)
    cut_short = rng.random(runs) < kind.missing
    return np.where(cut_short, rng.integers(5, 15, runs), counts)


def _run_means(kind: Kind, plan: Plan, effects: list[Floats], rng: np.random.Generator) -> Floats:
    """Mean lap of each run (R,), s."""
    drivers = kind.team + kind.rivals
    gain = rng.uniform(*kind.gain, kind.meetings)
    by_meeting = rng.normal(0, kind.slope_sd, (kind.meetings, len(kind.factors)))
    changed = plan.settings > 0
    luck = np.where(plan.driver < kind.team, 1.0, kind.rival_run_sd)
    heats = rng.normal(0, kind.heat_sd, (kind.meetings, kind.runs, plan.heat.max() + 1))
    return (
        BASE_LAP_S
        + rng.normal(0, 1.0, kind.meetings)[plan.meeting]
        + _grip(kind, plan.hour) * gain[plan.meeting]
        + np.vectorize(SESSION_KIND_S.get, otypes=[float])(session_kinds(kind, plan))
        + rng.normal(0, kind.driver_sd, drivers)[plan.driver]
        + rng.normal(0, kind.driver_meeting_sd, (kind.meetings, drivers))[plan.meeting, plan.driver]
        + rng.normal(0, kind.run_sd, len(plan.hour)) * luck
        + heats[plan.meeting, plan.turn, plan.heat]
        + _of_setting(plan, effects)
        + (by_meeting[plan.meeting] * changed).sum(axis=1)
    )


def _grip(kind: Kind, hour: Floats) -> Floats:
    """Seconds a lap for a gain of one second over the day, zero at its start."""
    day = (hour - FIRST_HOUR) / HOURS
    if kind.grip == "sun":
        return 1.5 * day**2 - np.sin(np.pi * day)
    return np.expm1(-kind.flattening * day) / -np.expm1(-kind.flattening)


def _lap_sd(kind: Kind, plan: Plan, effects: list[Floats], rng: np.random.Generator) -> Floats:
    """SD of the laps of each run (R,), s."""
    half = np.log(kind.lap_sd_ratio) / 2
    driver = rng.permutation(np.linspace(-half, half, kind.team + kind.rivals))
    run = rng.normal(0, kind.run_log_sd, len(plan.hour))
    return kind.lap_sd * np.exp(driver[plan.driver] + run + _of_setting(plan, effects))


def _noise(kind: Kind, shape: tuple[int, ...], rng: np.random.Generator) -> Floats:
    """Unit variance, in the kind's tails and autocorrelation."""
    if kind.tail_df:
        return rng.standard_t(kind.tail_df, shape) / np.sqrt(kind.tail_df / (kind.tail_df - 2))
    noise = rng.normal(0, 1, shape)
    for lap in range(1, shape[1] if kind.carry else 0):
        noise[:, lap] = kind.carry * noise[:, lap - 1] + np.sqrt(1 - kind.carry**2) * noise[:, lap]
    return noise


def session_kinds(kind: Kind, plan: Plan) -> NDArray[np.str_]:
    """A day of the team alone is a test; else practice, qualifying, finals."""
    if not kind.rivals:
        return np.full(len(plan.turn), "test")
    return np.array(["practice", "qualifying", "final"])[np.digitize(plan.turn, [2, 6])]


def _truth(
    kind: Kind,
    plan: Plan,
    effects: dict[str, list[Floats]],
    laps: Laps,
    log_rate: Floats,
) -> dict[tuple[str, str, str], float]:
    truth: dict[tuple[str, str, str], float] = {}
    for column, (factor, levels) in enumerate(kind.factors):
        for level in range(1, levels):
            values = {outcome: float(by[column][level]) for outcome, by in effects.items()}
            values["race"] = _race_truth(plan, column, level, effects, laps, log_rate)
            for outcome in ("spread", "mistakes"):
                values[outcome] = float(np.exp(values[outcome]))
            truth |= {(o, factor, level_name(level)): value for o, value in values.items()}
    return truth


def _race_truth(
    plan: Plan,
    column: int,
    level: int,
    effects: dict[str, list[Floats]],
    laps: Laps,
    log_rate: Floats,
) -> float:
    """Seconds a race, averaged over the team's runs: each at the level against the reference."""
    setting = plan.settings[:, column]
    ours = setting >= 0
    mistakes = effects["mistakes"][column]
    reference = np.exp(log_rate[ours] - mistakes[setting[ours]] + RUN_RATE_SD**2 / 2)
    lost = reference.mean() * np.expm1(mistakes[level]) * np.mean(INCIDENT_S)
    mean_lap = laps.seconds[ours][laps.driven[ours]].mean()
    return float(RACE_SECONDS / mean_lap * (effects["pace"][column][level] + lost))


def level_name(level: int) -> str:
    return "ABCDEFGH"[level]
