"""The tables of `SeasonResult`, each made from fits and standings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.models.axis import grip_positions
from pipeline.models.contrasts import Contrast
from pipeline.models.counts import CountFit
from pipeline.models.curves import Corrected
from pipeline.models.design import Design
from pipeline.models.effects import (
    NEXT_MEETING,
    Effect,
    estimates_of,
    numbers,
    q_values,
    scaled,
    scope,
    unit_weight,
)
from pipeline.models.engine.solver import Fit
from pipeline.models.fitting import OutcomeFit, OutcomeFits
from pipeline.models.identify import Standing
from pipeline.models.mistakes import CountFits
from pipeline.models.verdicts import Margins, more_switches
from pipeline.tables.outcomes import NOT_ENOUGH, is_leaning
from pipeline.tables.schema import LAP_STATUSES, RUNS

if TYPE_CHECKING:
    from pipeline.tables.outcomes import Outcome
    from pipeline.tables.records import SeasonData
    from pipeline.team.factors import Factor

KEYS = ["factor", "level", "reference"]


def runs_table(data: SeasonData, design: Design, corrected: Corrected) -> pd.DataFrame:
    """All runs with what the laps give and, for those in the model, the corrected time."""
    runs = data.runs.copy()
    runs["grip_position"] = grip_positions(runs["grip"])
    for name, values in (
        ("corrected_s", corrected.seconds),
        ("corrected_low", corrected.low),
        ("corrected_high", corrected.high),
    ):
        column = np.full(len(runs), np.nan)
        column[design.index] = values
        runs[name] = column
    table = RUNS.conform(runs) if "laps" in runs else runs[[*runs.columns.intersection(RUNS.names)]]
    more = [*(f.name for f in data.factors), *(c.name for c in data.conditions)]
    more += ["class", "heat", "team", "date", "hour", "excluded", "corrected_low", "corrected_high"]
    return pd.concat([table, runs[more]], axis=1)


def by_driver_table(
    design: Design,
    outcomes: Iterable[Outcome],
    fits: Mapping[str, OutcomeFit],
    everything: Sequence[Standing],
) -> pd.DataFrame:
    """Effects for each team driver who ran both settings, partially pooled."""
    rows = []
    tried = list(_driver_contrasts(design, everything))
    for outcome in outcomes:
        fitted = fits.get(outcome.name) if outcome.by_driver else None
        if fitted is None or "setup by driver" not in fitted.fit.names:
            continue
        combinations = [
            fitted.combination(unit_weight(standing.contrast), [("setup by driver", driver, 1.0)])
            for standing, driver, _ in tried
        ]
        found = estimates_of(fitted, combinations)
        for (standing, driver, n_runs), estimate in zip(tried, found, strict=True):
            if estimate is not None:
                shown = {"driver": driver, **numbers(outcome, estimate), "n_runs": n_runs}
                rows.append({"outcome": outcome.name, **_keys(standing.contrast), **shown})
    columns = ["outcome", *KEYS, "driver", "estimate", "std_error", "df", "ci_low", "ci_high"]
    return pd.DataFrame(rows, columns=[*columns, "n_runs"])


def _driver_contrasts(
    design: Design, everything: Sequence[Standing]
) -> Iterator[tuple[Standing, str, int]]:
    count = len(design.driver_names)
    for standing in everything:
        if standing.condition != "all" or not standing.tellable:
            continue
        contrast = standing.contrast
        at = np.bincount(design.driver[contrast.at_level], minlength=count)
        away = np.bincount(design.driver[contrast.known & ~contrast.at_level], minlength=count)
        for code in np.flatnonzero((at > 0) & ((away > 0) | (contrast.kind == "number"))):
            yield standing, design.driver_names[code], int(at[code])


def _keys(contrast: Contrast) -> dict[str, str]:
    return {
        "factor": contrast.factor,
        "level": contrast.level,
        "reference": contrast.reference,
    }


def trends_table(
    factors: Sequence[Factor],
    outcomes: Iterable[Outcome],
    fits: Mapping[str, OutcomeFits],
    everything: Sequence[Standing],
) -> pd.DataFrame:
    """Least-squares slope over the steps of each ordered factor of three or more levels."""
    weights = {f.name: w for f in factors if (w := _slope_weights(f, everything)) is not None}
    rows: dict[tuple[str, str], dict[str, object]] = {}
    fitted = [(outcome, fits[outcome.name]) for outcome in outcomes if outcome.name in fits]
    for outcome, found in fitted:
        combinations = [found.base.combination(weight) for weight in weights.values()]
        estimates = estimates_of(found.base, combinations)
        for name, estimate in zip(weights, estimates, strict=True):
            if estimate is not None:
                told = scaled(estimate, found.factor)
                shown = {**numbers(outcome, told), "p_value": told.p_value}
                rows[name, outcome.name] = {"outcome": outcome.name, "factor": name, **shown}
    ordered = [rows[key] for name in weights for o, _ in fitted if (key := (name, o.name)) in rows]
    columns = ["outcome", "factor", "estimate", "std_error", "df", "ci_low", "ci_high", "p_value"]
    return pd.DataFrame(ordered, columns=columns)


def _slope_weights(factor: Factor, everything: Sequence[Standing]) -> dict[str, float] | None:
    """Contrast -> weight of the slope over the steps; None where the factor has no such slope."""
    own = {
        s.contrast.level: s
        for s in everything
        if s.contrast.factor == factor.name and s.condition == "all"
    }
    usable = len(factor.levels) >= 3 and all(s.tellable for s in own.values())
    if factor.kind != "ordered" or not usable or not own:
        return None
    steps = np.arange(len(factor.levels)) - (len(factor.levels) - 1) / 2
    slope = dict(zip(factor.levels, steps / (steps @ steps), strict=True))
    return {own[level].contrast.name: slope[level] for level in own}


def cannot_tell_table(everything: Sequence[Standing]) -> pd.DataFrame:
    """A row for every contrast and condition without a number, with its sentence."""
    rows = [
        {
            **_keys(s.contrast),
            "condition": s.condition,
            "mixed_with": s.mixed_with,
            "information_left": s.information_left,
            "n_switches": s.switches,
            "sentence": s.sentence,
        }
        for s in everything
        if not s.tellable
    ]
    columns = [
        *KEYS,
        "condition",
        "mixed_with",
        "information_left",
        "n_switches",
        "sentence",
    ]
    return pd.DataFrame(rows, columns=columns)


def these_table(effects: Sequence[Effect]) -> pd.DataFrame:
    """Effects at the meetings that were, where the effects table speaks of the next."""
    rows = []
    for effect in effects:
        if effect.these is None or scope(effect.standing) != NEXT_MEETING:
            continue
        shown = numbers(effect.of, effect.these)
        rows.append(
            {
                "outcome": effect.outcome,
                **_keys(effect.standing.contrast),
                "condition": effect.standing.condition,
                **{name: shown[name] for name in ("estimate", "ci_low", "ci_high")},
            }
        )
    names = ["outcome", *KEYS, "condition", "estimate", "ci_low", "ci_high"]
    return pd.DataFrame(rows, columns=names)


def needs_table(effects: Sequence[Effect], margins: Margins) -> pd.DataFrame:
    """How many more back-to-backs each open question needs."""
    from pipeline.models.verdicts import verdict

    rows = []
    for effect, q in zip(effects, q_values(effects), strict=True):
        if effect.estimate is None:
            continue
        margin = margins[effect.of]
        shuffled = effect.shuffled.p_value
        words = verdict(effect.of, effect.estimate, float(q), margin, shuffled)
        if words != NOT_ENOUGH and not is_leaning(words):
            continue
        more = more_switches(effect.estimate, margin, effect.standing.own_switches)
        if more is not None:
            rows.append(
                {
                    "outcome": effect.outcome,
                    **_keys(effect.standing.contrast),
                    "condition": effect.standing.condition,
                    "more_switches": more,
                }
            )
    return pd.DataFrame(rows, columns=["outcome", *KEYS, "condition", "more_switches"])


def components_table(
    fits: Mapping[str, OutcomeFits], counts: Mapping[str, CountFits]
) -> pd.DataFrame:
    """Standard deviations of the random parts, in the outcome's unit (log for ratios)."""
    rows = []
    for outcome, found in fits.items():
        fit = found.base.fit
        for name, variance, zero in zip(fit.names, fit.theta, fit.at_zero, strict=True):
            rows.append((outcome, name, float(np.sqrt(variance)), bool(zero)))
    for outcome, counted in counts.items():
        one = counted["all"]
        names = (*one.names, "between runs")
        for name, sd, zero in zip(names, one.psi, one.at_zero, strict=True):
            rows.append((outcome, name, float(sd), zero))
    return pd.DataFrame(rows, columns=["outcome", "component", "sd", "at_zero"])


def fits_table(fits: Mapping[str, OutcomeFits], counts: Mapping[str, CountFits]) -> pd.DataFrame:
    """One row a fit: its size and whether it converged."""
    rows = []
    for outcome, found in fits.items():
        for condition, fitted in [("all", found.base), *found.by_variable.items()]:
            fit = fitted.fit
            gradient = float(np.abs(fit.gradient[~fit.at_zero]).max(initial=0.0))
            size = len(fitted.response.y), len(fit.beta), len(fit.u)
            rows.append(_fit_row(outcome, condition, size, gradient, fit))
    for outcome, counted in counts.items():
        for condition, one in counted.items():
            size = one.n_rows, len(one.beta), len(one.coefficients) - len(one.beta)
            rows.append(_fit_row(outcome, condition, size, one.gradient, one))
    return pd.DataFrame(rows)


def _fit_row(
    outcome: str, condition: str, size: tuple[int, int, int], gradient: float, fit: Fit | CountFit
) -> dict[str, object]:
    """size: rows, fixed columns, penalised columns."""
    return {
        "outcome": outcome,
        "condition": condition,
        **dict(zip(("rows", "fixed", "penalised"), size, strict=True)),
        "evaluations": fit.evaluations,
        "gradient": gradient,
        "converged": fit.converged,
        "message": fit.message,
    }


def lap_counts(data: SeasonData) -> pd.DataFrame:
    """Laps of each meeting by status."""
    meeting, names = pd.factorize(data.runs["meeting"])
    status = pd.Categorical(data.laps["status"], categories=LAP_STATUSES).codes
    count = len(LAP_STATUSES)
    cells = meeting[data.laps["run"].to_numpy(np.intp)] * count + status
    table = np.bincount(cells, minlength=len(names) * count).reshape(len(names), count)
    rows = [
        (name, LAP_STATUSES[s], int(laps[s]))
        for name, laps in zip(names, table, strict=True)
        for s in np.flatnonzero(table.any(axis=0))
        if laps.any()
    ]
    return pd.DataFrame(rows, columns=["meeting", "status", "laps"])
