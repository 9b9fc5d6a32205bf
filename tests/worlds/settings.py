"""What the settings do in every run: the mechanism's effects, and how they differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from tests.worlds.orders import keep_what_looked_faster
from tests.worlds.parameters import Effect, Factor, Parameters
from tests.worlds.schedule import Floats, Integers, Schedule

ADDED = ("pace", "spread", "mistakes", "fade")  # outcomes that the mechanism makes, additively
BY_GRIP = ("pace", "spread", "mistakes")
# A number's contrast is one step of several: its differences are half as large a step.
STEP_SHARE = 0.5


@dataclass(frozen=True)
class Contrast:
    """One column of effects: `level` (place in its factor's levels; -1 for a number's step)."""

    place: int
    factor: int
    level: int
    effect: Effect

    @property
    def is_number(self) -> bool:
        return self.level < 0


@dataclass(frozen=True)
class Effects:
    """What each contrast does, K contrasts. Differences are drawn once and then belong to it.

    `mean`, `slope`: outcome -> (K,). `by_meeting`: outcome -> (M, K). `by_driver` (C, K): pace.
    `joint`: s a lap where the first two factors are both off their references (of a number: at
    its far end); `reach` (F,): the share of that for one step of each factor.
    """

    contrasts: tuple[Contrast, ...]
    mean: dict[str, Floats]
    slope: dict[str, Floats]
    by_meeting: dict[str, Floats]
    by_driver: Floats
    joint: float
    reach: Floats


def draw_effects(p: Parameters, rng: Generator) -> Effects:
    contrasts = _contrasts(p)
    effects = [contrast.effect for contrast in contrasts]
    varies = np.array([effect.varies for effect in effects], dtype=float)
    varies[[contrast.is_number for contrast in contrasts]] *= STEP_SHARE
    spreads = (p.meeting_sd, p.spread_meeting_sd, p.mistakes_meeting_sd, 0.0)
    shape = (p.meetings, len(contrasts))
    return Effects(
        contrasts=contrasts,
        mean={name: np.array([getattr(e, name) for e in effects]) for name in ADDED},
        slope={
            name: np.array([getattr(e, f"{name}_by_grip", 0.0) for e in effects]) for name in ADDED
        },
        by_meeting={
            name: rng.normal(0, sd, shape) * varies for name, sd in zip(ADDED, spreads, strict=True)
        },
        by_driver=rng.normal(0, p.driver_effect_sd, (p.cars, len(contrasts))) * varies,
        joint=p.interaction,
        reach=np.array([_reach(factor) for factor in p.factors]),
    )


def _contrasts(p: Parameters) -> tuple[Contrast, ...]:
    rows: list[Contrast] = []
    for number, factor in enumerate(p.factors):
        levels = [level for level in range(len(factor.levels)) if level != factor.reference]
        levels = [-1] if factor.kind == "number" else levels
        for level, effect in zip(levels, factor.effects, strict=True):
            rows.append(Contrast(len(rows), number, level, effect))
    return tuple(rows)


def _reach(factor: Factor) -> float:
    last = len(factor.levels) - 1
    return 1 / max(factor.reference, last - factor.reference) if factor.kind == "number" else 1.0


@dataclass(frozen=True)
class Settings:
    """The runs' settings: `level` (N, F), -1 for rivals; `columns` (N, K): 1 at the level, of a
    number the steps from the reference; `off` (N, F): 0 at the reference, 1 off it or at the far
    end; `word` (N,): the grip word about medium."""

    level: Integers
    columns: Floats
    off: Floats
    word: Floats


def settings(p: Parameters, s: Schedule, effects: Effects, levels: Integers) -> Settings:
    team = s.of_team(p.cars)
    level = np.full((len(s.driver), len(p.factors)), -1)
    level[team] = levels[:, s.meeting[team], s.driver[team], s.round[team]].T
    steps = np.array([factor.reference for factor in p.factors])
    steps = np.where(level < 0, 0, level - steps)
    off = np.where([factor.kind == "number" for factor in p.factors], steps, steps != 0)
    return Settings(
        level=level,
        columns=np.column_stack(
            [_column(contrast, level, steps) for contrast in effects.contrasts]
        ),
        off=off * effects.reach,
        word=s.round_word[s.meeting, s.round].astype(float) - 1,
    )


def _column(contrast: Contrast, level: Integers, steps: Integers) -> Floats:
    if contrast.is_number:
        return steps[:, contrast.factor].astype(float)
    return (level[:, contrast.factor] == contrast.level).astype(float)


def added(s: Schedule, effects: Effects, chosen: Settings) -> dict[str, Floats]:
    """Outcome -> (N,) what each run's settings add."""
    driver = np.minimum(s.driver, len(effects.by_driver) - 1)  # rivals' columns are 0
    out = {}
    for name in ADDED:
        each = effects.mean[name] + effects.by_meeting[name][s.meeting]
        each = each + effects.slope[name] * chosen.word[:, None]
        each = each + effects.by_driver[driver] if name == "pace" else each
        out[name] = (chosen.columns * each).sum(axis=1)
    if effects.joint:
        out["pace"] = out["pace"] + effects.joint * chosen.off[:, 0] * chosen.off[:, 1]
    return out


def choose_adaptively(
    p: Parameters, s: Schedule, effects: Effects, levels: Integers, seen: Floats, rng: Generator
) -> Integers:
    """`levels` with the first factor chosen run by run from what was seen (N,) in each run."""
    waiting = (levels[0] < 0).any(axis=(1, 2))
    if not waiting.any():
        return levels
    team = s.of_team(p.cars)
    held = levels.copy()
    held[0] = p.factors[0].reference
    time = np.full(levels.shape[1:], np.nan)
    others = added(s, effects, settings(p, s, effects, held))["pace"]
    time[s.meeting[team], s.driver[team], s.round[team]] = (seen + others)[team]
    chosen = _by_car(p, effects, time, rng)
    held[0] = np.where(waiting[:, None, None], chosen, held[0])
    return held


def _by_car(p: Parameters, effects: Effects, time: Floats, rng: Generator) -> Integers:
    factor = p.factors[0]
    cars = time[:, :1] if p.cars_together else time
    gains = _gains(p, effects)[:, : cars.shape[1]]
    return np.broadcast_to(keep_what_looked_faster(factor, cars, gains, rng), time.shape)


def _gains(p: Parameters, effects: Effects) -> Floats:
    """(M, C, levels) pace of each level of the first factor, for each car at each meeting."""
    factor = p.factors[0]
    own = [contrast for contrast in effects.contrasts if contrast.factor == 0]
    out = np.zeros((p.meetings, p.cars, len(factor.levels)))
    steps = np.arange(len(factor.levels)) - factor.reference
    for c in own:
        place = c.place
        each = effects.mean["pace"][place] + effects.by_meeting["pace"][:, place, None]
        each = each + effects.by_driver[:, place]
        out += each[..., None] * (steps if c.is_number else steps == c.level - factor.reference)
    return out
