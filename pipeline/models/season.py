"""The season's analysis: every outcome, contrast and condition, into one result."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import UserError
from pipeline.models.claims import claims_table
from pipeline.models.counts import CountFit
from pipeline.models.curves import corrected_times, grip_table
from pipeline.models.design import (
    Block,
    Design,
    build_design,
    condition_block_name,
    condition_blocks,
)
from pipeline.models.effects import (
    Effect,
    effects_table,
    linear_effects,
    scaled,
)
from pipeline.models.fitting import OutcomeFit, Response, fit_outcome
from pipeline.models.identify import Standing, standings, usable_runs
from pipeline.models.inference import Estimate
from pipeline.models.mistakes import mistake_effects
from pipeline.models.race import RaceFacts, race_check
from pipeline.models.responses import (
    Laps,
    fade_response,
    lap_tables,
    pace_response,
    race_laps,
    race_response,
    spread_response,
)
from pipeline.models.results import (
    by_driver_table,
    cannot_tell_table,
    components_table,
    fits_table,
    lap_counts,
    needs_table,
    runs_table,
    trends_table,
)
from pipeline.models.tables import SeasonData, SeasonResult
from pipeline.models.verdicts import Margins
from pipeline.schema import CONDITIONS, OUTCOMES

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str], None]
RESPONSES: dict[str, Callable[[Laps], Response]] = {
    "pace": pace_response,
    "spread": spread_response,
    "fade": fade_response,
    "race": race_response,
}


@dataclass(frozen=True)
class OutcomeFits:
    """All fits of a mixed-model outcome: over everything, and one a condition variable."""

    base: OutcomeFit
    by_variable: Mapping[str, OutcomeFit]
    factor: float


def analyse(
    data: SeasonData,
    *,
    outcomes: Sequence[str] = OUTCOMES,
    conditions: bool = True,
    by_driver: bool = True,
    second_opinion: bool = False,
    progress: Progress | None = None,
) -> SeasonResult:
    """Analyse one class's season.

    outcomes, conditions, by_driver: what to do of it. progress: called with a stage's name.
    Outcomes are fitted side by side on the processors there are; the numbers do not depend on it.
    Raises UserError where no run can be used.
    """
    watch = _Watch(progress, workers=os.cpu_count() or 1)
    found = _estimate_all(data, outcomes, conditions, watch)
    result = watch("tables", lambda: _result(found, by_driver))
    if second_opinion:
        from pipeline.models.second import second_opinion as ask

        table, note = watch(
            "second opinion", lambda: ask(found.design, found.laps, found.fits["pace"].base)
        )
        result = replace(result, second_opinion=table, second_opinion_note=note)
    return replace(result, timings=dict(watch.seconds))


def effects_alone(
    data: SeasonData, *, outcomes: Sequence[str] = OUTCOMES, conditions: bool = True
) -> pd.DataFrame:
    """The effects table of `analyse`, without the other tables: for studies of many seasons."""
    found = _estimate_all(data, outcomes, conditions, _Watch(None))
    return effects_table(found.effects, found.margins)


@dataclass(frozen=True)
class _Found:
    """All that is estimated of a season."""

    data: SeasonData
    design: Design
    laps: Laps
    standings: list[Standing]
    fits: dict[str, OutcomeFits]
    effects: list[Effect]
    counts: CountFit | None
    margins: Margins
    in_race: float


def _estimate_all(
    data: SeasonData, outcomes: Sequence[str], conditions: bool, watch: _Watch
) -> _Found:
    index = usable_runs(data)
    if not len(index):
        raise UserError(
            "no run can be used: none outside excluded sessions has two clean laps; "
            "see `backtoback check`"
        )
    design = watch("design", lambda: build_design(data, index))
    laps = watch("laps", lambda: lap_tables(data, design))
    variables = _condition_variables(design) if conditions else []
    everything = watch("identify", lambda: _all_standings(design, data, variables))
    in_race = race_laps(laps, data.race_seconds)
    jobs: dict[str, Callable[[], tuple[list[Effect], Any]]] = {}
    for outcome in [name for name in RESPONSES if name in {*outcomes, "pace"}]:
        factor = in_race if outcome == "race" else 1.0
        jobs[outcome] = partial(_outcome, design, laps, outcome, variables, factor, everything)
    if "mistakes" in outcomes:
        jobs["mistakes"] = partial(mistake_effects, design, laps, everything)
    done = watch.side_by_side(jobs)
    effects = [effect for name in OUTCOMES if name in outcomes for effect in done[name][0]]
    counts: CountFit | None = done["mistakes"][1] if "mistakes" in done else None
    fits = {name: found for name, (_, found) in done.items() if name != "mistakes"}
    margins = Margins.of(data.worthwhile_s, in_race)
    return _Found(data, design, laps, everything, fits, effects, counts, margins, in_race)


class _Watch:
    """Times the stages and says which one runs. workers: how many jobs may run at a time."""

    def __init__(self, progress: Progress | None, workers: int = 1) -> None:
        self.progress = progress
        self.workers = workers
        self.seconds: dict[str, float] = {}

    def __call__(self, stage: str, work: Callable[[], Any]) -> Any:
        if self.progress is not None:
            self.progress(stage)
        started = time.perf_counter()
        done = work()
        self.seconds[stage] = time.perf_counter() - started
        return done

    def side_by_side(self, jobs: Mapping[str, Callable[[], Any]]) -> dict[str, Any]:
        """What independent jobs give; their seconds are of processor time."""
        if self.progress is not None:
            self.progress("fits")
        with ThreadPoolExecutor(min(self.workers, len(jobs))) as pool:
            running = {name: pool.submit(self._timed, name, job) for name, job in jobs.items()}
            return {name: job.result() for name, job in running.items()}

    def _timed(self, name: str, job: Callable[[], Any]) -> Any:
        started = time.thread_time()
        done = job()
        self.seconds[name] = time.thread_time() - started
        return done


def _condition_variables(design: Design) -> list[str]:
    """Conditions of which the team's runs have seen two or more."""
    team = design.runs[design.team]
    return [name for name in CONDITIONS if team[name].dropna().nunique() >= 2]


def _all_standings(design: Design, data: SeasonData, variables: Sequence[str]) -> list[Standing]:
    out = standings(design, data.factors, "all", np.ones(len(design.hour), bool))
    for variable in variables:
        values = design.runs[variable].astype(object).to_numpy()
        present = sorted({v for v in values[design.team] if isinstance(v, str)}, key=_grip_order)
        for value in present:
            out += standings(design, data.factors, f"{variable}={value}", values == value)
    return out


def _grip_order(value: str) -> tuple[int, str]:
    words = ("low", "medium", "high")
    return (words.index(value) if value in words else len(words), value)


def _outcome(
    design: Design,
    laps: Laps,
    outcome: str,
    variables: Sequence[str],
    factor: float,
    everything: Sequence[Standing],
) -> tuple[list[Effect], OutcomeFits]:
    """The effects on one outcome, and the fits that they come from."""
    fits = _fits(design, laps, outcome, variables, factor)
    return linear_effects(outcome, fits.base, fits.by_variable, everything, factor), fits


def _fits(
    design: Design, laps: Laps, outcome: str, variables: Sequence[str], factor: float
) -> OutcomeFits:
    response = RESPONSES[outcome](laps)
    base = fit_outcome(design, response)
    start = dict(zip(base.fit.names, base.fit.theta, strict=True))
    by_variable = {}
    for variable in variables:
        blocks = _condition_blocks(design, variable)
        names = [block.name for block in blocks]
        guess = start | dict.fromkeys(names, _guess(start))
        by_variable[variable] = fit_outcome(design, response, blocks, guess)
    return OutcomeFits(base, by_variable, factor)


def _condition_blocks(design: Design, variable: str) -> list[Block]:
    values = design.runs[variable].astype(object)
    names = sorted(values.dropna().unique())
    codes = np.array([names.index(v) if isinstance(v, str) else -1 for v in values])
    return condition_blocks(design.contrasts, variable, codes, names)


def _guess(start: Mapping[str, float]) -> float:
    return max(start.get("run", 0.0) / 4, 1e-8)


def _result(found: _Found, by_driver: bool) -> SeasonResult:
    data, design, fits = found.data, found.design, found.fits
    pace = fits["pace"].base
    corrected = corrected_times(design, pace, found.laps)
    lookup = _Lookup(fits, found.effects, found.standings)
    linear = {name: one.base for name, one in fits.items()} if by_driver else {}
    return SeasonResult(
        effects=effects_table(found.effects, found.margins),
        runs=runs_table(data, design, corrected),
        grip=grip_table(design, pace),
        by_driver=by_driver_table(design, linear, found.standings),
        trends=trends_table(data.factors, fits, found.standings),
        claims=claims_table(data.claims, lookup, found.margins),
        cannot_tell=cannot_tell_table(found.standings),
        needs=needs_table(found.effects, found.margins),
        components=components_table(fits, found.counts),
        fits=fits_table(fits, found.counts),
        race_check=_race_check(found.effects, found.laps, found.in_race),
        lap_counts=lap_counts(data),
        notes=_notes(design, fits, found.laps),
    )


def _race_check(effects: Sequence[Effect], laps: Laps, in_race: float) -> Any:
    parts: dict[str, dict[tuple[str, str], Estimate]] = {"pace": {}, "fade": {}, "mistakes": {}}
    for effect in effects:
        contrast = effect.standing.contrast
        if effect.standing.condition == "all" and effect.outcome in parts and effect.estimate:
            parts[effect.outcome][contrast.factor, contrast.level] = effect.estimate
    direct = [effect for effect in effects if effect.outcome == "race"]
    facts = RaceFacts(
        laps=in_race,
        incident_rate=float(laps.incidents.sum() / max(laps.timed.sum(), 1.0)),
        incident_cost=laps.incident_cost,
        mean_lap=float(laps.clean.mean_lap[laps.clean.n > 0].mean()),
    )
    return race_check(direct, parts, facts, np.random.default_rng(1))


@dataclass(frozen=True)
class _Lookup:
    """Estimates of level `to` against level `from_`, for the claims."""

    fits: Mapping[str, OutcomeFits]
    effects: Sequence[Effect]
    everything: Sequence[Standing]

    def __call__(
        self, outcome: str, factor: str, from_: str, to: str, condition: str
    ) -> tuple[Estimate | None, int]:
        own = {
            s.contrast.level: s
            for s in self.everything
            if s.contrast.factor == factor and s.condition == condition
        }
        number = own.get("+1")
        if number is not None:
            return self._number(outcome, number, from_, to)
        weights: dict[str, float] = {}
        switches = []
        for level, sign in ((to, 1.0), (from_, -1.0)):
            standing = own.get(level)
            if standing is not None:
                if not standing.tellable:
                    return None, 0
                weights |= {standing.contrast.name: sign}
                switches.append(standing.own_switches)
        if not weights:
            return None, 0
        return self._estimate(outcome, weights, condition, own), min(switches)

    def _number(
        self, outcome: str, standing: Standing, from_: str, to: str
    ) -> tuple[Estimate | None, int]:
        found = self._of(outcome, standing)
        if found is None:
            return None, 0
        return scaled(found, float(to) - float(from_)), standing.own_switches

    def _of(self, outcome: str, standing: Standing) -> Estimate | None:
        for effect in self.effects:
            if effect.outcome == outcome and effect.standing is standing:
                return effect.estimate
        return None

    def _estimate(
        self,
        outcome: str,
        weights: Mapping[str, float],
        condition: str,
        own: Mapping[str, Standing],
    ) -> Estimate | None:
        if len(weights) == 1:
            ((name, sign),) = weights.items()
            standing = next(s for s in own.values() if s.contrast.name == name)
            found = self._of(outcome, standing)
            return None if found is None else scaled(found, sign)
        if outcome not in self.fits:
            return None
        fits = self.fits[outcome]
        variable, _, value = condition.partition("=")
        fitted = fits.by_variable[variable] if value else fits.base
        factor = next(iter(own.values())).contrast.factor
        groups = [(condition_block_name(factor, variable), value, 1.0)] if value else []
        combination = fitted.combination(weights, groups)
        if combination is None:
            return None
        return scaled(fitted.estimates([combination])[0], fits.factor)


def _notes(design: Design, fits: Mapping[str, OutcomeFits], laps: Laps) -> tuple[str, ...]:
    out = []
    for meeting, rows in design.runs.groupby("meeting", sort=False):
        if rows["team"].all():
            out.append(
                f"{meeting}: only the team's own cars ran. Grip is known from them alone, so that "
                "changes made with the clock cannot be told from it."
            )
        if not rows["hour_known"].all():
            out.append(
                f"{meeting}: the export gives no time of day for some sessions; their order in "
                "the day serves as time."
            )
    for outcome, found in fits.items():
        for fitted in (found.base, *found.by_variable.values()):
            if not fitted.fit.converged:
                out.append(f"The {outcome} model: {fitted.fit.message}. Read it with care.")
    if not laps.incidents.any():
        out.append("No lap was lost to an incident: mistakes cannot be compared.")
    return tuple(dict.fromkeys(out))
