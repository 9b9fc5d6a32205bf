"""Outcomes that are counted, as mistakes: events a lap, by a mixed model (see `counts`)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.models.axis import Along
from pipeline.models.contrasts import Contrast
from pipeline.models.counts import CountFit, fit_counts
from pipeline.models.counts_interval import wald_interval
from pipeline.models.counts_rows import CountRows, Deviations, RandomTerm
from pipeline.models.design import (
    MEETING_BLOCK,
    Block,
    Design,
    in_condition,
    independent,
)
from pipeline.models.effects import Effect, meeting_shares, unit_weight
from pipeline.models.engine.inference import Estimate
from pipeline.models.engine.rows import Array
from pipeline.models.identify import Standing
from pipeline.models.responses import Laps
from pipeline.tables.conditions import is_per_step, parted
from pipeline.tables.outcomes import MISTAKES, Outcome

Flags = NDArray[np.bool_]
# (contrast's name, condition or meeting) -> position among the coefficients of a fit
Places = Mapping[tuple[str, ...], int]
CountFits = Mapping[str, CountFit]  # by condition variable, that over all runs as "all"


def mistake_effects(
    design: Design,
    laps: Laps,
    standings: Sequence[Standing],
    axes: Sequence[Along] = (),
    outcome: Outcome = MISTAKES,
    start: CountFit | None = None,
) -> tuple[list[Effect], dict[str, MistakeFit]]:
    """Log ratios of the rate of events for every standing, and the fits by condition variable.

    No fits where nothing ever happened. A condition's effects come from a fit with the contrasts'
    columns split by the condition. start: a fit of the same runs, from which to start.
    """
    out: list[Effect] = []
    fits: dict[str, MistakeFit] = {}
    counted = Counted(*outcome.response(laps))
    along = {axis.condition: axis for axis in axes if not axis.is_empty}
    for variable in dict.fromkeys([*(parted(s.condition)[0] for s in standings), *along]):
        chosen = [s for s in standings if parted(s.condition)[0] == variable]
        if not counted.events[counted.use].any():
            out += [Effect(outcome, s, None) for s in chosen]
            continue
        columns = chosen
        if is_per_step(variable):
            columns = [*_along_columns(standings, variable, along.get(variable)), *chosen]
        before = fits["all"].fit if fits else start
        fitted = fits[variable] = _fit(design, counted, columns, variable, before)
        for standing in chosen:
            here = counted.use & in_condition(design, standing.condition)
            out.append(_effect(outcome, fitted, standing, counted.events, here))
    return out, fits


def _along_columns(
    standings: Sequence[Standing], variable: str, along: Along | None
) -> list[Standing]:
    """The contrasts themselves, beside which the gradients stand, with curvatures and bows."""
    mains = [replace(s, condition=variable) for s in standings if s.condition == "all"]
    whose = {s.contrast.factor: s for s in mains}
    more = (*along.curvatures, *along.bows) if along else ()
    return [*mains, *(replace(whose[c.factor], contrast=c) for c in more)]


def _effect(
    outcome: Outcome, fitted: MistakeFit, standing: Standing, events: Array, here: Flags
) -> Effect:
    estimate = fitted.estimate(standing)
    remark = "" if estimate is None else _without_incident(standing.contrast, events, here)
    return Effect(outcome, standing, estimate, fitted.estimate(standing, these=True), remark)


def _without_incident(contrast: Contrast, incidents: Array, here: Flags) -> str:
    """Said where a side of the ratio has no incident to rest on; here: (R,) runs."""
    if contrast.kind == "number":
        return ""
    sides = {"it": contrast.at_level, contrast.reference: contrast.at_reference}
    for name, rows in sides.items():
        own = incidents[here & rows]
        if not own.any():
            return f"no incident in {len(own)} runs with {name}, so the ratio is a cautious guess"
    return ""


@dataclass(frozen=True)
class Counted:
    """Events and exposure of each run, (R,); runs without exposure say nothing."""

    events: Array
    exposure: Array

    @property
    def use(self) -> Flags:
        return self.exposure > 0

    @property
    def rate(self) -> Array:
        """Events a unit of exposure, (R,); NaN without exposure."""
        nothing = np.full(len(self.events), np.nan)
        return np.divide(self.events, self.exposure, out=nothing, where=self.use)


@dataclass(frozen=True)
class MistakeFit:
    """A fit, and where among its coefficients the contrasts by condition and their deviations by
    meeting stand."""

    fit: CountFit
    columns: Places
    deviations: Places

    def estimate(self, standing: Standing, these: bool = False) -> Estimate | None:
        """At the next meeting or, `these`, at the mean of the meetings that tried it."""
        L = self.combination(standing, these)
        return None if L is None else self.of(L)

    def of(self, L: Array) -> Estimate:
        """Of a combination (c,) of the coefficients."""
        found = wald_interval(self.fit, L)
        return Estimate(found.estimate, found.std_error, found.df)

    def combination(self, standing: Standing, these: bool = False) -> Array | None:
        """The effect as a sum of the coefficients, (c,); None where it cannot be told."""
        contrast = standing.contrast
        column = self.columns.get((contrast.name, standing.condition))
        if not standing.tellable or column is None:
            return None
        L = np.zeros(len(self.fit.coefficients))
        L[column] = 1.0
        for meeting, share in meeting_shares(standing, these):
            place = self.deviations.get((contrast.name, meeting))
            if place is not None:
                L[place] += share
        return L * unit_weight(contrast)[contrast.name]


def _fit(
    design: Design,
    counted: Counted,
    standings: Sequence[Standing],
    variable: str,
    before: CountFit | None,
) -> MistakeFit:
    """before: a fit of the same runs, whose SDs are near where they are the same ones."""
    use = counted.use
    split = [*_split(design, standings, variable)]
    first = design.fixed.shape[1]
    X = np.column_stack([design.fixed, *(column for _, column in split)])[use]
    kept = independent(X)
    by_meeting = _by_meeting(design)
    labels = [label for block in by_meeting for label in block.labels]
    rows = CountRows(
        counted.events[use],
        X[:, kept],
        exposure=counted.exposure[use],
        terms=_intercepts(design, use),
        varying=tuple(Deviations(block.columns[use], block.name) for block in by_meeting),
    )
    names = (*(term.name for term in rows.terms), *(one.name for one in rows.varying))
    near = before is not None and before.names == names
    fit = fit_counts(rows, start=before if near else None)
    at = {int(column): place for place, column in enumerate(kept)}
    columns: Places = {key: at[first + i] for i, (key, _) in enumerate(split) if first + i in at}
    return MistakeFit(fit, columns, {label: len(kept) + j for j, label in enumerate(labels)})


def _split(
    design: Design, standings: Sequence[Standing], variable: str
) -> Iterator[tuple[tuple[str, str], Array]]:
    """((contrast's name, condition), column (R,)) of every contrast in every condition.

    Those that get a number come first: of columns that say the same the first is kept. Runs in no
    condition keep a column too, so that what they were run with is not taken for the reference.
    """
    rest = np.full(len(design.hour), variable != "all" and not is_per_step(variable))
    for standing in sorted(standings, key=lambda s: not s.tellable):
        here = in_condition(design, standing.condition)
        rest &= ~here
        yield (
            (standing.contrast.name, standing.condition),
            np.where(here, _scaled(standing.contrast), 0.0),
        )
    for contrast in design.contrasts:
        yield (contrast.name, ""), np.where(rest, _scaled(contrast), 0.0)


def _scaled(contrast: Contrast) -> Array:
    return contrast.values / contrast.scale


def _intercepts(design: Design, use: Flags) -> tuple[RandomTerm, ...]:
    """Drivers, and drivers at meetings where those are something else."""
    terms: list[RandomTerm] = []
    for name, codes in (("driver", design.driver), ("driver at meeting", design.entry)):
        groups = np.unique(codes[use], return_inverse=True)[1]
        if 1 < groups.max() + 1 < use.sum() and not any(
            np.array_equal(groups, term.codes) for term in terms
        ):
            terms.append(RandomTerm(groups, name=name))
    return tuple(terms)


def _by_meeting(design: Design) -> list[Block]:
    """The contrasts by meeting, where several meetings tried one."""
    return [block for block in design.blocks if block.name == MEETING_BLOCK]
