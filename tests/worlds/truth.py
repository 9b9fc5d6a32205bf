"""The true value of every number that the result table may hold, from the mechanism.

Contrasts by outcome and condition, and by driver. `truth_these` speaks of the meetings that were
run: each meeting counts alike, in it each driver who ran both settings. `truth_next` speaks of the
population of meetings (grip words as often as they are drawn), for these drivers; `truth_mix` of
meetings with the grip words that were run, which differs where an effect depends on grip. Where two
factors act jointly, a contrast is its effect at the other's settings it was run with, weighted as
comparisons within driver and meeting are (n1 n0 / (n1 + n0)).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.worlds.laps import unseen_loss, usual_loss
from tests.worlds.parameters import GRIP_WORDS, RATIOS, Parameters
from tests.worlds.people import Runs
from tests.worlds.schedule import Flags, Floats, Schedule
from tests.worlds.settings import BY_GRIP, Contrast, Effects, Settings

COLUMNS = (
    "outcome", "factor", "level", "reference", "condition", "driver",
    "truth_next", "truth_mix", "truth_these", "unseen_s", "runs_at_level",
)  # fmt: skip
SEEN_FROM_S = 1.3  # an incident that costs less may pass as a clean lap
Row = tuple[str, str, str, str, str, str, float, float, float, float, int]
Three = tuple[Floats, Floats, Floats]  # next, mix, these
Value = tuple[str, str, float, float, float, float]


@dataclass(frozen=True)
class Ran:
    """The team's runs of one contrast, a cell a meeting and driver (M, C).

    `both`: where the contrast counts; `level`, `reference`: numbers of runs; `word`: mean grip
    position; `joint`: what the other factor adds to one unit of the contrast, s a lap; `rate`:
    incidents a lap at the reference; `steps`: of the contrast in one row of the table.
    """

    both: Flags
    level: Floats
    word: Floats
    joint: float
    rate: Floats
    steps: float


@dataclass(frozen=True)
class Facts:
    """All that the truth is made from; rows are the team's runs."""

    p: Parameters
    s: Schedule
    effects: Effects
    chosen: Settings
    rate: Floats
    race_laps: float


def truth_frame(
    p: Parameters, s: Schedule, effects: Effects, chosen: Settings, runs: Runs, steps: Floats
) -> pd.DataFrame:
    """`steps` (F,): of a number's contrast in one row of the table, 1 for other factors."""
    facts = _facts(p, s, effects, chosen, runs)
    rows = [
        row
        for contrast in effects.contrasts
        for row in _contrast_rows(facts, contrast, float(steps[contrast.factor]))
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _facts(p: Parameters, s: Schedule, effects: Effects, chosen: Settings, runs: Runs) -> Facts:
    team = s.of_team(p.cars)
    own = Settings(**{name: value[team] for name, value in vars(chosen).items()})
    race_laps = p.race_seconds / float(np.mean(runs.base))
    return Facts(p, s.take(team), effects, own, runs.usual_rate[team], race_laps)


def _contrast_rows(facts: Facts, contrast: Contrast, steps: float) -> Iterator[Row]:
    factor = facts.p.factors[contrast.factor]
    level = f"+{factor.step * steps:g}" if contrast.is_number else factor.levels[contrast.level]
    for condition, rows in _conditions(facts):
        ran = _ran(facts, contrast, rows, steps)
        if ran is None:
            continue
        for outcome, driver, *truths, unseen in _values(facts, contrast, condition, ran):
            yield (
                outcome, factor.name, level, factor.levels[factor.reference], condition, driver,
                *(_scaled(outcome, float(truth)) for truth in truths), unseen, int(ran.level.sum()),
            )  # fmt: skip


def _scaled(outcome: str, value: float) -> float:
    return float(np.exp(value)) if outcome in RATIOS else float(value)


def _conditions(facts: Facts) -> Iterator[tuple[str, Flags]]:
    """`all`, and each grip word and surface if there are two; the slope over grip uses all."""
    everything = np.ones(len(facts.s.driver), dtype=bool)
    yield "all", everything
    words = np.unique(facts.chosen.word)
    if len(words) > 1:
        for word in words:
            yield f"grip={GRIP_WORDS[int(word) + 1]}", facts.chosen.word == word
        yield "grip per step", everything
    surfaces = np.unique(facts.s.surface[facts.s.meeting])
    for surface in surfaces if len(surfaces) > 1 else []:
        word = ("carpet", "asphalt")[surface]
        yield f"surface={word}", facts.s.surface[facts.s.meeting] == surface


def _ran(facts: Facts, contrast: Contrast, rows: Flags, steps: float) -> Ran | None:
    """None where the level was never run."""
    column = facts.chosen.columns[:, contrast.place]
    own = facts.chosen.level[:, contrast.factor]
    reference = facts.p.factors[contrast.factor].reference
    level, base = rows & (column != 0), rows & (own == reference)
    if not level.any():
        return None
    counts = [_cells(facts, flags.astype(float)) for flags in (level, base)]
    both = (counts[0] > 0) & (counts[1] > 0)
    both = both if both.any() else counts[0] > 0
    used = level | base
    return Ran(
        both=both,
        level=counts[0],
        word=_cell_means(facts, facts.chosen.word, used),
        joint=_joint(facts, contrast, level, base),
        rate=_cell_means(facts, _rate_at_reference(facts, contrast), used),
        steps=steps,
    )


def _cells(facts: Facts, values: Floats) -> Floats:
    shape = (facts.p.meetings, facts.p.cars)
    cell = facts.s.meeting * facts.p.cars + facts.s.driver
    return np.bincount(cell, values, shape[0] * shape[1]).astype(float).reshape(shape)


def _cell_means(facts: Facts, values: Floats, used: Flags) -> Floats:
    return _cells(facts, values * used) / np.maximum(_cells(facts, used.astype(float)), 1)


def _rate_at_reference(facts: Facts, contrast: Contrast) -> Floats:
    """(n,) incidents a lap, the run's other settings as they were, luck at its mean."""
    effects, chosen = facts.effects, facts.chosen
    each = effects.mean["mistakes"] + effects.by_meeting["mistakes"][facts.s.meeting]
    each = (each + effects.slope["mistakes"] * chosen.word[:, None]) * chosen.columns
    others = each.sum(axis=1) - each[:, contrast.place]
    return facts.rate * np.exp(others)


def _joint(facts: Facts, contrast: Contrast, level: Flags, base: Flags) -> float:
    """s a lap that the first two factors' joint effect adds to one unit of this contrast."""
    effects = facts.effects
    if not effects.joint or contrast.factor > 1:
        return 0.0
    other = facts.chosen.off[:, 1 - contrast.factor]
    return (
        effects.joint * float(effects.reach[contrast.factor]) * _mean_met(facts, other, level, base)
    )


def _mean_met(facts: Facts, other: Floats, level: Flags, base: Flags) -> float:
    """Mean of the other factor's setting over the comparisons that were made."""
    values, code = np.unique(other, return_inverse=True)
    strata = facts.s.meeting * facts.p.cars + facts.s.driver
    for by in (strata * len(values) + code, code):
        n1, n0 = np.bincount(by, level), np.bincount(by, base)
        n1, n0 = np.resize(n1, max(len(n1), len(n0))), np.resize(n0, max(len(n1), len(n0)))
        weight = n1 * n0 / np.maximum(n1 + n0, 1)
        if weight.any():
            return float(weight @ values[np.arange(len(weight)) % len(values)] / weight.sum())
    return float(other[level].mean())


def _values(facts: Facts, contrast: Contrast, condition: str, ran: Ran) -> Iterator[Value]:
    """Outcome, driver, next, mix, these, unseen: on the log scale for ratios."""
    if condition == "grip per step":
        yield from _slopes(facts, contrast, ran)
        return
    cells = _cell_effects(facts, contrast, condition, ran)
    weights = {"": ran.both}
    if condition == "all":
        weights |= {f"car {n + 1}": _one_driver(ran.both, n) for n in range(facts.p.cars)}
    for driver, where in weights.items():
        if where.any():
            for outcome, (later, mix, these) in cells.items():
                unseen = _unseen(facts, cells, where) if outcome == "pace" else 0.0
                truths = (_mean(later, where), _mean(mix, where), _mean(these, where))
                yield outcome, driver, *truths, unseen


def _one_driver(both: Flags, number: int) -> Flags:
    return both & (np.arange(both.shape[1]) == number)


def _mean(cells: Floats, where: Flags) -> float:
    """Drivers alike within a meeting, then meetings alike."""
    counts = where.sum(axis=1)
    present = counts > 0
    sums = (cells * where).sum(axis=1)
    return float((sums[present] / counts[present]).mean())


def _slopes(facts: Facts, contrast: Contrast, ran: Ran) -> Iterator[Value]:
    """By how much each effect changes from one grip word to the next; of the race half a step
    either side, since a ratio of rates bends."""
    slope = {name: float(facts.effects.slope[name][contrast.place]) * ran.steps for name in BY_GRIP}
    middle = facts.effects.mean["mistakes"][contrast.place] * ran.steps
    bend = np.exp(middle) * 2 * np.sinh(slope["mistakes"] / 2)
    lost = _mean(ran.rate, ran.both) * float(bend) * usual_loss(facts.p)
    slope |= {"fade": 0.0, "race": facts.race_laps * (slope["pace"] + lost)}
    for outcome, value in slope.items():
        yield outcome, "", value, value, value, 0.0


def _cell_effects(facts: Facts, contrast: Contrast, condition: str, ran: Ran) -> dict[str, Three]:
    """Outcome -> (M, C) for the next meeting, one of the same grip words, and these."""
    effects, place, shape = facts.effects, contrast.place, ran.both.shape
    usual = ran.word if condition != "all" else np.full(shape, _usual_word(facts.p))
    out: dict[str, Three] = {}
    for outcome in (*BY_GRIP, "fade"):
        mean, slope = effects.mean[outcome][place], effects.slope[outcome][place]
        own = effects.by_driver[:, place] if outcome == "pace" else np.zeros(shape[1])
        common = mean + own[None, :] + (ran.joint if outcome == "pace" else 0.0)
        mix = common + slope * ran.word
        these = mix + effects.by_meeting[outcome][:, [place]]
        truths = (common + slope * usual, mix, these)
        out[outcome] = tuple(truth * ran.steps for truth in truths)  # type: ignore[assignment]
    out["race"] = _race(facts, contrast, ran, out)
    return out


def _usual_word(p: Parameters) -> float:
    low, _, high = p.grip_words
    return high - low


def _race(facts: Facts, contrast: Contrast, ran: Ran, cells: dict[str, Three]) -> Three:
    """Seconds over the race: clean laps, incidents at their usual loss, fade about its middle."""
    loss = usual_loss(facts.p)
    # Ratios that vary between meetings cost more on average than their middle does.
    extra = (facts.p.mistakes_meeting_sd * contrast.effect.varies * ran.steps) ** 2 / 2
    shift = (facts.race_laps - facts.s.laps[:, None]) / 2
    later, mix, these = (
        cells["pace"][n]
        + ran.rate * np.expm1(cells["mistakes"][n] + (extra if n < 2 else 0.0)) * loss
        + cells["fade"][n] * shift
        for n in range(3)
    )
    return facts.race_laps * later, facts.race_laps * mix, facts.race_laps * these


def _unseen(facts: Facts, cells: dict[str, Three], where: Flags) -> float:
    """s a lap that pace would shift if small incidents all passed as clean: 0 without them."""
    each = _mean_rate_change(facts, cells, where)
    return each * unseen_loss(facts.p, SEEN_FROM_S)


def _mean_rate_change(facts: Facts, cells: dict[str, Three], where: Flags) -> float:
    rate = _cells(facts, facts.rate) / np.maximum(_cells(facts, np.ones(len(facts.rate))), 1)
    return _mean(rate * np.expm1(cells["mistakes"][2]), where)
