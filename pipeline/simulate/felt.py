"""How it felt: what invented drivers say of their cars, each on a scale of their own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.simulate.calendar import MAIN_CLASS
from pipeline.simulate.car import PROPERTIES, STANDARD, build
from pipeline.simulate.setup_log import csv_text
from pipeline.simulate.world import Settings, World

FEEL = 13  # stream of chance, after those of the folder
ASKED = 0.85  # share of the runs after which somebody had the time
WORST, BEST = -2, 2


@dataclass(frozen=True)
class FeltThing:
    """A question after each run. weights: points for one unit of a property of the car; beliefs:
    points for a (factor, level) that a driver is sure to feel, whatever it does."""

    name: str
    label: str
    worse: str
    better: str
    weights: Mapping[str, float]
    beliefs: Mapping[tuple[str, str], float] = field(default_factory=dict)

    def points(self, world: World, settings: Mapping[str, str]) -> float:
        """What the car is worth in this respect."""
        change = build(world.factors, settings) - STANDARD
        weights = np.array([self.weights.get(name, 0.0) for name in PROPERTIES])
        believed = (p for (name, level), p in self.beliefs.items() if settings.get(name) == level)
        return float(weights @ change + sum(believed))


REAR_GRIP = FeltThing(
    "rear_grip", "Rear grip", "loose", "planted",
    {"rotation": -1.8, "stiffness": -0.4, "downforce": 40.0}, {("wing", "high"): 0.8},
)  # fmt: skip
STEERING = FeltThing(
    "steering", "Steering", "dull", "sharp",
    {"rotation": 1.4, "stiffness": 0.4}, {("screws", "alloy"): 0.9},
)  # fmt: skip


def felt_table(world: World, settings: Settings, feels: Sequence[FeltThing]) -> str:
    """feel.csv: scores of the team's runs in the main class; draws from a stream of its own.

    A driver has a middle, a scale and a scatter; the last of the team finds all cars alike.
    """
    rng = np.random.default_rng([world.seed, FEEL])
    team = [d for d, driver in enumerate(world.drivers) if driver.team]
    middle = {d: rng.normal(0.0, 0.4, len(feels)) for d in team}
    scale = {d: float(np.exp(rng.normal(0.0, 0.25))) for d in team}
    rows = []
    for r in world.team_runs:
        run = world.runs[r]
        luck, is_asked = rng.normal(0.0, 0.7, len(feels)), rng.uniform() < ASKED
        if world.session(run).racing_class != MAIN_CLASS or not is_asked:
            continue
        points = np.array([feel.points(world, settings[r]) for feel in feels])
        said = np.rint(middle[run.driver] + scale[run.driver] * (points + luck))
        scores = np.clip(said if run.driver != team[-1] else np.zeros(len(feels)), WORST, BEST)
        meeting, driver = world.meetings[run.meeting].name, world.drivers[run.driver].name
        rows.append([meeting, driver, MAIN_CLASS, str(run.run_no), *(str(int(s)) for s in scores)])
    return csv_text(["meeting", "driver", "class", "run", *(feel.name for feel in feels)], rows)
