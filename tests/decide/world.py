"""A team's season and its truth, drawn from wide ranges: what a choice is really worth.

Six things are changed: four two-level options (one whose effect changes sign with grip, one that
does nothing, one that helps or hurts throughout, one that acts on mistakes) and two numbers (one
with a best value inside its range, one that does nothing). The truth of a race at a venue that
nobody has seen is known: its grip word is given, its deviations are drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

Array = NDArray[np.float64]

WORDS = ("low", "medium", "high")
RACE_SECONDS = 300.0
SIZES = {"full": 1.0, "half": 0.5, "quarter": 0.25}
CROSSING = np.array([-0.08, 0.06, 0.14])  # s a lap at low, medium, high
NEXT_DRAWS = 400
# No two venues are alike to the last: what is equal on average is better at one, worse at another.
LEAST_SD = 1e-4
USUAL_MIX = ("low", "low", "medium", "high", "high")
OTHER_MIXES = (
    ("low", "medium", "medium", "medium", "high"),
    ("low", "low", "medium", "medium", "high"),
    ("low", "medium", "medium", "high", "high"),
    ("low", "low", "low", "medium", "high"),
    ("low", "medium", "high", "high", "high"),
)


@dataclass(frozen=True)
class Factor:
    """One thing that is changed, with what its settings do."""

    name: str
    role: str  # crossing, nothing, helps, mistakes, curved, flat
    values: tuple[str, ...] | tuple[float, ...]
    reference: int
    pace: Array  # (3, values): s a lap at low, medium, high, against nothing
    log_rate: Array  # (values,): log of the ratio of incident rates
    lever: Array  # (values,): how much of a deviation each value takes; 0 at the reference

    def pace_at(self, position: Array) -> Array:
        """(n, values): s a lap at grip positions (low −1, high 1), straight between and beyond."""
        low, medium, high = self.pace
        below, above = np.minimum(position, 0)[:, None], np.maximum(position, 0)[:, None]
        return np.asarray(medium + below * (medium - low) + above * (high - medium))

    @property
    def is_number(self) -> bool:
        return self.role in ("curved", "flat")


@dataclass(frozen=True)
class World:
    """Parameters of one season; times in s, rates an incident a lap."""

    number: int
    size: str
    words: tuple[str, ...]
    field: int
    team: int
    runs: int
    laps: int
    bases: Array  # (meetings,): a usual lap
    skills: Array  # (field,)
    gains: Array  # (meetings,): lap time that grip gives over the day
    bends: Array  # (meetings,): how early in the day it does
    steps_per_second: float  # grip positions that a second of the day's curve is worth; may be 0
    run_sd: float
    lap_sd: Array  # (field,)
    rates: Array  # (field,)
    losses: tuple[float, float]
    meeting_sd: float
    driver_sd: float
    factors: tuple[Factor, ...]
    by_meeting: Array  # (factors, meetings): deviations, s a lap
    by_driver: Array  # (factors, team)
    toggles: float  # how often a driver changes a thing from one run to the next

    @property
    def mean_loss(self) -> float:
        return sum(self.losses) / 2

    @cached_property
    def race_laps(self) -> float:
        """Laps of a race, at a usual venue and with the usual incidents."""
        usual = float(self.bases.mean()) + float(self.rates.mean()) * self.mean_loss
        return RACE_SECONDS / usual

    def factor(self, name: str) -> Factor:
        return next(factor for factor in self.factors if factor.name == name)

    def next_gains(self, name: str, word: str, driver: int | None) -> Array:
        """(draws, values): s saved over a race at the next meeting against the reference.

        driver: position in the team; None: the mean of the team's drivers.
        """
        row = [factor.name for factor in self.factors].index(name)
        factor = self.factors[row]
        own, rate = self._of(row, driver)
        drawn = np.random.default_rng([self.number, row, 6]).standard_normal(NEXT_DRAWS)
        deviation = own + max(self.meeting_sd, LEAST_SD) * drawn
        pace = factor.pace[WORDS.index(word)] + deviation[:, None] * factor.lever
        lost = pace + rate * self.mean_loss * np.exp(factor.log_rate)
        return np.asarray(self.race_laps * (lost[:, [factor.reference]] - lost))

    def _of(self, row: int, driver: int | None) -> tuple[float, float]:
        if driver is None:
            return float(self.by_driver[row].mean()), float(self.rates[: self.team].mean())
        return float(self.by_driver[row, driver]), float(self.rates[driver])

    def switch_over(self, name: str) -> float:
        """Position at which the second level equals the first, on pace, for the team's mean."""
        row = [factor.name for factor in self.factors].index(name)
        own = float(self.by_driver[row].mean())
        low, medium, high = np.diff(self.factors[row].pace, axis=1)[:, 0] + own
        first = medium / (low - medium) if low * medium <= 0 else np.nan
        second = medium / (medium - high) if medium * high < 0 else np.nan
        return float(first if np.isfinite(first) else second)

    def best_value(self, name: str) -> float:
        """The setting with the fastest lap, for the team's mean, on the curve between values."""
        row = [factor.name for factor in self.factors].index(name)
        factor = self.factors[row]
        values = np.asarray(factor.values, float)
        lost = factor.pace[1] + factor.lever * float(self.by_driver[row].mean())
        bend, slope, _ = np.polyfit(values, lost, 2)
        return float(-slope / (2 * bend))


def draw(number: int, seed: int, size: str = "full", **fixed: object) -> World:
    """World `number` of a study; the same but for the size of its effects at every `size`."""
    rng = np.random.default_rng([seed, number])
    usual = rng.random() < 0.6
    mix = USUAL_MIX if usual else OTHER_MIXES[rng.integers(len(OTHER_MIXES))]
    field, team = int(rng.integers(12, 25)), int(rng.integers(2, 7))
    base = rng.uniform(12, 25)
    meeting_sd = float(rng.choice([0, 0.02, 0.05], p=[0.35, 0.4, 0.25]))
    driver_sd = float(rng.choice([0, 0.01, 0.03]))
    factors = _factors(rng, SIZES[size])
    world = World(
        number=number, size=size, words=tuple(rng.permutation(mix)), field=field, team=team,
        runs=int(rng.integers(6, 10)), laps=int(rng.integers(12, 21)),
        bases=base * rng.uniform(0.85, 1.15, len(mix)), skills=rng.normal(0, 0.02, field) * base,
        gains=rng.uniform(0.1, 1.0, len(mix)), bends=rng.uniform(0, 4, len(mix)),
        steps_per_second=float(rng.choice([0, rng.uniform(0.3, 1)])),
        run_sd=rng.uniform(0.04, 0.10), lap_sd=rng.uniform(0.1, 0.3) * rng.uniform(0.7, 1.4, field),
        rates=rng.uniform(0.01, 0.04) * rng.uniform(0.6, 1.5, field), losses=(3.0, 10.0),
        meeting_sd=meeting_sd, driver_sd=driver_sd, factors=factors,
        by_meeting=meeting_sd * rng.standard_normal((len(factors), len(mix))),
        by_driver=driver_sd * rng.standard_normal((len(factors), team)),
        toggles=rng.uniform(0.15, 0.45),
    )  # fmt: skip
    return replace(world, **fixed)  # type: ignore[arg-type]


def _factors(rng: Generator, size: float) -> tuple[Factor, ...]:
    def sign() -> float:
        return float(rng.choice([-1.0, 1.0]))

    roles = {
        "crossing": (sign() * CROSSING, 0.0),
        "nothing": (np.zeros(3), 0.0),
        "helps": (np.full(3, sign() * rng.uniform(0.03, 0.12)), 0.0),
        "mistakes": (np.zeros(3), sign() * rng.uniform(0.2, 0.8)),
    }
    names = dict(zip(roles, rng.permutation(["wing", "bar", "belt", "mount"]), strict=True))
    two = [
        _option(str(names[role]), role, size * pace, size * log_rate)
        for role, (pace, log_rate) in roles.items()
    ]
    made = [*two, _number(rng, "oil", "curved", size), _number(rng, "height", "flat", size)]
    return tuple(made[place] for place in rng.permutation(len(made)))


def _option(name: str, role: str, pace: Array, log_rate: float) -> Factor:
    return Factor(
        name, role, ("old", "new"), 0, np.column_stack([np.zeros(3), pace]),
        np.array([0, log_rate]), np.array([0.0, 1.0]),
    )  # fmt: skip


def _number(rng: Generator, name: str, role: str, size: float) -> Factor:
    """Four to six values; the best at 0.2 to 0.8 of the range, its farther end 0.06 to 0.3 s off.

    A deviation of a meeting or driver acts as a tilt, its SD that of the whole range.
    """
    count = int(rng.integers(4, 7))
    step = float(rng.choice([0.25, 0.5, 25, 100]))
    place = np.linspace(0, 1, count)
    values = tuple(float(v) for v in step * (int(rng.integers(4, 20)) + np.arange(count)))
    best, reference = rng.uniform(0.2, 0.8), int(rng.integers(count))
    depth = rng.uniform(0.06, 0.3) / max(best, 1 - best) ** 2 if role == "curved" else 0.0
    pace = np.tile(size * depth * (place - best) ** 2, (3, 1))
    return Factor(name, role, values, reference, pace, np.zeros(count), place - place[reference])
