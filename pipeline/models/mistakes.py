"""Mistakes: incidents a lap, by a mixed model of counts (see `counts`)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.models.contrasts import Contrast
from pipeline.models.counts import CountFit, fit_counts
from pipeline.models.counts_interval import wald_interval
from pipeline.models.counts_rows import CountRows, Deviations, RandomTerm
from pipeline.models.design import Block, Design, independent, meeting_block_name
from pipeline.models.effects import Effect, meeting_shares, unit_weight
from pipeline.models.engine.inference import Estimate
from pipeline.models.engine.rows import Array
from pipeline.models.identify import Standing
from pipeline.models.responses import Laps

Flags = NDArray[np.bool_]
# (contrast's name, condition or meeting) -> position among the coefficients of a fit
Places = Mapping[tuple[str, ...], int]


def mistake_effects(
    design: Design, laps: Laps, standings: Sequence[Standing], start: CountFit | None = None
) -> tuple[list[Effect], dict[str, CountFit]]:
    """Log ratios of the incident rate for every standing, and the fits by condition variable.

    No fits where nothing ever happened. A condition's effects come from a fit with the contrasts'
    columns split by the condition. start: a fit of the same runs, from which to start.
    """
    out: list[Effect] = []
    fits: dict[str, CountFit] = {}
    use = laps.timed > 0
    happened = laps.incidents[use].any()
    for variable in dict.fromkeys(s.condition.split("=")[0] for s in standings):
        chosen = [s for s in standings if s.condition.split("=")[0] == variable]
        if not happened:
            out += [Effect("mistakes", s, None) for s in chosen]
            continue
        fitted = _fit(design, laps, use, chosen, variable, fits.get("all", start))
        fits[variable] = fitted.fit
        out += [_effect(design, laps.incidents, use, fitted, s) for s in chosen]
    return out, fits


def _effect(
    design: Design, incidents: Array, use: Flags, fitted: _Fitted, standing: Standing
) -> Effect:
    estimate = fitted.estimate(standing)
    here = use & _in_condition(design, standing.condition)
    remark = "" if estimate is None else _without_incident(standing.contrast, incidents, here)
    return Effect("mistakes", standing, estimate, fitted.estimate(standing, these=True), remark)


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
class _Fitted:
    """A fit, and where among its coefficients the contrasts by condition and their deviations by
    meeting stand."""

    fit: CountFit
    columns: Places
    deviations: Places

    def estimate(self, standing: Standing, these: bool = False) -> Estimate | None:
        """At the next meeting or, `these`, at the mean of the meetings that tried it."""
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
        found = wald_interval(self.fit, L * unit_weight(contrast)[contrast.name])
        return Estimate(found.estimate, found.std_error, found.df)


def _fit(
    design: Design,
    laps: Laps,
    use: Flags,
    standings: Sequence[Standing],
    variable: str,
    before: CountFit | None,
) -> _Fitted:
    """before: a fit of the same runs, whose SDs are near where they are the same ones."""
    split = [*_split(design, standings, variable)]
    first = design.fixed.shape[1]
    X = np.column_stack([design.fixed, *(column for _, column in split)])[use]
    kept = independent(X)
    by_meeting = _by_meeting(design)
    labels = [label for block in by_meeting for label in block.labels]
    rows = CountRows(
        laps.incidents[use],
        X[:, kept],
        exposure=laps.timed[use],
        terms=_intercepts(design, use),
        varying=tuple(Deviations(block.columns[use], block.name) for block in by_meeting),
    )
    names = *(term.name for term in rows.terms), *(one.name for one in rows.varying)
    near = before is not None and before.names == names
    fit = fit_counts(rows, start=before if near else None)
    at = {int(column): place for place, column in enumerate(kept)}
    columns: Places = {key: at[first + i] for i, (key, _) in enumerate(split) if first + i in at}
    return _Fitted(fit, columns, {label: len(kept) + j for j, label in enumerate(labels)})


def _split(
    design: Design, standings: Sequence[Standing], variable: str
) -> Iterator[tuple[tuple[str, str], Array]]:
    """((contrast's name, condition), column (R,)) of every contrast in every condition.

    Those that get a number come first: of columns that say the same the first is kept. Runs in no
    condition keep a column too, so that what they were run with is not taken for the reference.
    """
    rest = np.full(len(design.hour), variable != "all")
    for standing in sorted(standings, key=lambda s: not s.tellable):
        here = _in_condition(design, standing.condition)
        rest &= ~here
        yield (
            (standing.contrast.name, standing.condition),
            np.where(here, _scaled(standing.contrast), 0.0),
        )
    for contrast in design.contrasts:
        yield (contrast.name, ""), np.where(rest, _scaled(contrast), 0.0)


def _scaled(contrast: Contrast) -> Array:
    return contrast.values / contrast.scale


def _in_condition(design: Design, condition: str) -> Flags:
    """Runs of the condition, (R,)."""
    variable, _, value = condition.partition("=")
    if not value:
        return np.ones(len(design.hour), bool)
    return np.asarray(design.runs[variable].astype(object).to_numpy() == value)


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
    """The contrasts by meeting, a block a factor that several meetings tried."""
    wanted = {meeting_block_name(contrast.factor) for contrast in design.contrasts}
    return [block for block in design.blocks if block.name in wanted]
