"""The season's analysis: every outcome, contrast and condition, into one result."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
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
    condition_blocks,
)
from pipeline.models.effects import (
    Effect,
    effects_table,
    linear_effects,
)
from pipeline.models.engine.inference import Estimate
from pipeline.models.fitting import OutcomeFits, Response, fit_outcome
from pipeline.models.identify import Standing, standings, usable_runs
from pipeline.models.lookup import Lookup
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
from pipeline.models.stages import Progress, Watch
from pipeline.models.verdicts import Margins
from pipeline.tables.records import SeasonData, SeasonResult
from pipeline.tables.schema import CONDITIONS, OUTCOMES

if TYPE_CHECKING:
    import pandas as pd

RESPONSES: dict[str, Callable[[Laps], Response]] = {
    "pace": pace_response,
    "spread": spread_response,
    "fade": fade_response,
    "race": race_response,
}


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
    watch = Watch(progress, workers=os.cpu_count() or 1)
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
    found = _estimate_all(data, outcomes, conditions, Watch(None))
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
    data: SeasonData, outcomes: Sequence[str], conditions: bool, watch: Watch
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
    fits = {name: found for name, (_, found) in done.items() if name != "mistakes" and found}
    margins = Margins.of(data.worthwhile_s, in_race)
    return _Found(data, design, laps, everything, fits, effects, counts, margins, in_race)


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
) -> tuple[list[Effect], OutcomeFits | None]:
    """The effects on one outcome, and the fits that they come from: None where no run is long
    enough for it.
    """
    response = RESPONSES[outcome](laps)
    if not response.is_run.any():
        return [Effect(outcome, standing, None) for standing in everything], None
    fits = _fits(design, response, variables, factor)
    return linear_effects(outcome, fits.base, fits.by_variable, everything, factor), fits


def _fits(
    design: Design, response: Response, variables: Sequence[str], factor: float
) -> OutcomeFits:
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
    lookup = Lookup(fits, found.effects, found.standings)
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
