"""What the team tries when: the settings of each of its runs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.simulate.calendar import MAIN_CLASS
from pipeline.simulate.world import Run, World

SET_RUNS = 6  # runs on a set of tyres before it is laid aside

WELL_MIXED = ("abababab", "babababa", "abbaabba", "baabbaab", "aabbaabb", "bbaabbaa")
WITH_THE_CLOCK = ("aaaabbbb", "aaaaabbb")


@dataclass(frozen=True)
class Trial:
    """A driver's trial at a meeting: each factor's levels a and b, one letter of `pattern` a run.

    Several factors in one trial change together, which is how nothing is learnt about either.
    A pattern shorter than the meeting starts again.
    """

    meeting: int
    driver: int
    levels: Mapping[str, tuple[str, str]]
    pattern: str
    racing_class: str = MAIN_CLASS

    def values(self, run_no: int) -> dict[str, str]:
        side = "ab".index(self.pattern[(run_no - 1) % len(self.pattern)])
        return {factor: pair[side] for factor, pair in self.levels.items()}


def settings_of(
    world: World, trials: Iterable[Trial], set_runs: Mapping[int, int] | None = None
) -> dict[int, dict[str, str]]:
    """Settings of each of the team's runs: the reference where no trial says otherwise.

    set_runs: runs on a set by driver, where that is not SET_RUNS. The first run of a meeting
    goes on with the set of the meeting before.
    """
    reference = {name: factor.reference for name, factor in world.factors.items()}
    by_run: dict[tuple[int, int, str], list[Trial]] = {}
    for trial in trials:
        by_run.setdefault((trial.meeting, trial.driver, trial.racing_class), []).append(trial)
    settings, on_set = {}, dict[tuple[int, str], int]()
    for r in world.team_runs:
        run = world.runs[r]
        racing_class = world.session(run).racing_class
        car = dict(reference)
        for trial in by_run.get((run.meeting, run.driver, racing_class), []):
            car.update(trial.values(run.run_no))
        if "tyre_runs" in world.factors:
            car["tyre_runs"] = _age(run, racing_class, on_set, set_runs or {})
        settings[r] = car
    return settings


def _age(
    run: Run, racing_class: str, on_set: dict[tuple[int, str], int], set_runs: Mapping[int, int]
) -> str:
    key = (run.driver, racing_class)
    age = on_set.get(key, run.driver % 3) % set_runs.get(run.driver, SET_RUNS)
    on_set[key] = age + 1
    return str(age)


def usual_trials(
    world: World, rng: np.random.Generator, together: tuple[str, ...] = (), careless: float = 0.25
) -> list[Trial]:
    """Trials as a team would make them: each driver tries two factors at each meeting.

    together: factors that the team only ever changes at once; careless: share of trials in which
    b is simply what is fitted after lunch. Every factor has its turn before one comes again.
    """
    names = [n for n in world.factors if n != "tyre_runs" and n not in together[1:]]
    trials, deck = [], list[str]()
    for meeting in range(len(world.meetings)):
        for driver in _team_there(world, meeting):
            if len(deck) < min(2, len(names)):
                deck += [str(name) for name in rng.permutation(names)]
            chosen = list(dict.fromkeys(deck))[:2]
            for name in chosen:
                deck.remove(name)
            for name, pattern in zip(chosen, rng.permutation(WELL_MIXED), strict=False):
                tried = together if name in together else (name,)
                late = rng.uniform() < careless
                pattern = str(rng.choice(WITH_THE_CLOCK)) if late else str(pattern)
                trials.append(Trial(meeting, driver, _levels(world, tried, rng), pattern))
    return trials


def _team_there(world: World, meeting: int) -> list[int]:
    there = (world.runs[r] for r in world.team_runs)
    return sorted({run.driver for run in there if run.meeting == meeting})


def _levels(
    world: World, tried: tuple[str, ...], rng: np.random.Generator
) -> dict[str, tuple[str, str]]:
    """Reference and another level of each; factors changed together go the same way."""
    others = [
        [level for level in world.factors[name].choices if level != world.factors[name].reference]
        for name in tried
    ]
    place = int(rng.integers(min(len(levels) for levels in others)))
    return {
        name: (world.factors[name].reference, levels[place])
        for name, levels in zip(tried, others, strict=True)
    }
