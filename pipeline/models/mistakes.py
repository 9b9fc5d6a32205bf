"""Mistakes: incidents a lap, by a mixed model of counts (see `counts`)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.models.contrasts import Contrast
from pipeline.models.counts import CountFit, CountRows, RandomTerm, fit_counts
from pipeline.models.counts_interval import wald_interval
from pipeline.models.design import Design, independent
from pipeline.models.effects import Effect
from pipeline.models.engine.inference import Estimate
from pipeline.models.engine.rows import Array
from pipeline.models.identify import Standing
from pipeline.models.responses import Laps


def mistake_effects(
    design: Design, laps: Laps, standings: Sequence[Standing]
) -> tuple[list[Effect], CountFit | None]:
    """Log ratios of the incident rate for every standing; None where nothing ever happened.

    A condition's effects come from a fit with the contrast's column split by the condition.
    """
    out: list[Effect] = []
    base: CountFit | None = None
    for variable in dict.fromkeys(s.condition.split("=")[0] for s in standings):
        chosen = [s for s in standings if s.condition.split("=")[0] == variable]
        fit, columns = _fit(design, laps, chosen, variable, base)
        base = fit if variable == "all" else base
        for standing, column in zip(chosen, columns, strict=True):
            out.append(Effect("mistakes", standing, _estimate(fit, column)))
    return out, base


def _estimate(fit: CountFit | None, column: tuple[int, float] | None) -> Estimate | None:
    if fit is None or column is None:
        return None
    L = np.zeros(len(fit.beta))
    L[column[0]] = column[1]
    found = wald_interval(fit, L)
    return Estimate(found.estimate, found.std_error, min(found.df, 1e6))


def _fit(
    design: Design,
    laps: Laps,
    standings: Sequence[Standing],
    variable: str,
    before: CountFit | None,
) -> tuple[CountFit | None, list[tuple[int, float] | None]]:
    """The fit, and for each standing its column and the factor to the contrast's own unit.

    before: a fit of the same runs, whose SDs are near.
    """
    use = laps.timed > 0
    nothing: list[tuple[int, float] | None] = [None] * len(standings)
    if not laps.incidents[use].any():
        return None, nothing
    nuisance = [not name.startswith("trend ") for name in design.fixed_names]
    told = [s for s in standings if s.tellable]
    split = [_column(design, s, variable) for s in told]
    others = [c for c in design.contrasts if not any(s.contrast is c for s in told)]
    X = np.column_stack([design.fixed[:, nuisance], *split, *[_scaled_values(c) for c in others]])[
        use
    ]
    kept = independent(X)
    at = {int(column): position for position, column in enumerate(kept)}
    first = int(np.sum(nuisance))
    start = None if before is None else before.psi
    fit = fit_counts(_rows(design, laps, X[:, kept], use), start=start)
    columns = list(nothing)
    for i, standing in enumerate(told):
        if first + i in at:
            place = next(k for k, s in enumerate(standings) if s is standing)
            columns[place] = (at[first + i], 1.0 / standing.contrast.scale)
    return fit, columns


def _scaled_values(contrast: Contrast) -> Array:
    return contrast.values / contrast.scale


def _column(design: Design, standing: Standing, variable: str) -> Array:
    values = _scaled_values(standing.contrast)
    if variable == "all":
        return values
    here = design.runs[variable].astype(object).to_numpy() == standing.condition.split("=")[1]
    return np.where(here, values, 0.0)


def _rows(design: Design, laps: Laps, X: Array, use: NDArray[np.bool_]) -> CountRows:
    terms: list[RandomTerm] = []
    for codes in (design.driver[use], design.entry[use]):
        groups = np.unique(codes, return_inverse=True)[1]
        if 1 < groups.max() + 1 < use.sum() and not any(
            np.array_equal(groups, term.codes) for term in terms
        ):
            terms.append(RandomTerm(groups))
    return CountRows(laps.incidents[use], X, exposure=laps.timed[use], terms=tuple(terms))
