"""The season's analysis: every outcome, contrast and condition, into one result."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import UserError
from pipeline.models.agreement import agreement_table
from pipeline.models.alike import alike, sentences, with_partners
from pipeline.models.axis import Along, along_condition, along_grip, gradient_standings
from pipeline.models.claims import claims_table
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
from pipeline.models.felt import Felt, every_feel, scored_alone
from pipeline.models.fitting import OutcomeFit, OutcomeFits, Response, fit_if_enough, fit_outcome
from pipeline.models.identify import Standing, standings, usable_runs
from pipeline.models.lookup import Lookup
from pipeline.models.mistakes import CountFits, MistakeFit, mistake_effects
from pipeline.models.notes import season_notes, too_few
from pipeline.models.off_line import with_bows
from pipeline.models.race import race_check, race_facts
from pipeline.models.responses import (
    Laps,
    gap_response,
    lap_tables,
    race_laps,
    response_of,
    slow_response,
)
from pipeline.models.results import (
    by_driver_table,
    cannot_tell_table,
    components_table,
    fits_table,
    lap_counts,
    needs_table,
    runs_table,
    these_table,
    trends_table,
)
from pipeline.models.second_voice import with_second_voice
from pipeline.models.stages import Progress, Watch
from pipeline.models.verdicts import Margins
from pipeline.tables.conditions import CONDITIONS
from pipeline.tables.outcomes import PACE, RACE, Outcome
from pipeline.tables.records import SeasonData, SeasonResult

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.models.earlier import Earlier

# Below this share of slow laps there is nothing that pace could have left out.
LEAST_SLOW = 0.01
SMALL_ERRORS_SHOWN = 0.01


def analyse(
    data: SeasonData,
    *,
    outcomes: Collection[str] | None = None,
    conditions: Collection[str] | None = None,
    by_driver: bool = True,
    second_opinion: bool = False,
    progress: Progress | None = None,
) -> SeasonResult:
    """Analyse one class's season.

    outcomes, conditions: names of those to look at; None for all that the data know. by_driver:
    with the effects for each driver. progress: called with a stage's name.
    Outcomes are fitted side by side on the processors there are; the numbers do not depend on it.
    Raises UserError where no run can be used.
    """
    watch = Watch(progress, workers=os.cpu_count() or 1)
    found = estimate(data, outcomes, conditions, watch)
    return whole_result(found, by_driver, watch, second_opinion)


def whole_result(
    found: Found, by_driver: bool, watch: Watch, second_opinion: bool = False
) -> SeasonResult:
    """All tables of what was estimated; by_driver: with the effects for each driver."""
    result = watch("tables", lambda: _tables(found, by_driver))
    if second_opinion:
        from pipeline.models.second import second_opinion as ask

        table, note = watch("second opinion", lambda: ask(found.design, found.laps, found.pace))
        result = replace(result, second_opinion=table, second_opinion_note=note)
    return replace(result, timings=dict(watch.seconds))


def effects_alone(
    data: SeasonData,
    *,
    outcomes: Collection[str] | None = None,
    conditions: Collection[str] | None = None,
) -> pd.DataFrame:
    """The effects table of `analyse`, without the other tables: for studies of many seasons."""
    return estimate(data, outcomes, conditions).effects_table()


@dataclass(frozen=True)
class Found:
    """All that is estimated of a season. axes: that of grip, then those of further conditions.
    fits, mistakes: of the clock's outcomes. effects: of all outcomes; felt: by feel. earlier: the
    seasons before it that spoke; past: what all of them say; narrowed: see
    models.earlier.narrowing; own: the same without them."""

    data: SeasonData
    design: Design
    laps: Laps
    standings: list[Standing]
    axes: tuple[Along, ...]
    fits: dict[str, OutcomeFits]
    effects: list[Effect]
    mistakes: dict[str, dict[str, MistakeFit]]
    margins: Margins
    in_race: float
    earlier: tuple[str, ...] = ()
    past: tuple[Earlier, ...] = ()
    narrowed: tuple[float, float] | None = None
    own: Found | None = None
    felt: Mapping[str, Felt] = field(default_factory=dict)

    @property
    def along(self) -> Along:
        """The axis of grip."""
        return self.axes[0]

    @property
    def counts(self) -> dict[str, CountFits]:
        """The fits of mistakes by condition variable."""
        return {
            outcome: {name: one.fit for name, one in fits.items()}
            for outcome, fits in self.mistakes.items()
        }

    def with_shuffles(self) -> Found:
        """With what shuffled logs say of each effect."""
        felt = [effect for effect in self.effects if effect.outcome in self.felt]  # they have it
        clock = [effect for effect in self.effects if effect.outcome not in self.felt]
        told = with_second_voice(self.design, self.laps, self.fits, clock, self.axes)
        return replace(self, effects=[*told, *felt])

    def effects_table(self) -> pd.DataFrame:
        """The table schema.EFFECTS."""
        return effects_table(self.effects, self.margins, self.data.meetings_planned)

    @cached_property
    def pace(self) -> OutcomeFit:
        """The fit of pace over all conditions, which grip and corrected times come from."""
        if "pace" in self.fits:
            return self.fits["pace"].base
        return fit_outcome(self.design, response_of(PACE, self.laps))

    @cached_property
    def gap(self) -> OutcomeFit | None:
        """Of what a race holds beside pace and incidents; None where the runs are too few."""
        return fit_if_enough(self.design, gap_response(self.laps))

    def runs_table(self) -> pd.DataFrame:
        """All runs with their corrected times, see SeasonResult."""
        corrected = corrected_times(self.design, self.pace, self.laps)
        return runs_table(self.data, self.design, corrected)

    def by_driver_table(self, asked: bool = True) -> pd.DataFrame:
        """Effects for each driver, see SeasonResult; no rows where nobody asked for them."""
        linear = {name: one.base for name, one in self.fits.items() if asked}
        own = by_driver_table(self.design, self.data.outcomes, linear, self.standings)
        feels = [one.found.by_driver_table(asked) for one in self.felt.values() if one.found]
        return _stacked([own, *feels])

    @property
    def every_fit(self) -> dict[str, OutcomeFits]:
        """Those of the clock, then those of feels."""
        feels = [one.found.fits for one in self.felt.values() if one.found]
        return self.fits | {name: fits for one in feels for name, fits in one.items()}

    def agreement_table(self) -> pd.DataFrame | None:
        """How far each driver's feel goes with the clock, see SeasonResult."""
        if not self.felt:
            return None
        seconds = corrected_times(self.design, self.pace, self.laps).seconds
        return agreement_table(self.design.runs.assign(corrected_s=seconds), self.data.feels)

    def claims_table(self) -> pd.DataFrame:
        """What became of the claims, see SeasonResult."""
        data = self.data
        lookup = Lookup(self.fits, self.effects, self.standings, data.factors, self.mistakes)
        return claims_table(self.data.claims, lookup, self.margins)

    def notes(self) -> tuple[str, ...]:
        """Sentences about this data set."""
        labels = {axis.condition: axis.label for axis in self.axes}
        same = sentences(alike(self.design, self.standings, self.axes), labels)
        asked = dict.fromkeys(effect.of for effect in self.effects)
        few = [o.name for o in asked if not (o.is_counted or o.is_felt) and o.name not in self.fits]
        if "race" in self.fits and self.gap is None:
            few.append("what a race holds beside pace and incidents")
        about = season_notes(self.design, self.every_fit, self.counts, self.laps)
        felt = (note for one in self.felt.values() for note in one.notes)
        return (*about, *too_few(few, len(self.design.hour)), *same, *felt)


def estimate(
    data: SeasonData,
    outcomes: Collection[str] | None = None,
    conditions: Collection[str] | None = None,
    watch: Watch | None = None,
    near: Found | None = None,
) -> Found:
    """Fit these outcomes, overall and by these conditions, and nothing else; see `analyse`.

    near: of much the same data, from whose variances the fits start.
    Raises UserError where no run can be used, or none is long enough for any of the outcomes.
    """
    watch = watch or Watch(None)
    found = fit_season(data, outcomes, conditions, watch, near)
    return watch("shuffles", found.with_shuffles)


def fit_season(
    data: SeasonData,
    outcomes: Collection[str] | None,
    conditions: Collection[str] | None,
    watch: Watch,
    near: Found | None = None,
) -> Found:
    """The same, whose effects do not yet have what shuffled logs say of them."""
    index = usable_runs(data)
    if not len(index):
        raise UserError(
            "no run can be used: none outside excluded sessions has two clean laps; "
            "see `backtoback check`"
        )
    design = watch("design", lambda: build_design(data, index))
    laps = watch("laps", lambda: lap_tables(data, design))
    chosen = [o for o in data.outcomes if outcomes is None or o.name in outcomes]
    variables = [
        name for name in _condition_variables(design) if conditions is None or name in conditions
    ]
    everything = watch("identify", lambda: _all_standings(design, data, variables))
    axes = _axes(design, data, conditions, everything)
    if PACE in chosen:
        pace, grip = response_of(PACE, laps), axes[0]
        axes = (watch("axes", lambda: with_bows(design, pace, everything, grip)), *axes[1:])
    everything += [s for axis in axes for s in gradient_standings(everything, axis)]
    everything = with_partners(everything, alike(design, everything, axes))
    in_race = race_laps(laps, data.race_seconds)
    jobs: dict[str, Callable[[], tuple[list[Effect], Any]]] = {}
    linear = [o for o in chosen if not o.is_counted]
    for outcome in linear:
        factor = in_race if outcome.is_over_race else 1.0
        jobs[outcome.name] = partial(
            _outcome, design, laps, outcome, variables, factor, everything, axes, near
        )
    for outcome in chosen:
        if outcome.is_counted:
            jobs[outcome.name] = partial(mistake_effects, design, laps, everything, axes, outcome)
    done = watch.side_by_side(jobs, [design, laps, *everything, *axes, *chosen])
    effects = [effect for outcome in chosen for effect in done[outcome.name][0]]
    fitted = {o.name: found for o in linear if (found := done[o.name][1])}
    if linear and not fitted and linear == chosen:
        raise UserError(
            f"no run has clean laps enough to tell {' or '.join(done)}, or the runs are too few, "
            "or too much alike"
        )
    mistakes = {o.name: found for o in chosen if o.is_counted and (found := done[o.name][1])}
    margins = Margins(data.worthwhile_s, in_race)
    found = Found(data, design, laps, everything, axes, fitted, effects, mistakes, margins, in_race)
    feels = every_feel(found, partial(estimate, conditions=conditions), outcomes)
    effects = [*effects, *(effect for one in feels.values() for effect in one.effects)]
    return replace(found, effects=effects, felt=feels)


def with_other_log(found: Found, data: SeasonData, shuffles: int) -> list[Effect]:
    """The effects over all conditions of the same runs and laps with other settings, those at the
    next meeting alone.

    Each fit starts from that of `found`; the numbers are those of an analysis from the start.
    """
    design = build_design(data, found.design.index)
    everything = _all_standings(design, data, [])
    fits, effects = {}, []
    for outcome in [o for o in data.outcomes if o.name in found.fits]:
        before = found.fits[outcome.name]
        base = fit_if_enough(design, before.base.response, start=before.base.variances)
        if base is None:
            continue
        fits[outcome.name] = OutcomeFits(base, {}, before.factor)
        effects += linear_effects(outcome, base, {}, everything, before.factor, these=False)
    for outcome in data.outcomes:
        if outcome.is_counted:
            near = found.counts.get(outcome.name, {}).get("all")
            effects += mistake_effects(design, found.laps, everything, (), outcome, near)[0]
    effects = with_second_voice(design, found.laps, fits, effects, count=shuffles)
    for feel in data.feels:
        own = found.felt[feel.name].found if feel.name in found.felt else None
        if own is not None:
            effects += with_other_log(own, scored_alone(found, data, feel), shuffles)
    return effects


def _stacked(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The rows of all; an empty table says nothing of its columns' kinds."""
    import pandas as pd

    full = [table for table in tables if len(table)]
    return pd.concat(full, ignore_index=True) if full else tables[0]


def _condition_variables(design: Design) -> list[str]:
    """Conditions of which the team's runs have seen two or more."""
    team = design.runs[design.team]
    return [c for c in CONDITIONS if c in team and team[c].dropna().nunique() >= 2]


def _axes(
    design: Design,
    data: SeasonData,
    conditions: Collection[str] | None,
    everything: Sequence[Standing],
) -> tuple[Along, ...]:
    """Of grip, then of the further conditions asked for (None: all)."""
    grip = along_grip(design, everything)
    further = (
        along_condition(design, one, everything, grip)
        for one in data.conditions
        if conditions is None or one.name in conditions
    )
    return grip, *filter(None, further)


def _all_standings(design: Design, data: SeasonData, variables: Sequence[str]) -> list[Standing]:
    out = standings(design, data.factors, "all", np.ones(len(design.hour), bool))
    for variable in variables:
        values = design.runs[variable].astype(object).to_numpy()
        words = {v for v in values[design.team] if isinstance(v, str)}
        present = sorted(words, key=CONDITIONS[variable].place)
        for value in present:
            out += standings(design, data.factors, f"{variable}={value}", values == value)
    return out


def _outcome(
    design: Design,
    laps: Laps,
    outcome: Outcome,
    variables: Sequence[str],
    factor: float,
    everything: Sequence[Standing],
    axes: Sequence[Along],
    near: Found | None = None,
) -> tuple[list[Effect], OutcomeFits | None]:
    """The effects on one outcome, and the fits that they come from: None where the runs are too
    few, too short or too much alike for it.
    """
    before = near.fits.get(outcome.name) if near else None
    fits = _fits(design, response_of(outcome, laps), variables, factor, axes, before)
    if fits is None:
        return [Effect(outcome, standing, None) for standing in everything], None
    others = {**fits.by_variable, **fits.axes}
    effects = linear_effects(outcome, fits.base, others, everything, factor)
    told = {id(effect.standing) for effect in effects}
    effects += [Effect(outcome, one, None) for one in everything if id(one) not in told]
    if outcome.name == PACE.name and laps.slow.mean() >= LEAST_SLOW:
        effects = _with_small_errors(design, laps, everything, effects)
    return effects, fits


def _with_small_errors(
    design: Design, laps: Laps, everything: Sequence[Standing], effects: Sequence[Effect]
) -> list[Effect]:
    """The effects on pace, each with a remark where the level has more or fewer slow laps."""
    fit = fit_if_enough(design, slow_response(laps))
    if fit is None:
        return list(effects)
    out = []
    found = {id(e.standing): e.estimate for e in linear_effects(PACE, fit, {}, everything)}
    for effect in effects:
        slow = found.get(id(effect.standing))
        if slow is not None and slow.p_value <= SMALL_ERRORS_SHOWN:
            word = "more" if slow.estimate > 0 else "fewer"
            share = 100 * abs(slow.estimate)
            effect = replace(
                effect,
                remark=f"{word} small errors with it: about {share:.1f} {word} slow laps in a "
                "hundred, which pace leaves out and race holds",
            )
        out.append(effect)
    return out


def _fits(
    design: Design,
    response: Response,
    variables: Sequence[str],
    factor: float,
    axes: Sequence[Along],
    before: OutcomeFits | None = None,
) -> OutcomeFits | None:
    base = fit_if_enough(design, response, start=before.base.variances if before else None)
    if base is None:
        return None
    start = base.variances
    blocks = {variable: _condition_blocks(design, variable) for variable in variables}
    by_variable = {
        variable: fit
        for variable in variables
        if (fit := fit_if_enough(design, response, blocks[variable], start))
    }
    surfaces = blocks.get("surface", ())
    along = {
        axis.condition: fit
        for axis in axes
        if not axis.is_empty
        and (fit := fit_if_enough(axis.design(design), response, surfaces, start))
    }
    return OutcomeFits(base, by_variable, factor, along)


def _condition_blocks(design: Design, variable: str) -> list[Block]:
    values = design.runs[variable].astype(object)
    names = sorted(values.dropna().unique())
    codes = np.array([names.index(v) if isinstance(v, str) else -1 for v in values])
    return condition_blocks(design.contrasts, variable, codes, names, design.entry)


def _tables(found: Found, by_driver: bool) -> SeasonResult:
    data, fits = found.data, found.fits
    return SeasonResult(
        effects=found.effects_table(),
        runs=found.runs_table(),
        grip=grip_table(found.design, found.pace),
        by_driver=found.by_driver_table(by_driver),
        trends=trends_table(data.factors, data.outcomes, fits, found.standings),
        claims=found.claims_table(),
        cannot_tell=cannot_tell_table(found.standings),
        needs=needs_table(found.effects, found.margins),
        components=components_table(found.every_fit, found.counts),
        fits=fits_table(found.every_fit, found.counts),
        race_check=_race_check(found),
        lap_counts=lap_counts(data),
        these=these_table(found.effects),
        agreement=found.agreement_table(),
        notes=found.notes(),
    )


def _race_check(found: Found) -> pd.DataFrame:
    effects, laps = found.effects, found.laps
    parts: dict[str, dict[tuple[str, str], Estimate]] = {"pace": {}, "fade": {}, "mistakes": {}}
    for effect in effects:
        contrast = effect.standing.contrast
        if effect.standing.condition == "all" and effect.outcome in parts and effect.estimate:
            parts[effect.outcome][contrast.factor, contrast.level] = effect.estimate
    direct = [effect for effect in effects if effect.outcome == "race"]
    gap = found.gap
    between = {
        (e.standing.contrast.factor, e.standing.contrast.level): e.estimate
        for e in (linear_effects(RACE, gap, {}, found.standings, found.in_race) if gap else ())
        if e.estimate
    }
    facts = race_facts(laps, found.in_race)
    return race_check(direct, parts, between, facts, np.random.default_rng(1))
