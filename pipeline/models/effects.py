"""Effects of all contrasts in all conditions, from the fits of an outcome."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.models.contrasts import Contrast
from pipeline.models.design import condition_block_name
from pipeline.models.engine.inference import Estimate, no_wider
from pipeline.models.identify import Standing
from pipeline.models.verdicts import Margins, false_discovery, verdict
from pipeline.tables.schema import EFFECTS

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.models.fitting import OutcomeFit

RATIOS = ("spread", "mistakes")


@dataclass(frozen=True)
class Effect:
    """One row to be: an outcome, how its contrast stands, and the estimate if there is one.

    estimate is on the additive scale: s a lap, log ratio, s a lap per lap, s a race.
    """

    outcome: str
    standing: Standing
    estimate: Estimate | None


def unit_weight(contrast: Contrast) -> dict[str, float]:
    """The contrast as a combination of the model's scaled columns."""
    return {contrast.name: 1.0 / contrast.scale}


def linear_effects(
    outcome: str,
    base: OutcomeFit,
    by_variable: Mapping[str, OutcomeFit],
    everything: Sequence[Standing],
    factor: float = 1.0,
) -> list[Effect]:
    """Effects of one mixed-model outcome; estimates are multiplied by `factor`."""
    out = []
    for fitted, variable in [(base, "all"), *((fit, name) for name, fit in by_variable.items())]:
        chosen = [s for s in everything if s.condition.split("=")[0] == variable]
        combinations = [_combination(fitted, s) for s in chosen]
        found = estimates_of(fitted, combinations)
        bounds = found if variable == "all" else _bounds(fitted, chosen, variable, combinations)
        for standing, estimate, bound in zip(chosen, found, bounds, strict=True):
            if estimate is not None and bound is not None:
                estimate = at_least(estimate, least_df(standing))
                if variable != "all":
                    estimate = no_wider(estimate, bound)
                estimate = scaled(estimate, factor)
            out.append(Effect(outcome, standing, estimate))
    return out


def _bounds(
    fitted: OutcomeFit,
    chosen: Sequence[Standing],
    variable: str,
    combinations: Sequence[tuple[np.ndarray, np.ndarray] | None],
) -> list[Estimate | None]:
    """What each condition tells alone. Its interval bounds the pooled one: where the variance
    between conditions is known badly, Satterthwaite's formula gives one degree of freedom or two
    to an estimate that can lie no further off than without pooling.
    """
    factors = dict.fromkeys(standing.contrast.factor for standing in chosen)
    alone = fitted.unpooled([condition_block_name(factor, variable) for factor in factors])
    return estimates_of(alone, combinations)


def estimates_of(
    fitted: OutcomeFit, combinations: Sequence[tuple[np.ndarray, np.ndarray] | None]
) -> list[Estimate | None]:
    """Estimates of many combinations together, which is quicker than one by one; None for None."""
    found = iter(fitted.estimates([c for c in combinations if c is not None]))
    return [None if combination is None else next(found) for combination in combinations]


def _combination(fitted: OutcomeFit, standing: Standing) -> tuple[np.ndarray, np.ndarray] | None:
    if not standing.tellable:
        return None
    weights = unit_weight(standing.contrast)
    variable, _, value = standing.condition.partition("=")
    groups = [(condition_block_name(standing.contrast.factor, variable), value, 1.0)]
    return fitted.combination(weights, groups if value else [])


def least_df(standing: Standing) -> float:
    """Degrees of freedom that the contrast's own meetings and drivers give.

    Satterthwaite's formula breaks down where the variance of the random slopes is estimated near
    zero: it then gives less than the slopes of this contrast alone would leave.
    """
    return float(max(min(standing.switch_meetings, standing.switch_drivers) - 1, 1))


def at_least(estimate: Estimate, df: float) -> Estimate:
    """The estimate with no fewer degrees of freedom than `df`."""
    return Estimate(estimate.estimate, estimate.std_error, max(estimate.df, df))


def scaled(estimate: Estimate, factor: float) -> Estimate:
    """The estimate in another unit."""
    return Estimate(estimate.estimate * factor, estimate.std_error * abs(factor), estimate.df)


def effects_table(effects: Sequence[Effect], margins: Margins) -> pd.DataFrame:
    """The result table; q-values by Benjamini and Hochberg (1995) within each outcome."""
    import pandas as pd

    frames = []
    for outcome in dict.fromkeys(effect.outcome for effect in effects):
        own = [effect for effect in effects if effect.outcome == outcome]
        q_values = _q_values(own)
        rows = [_row(effect, q, margins[outcome]) for effect, q in zip(own, q_values, strict=True)]
        frames.append(pd.DataFrame(rows))
    return EFFECTS.conform(pd.concat(frames, ignore_index=True) if frames else EFFECTS.empty())


def _q_values(effects: Sequence[Effect]) -> list[float]:
    p = np.array([np.nan if e.estimate is None else e.estimate.p_value for e in effects])
    q = np.full(len(p), np.nan)
    told = np.isfinite(p)
    if told.any():
        q[told] = false_discovery(p[told])
    return [float(value) for value in q]


def _row(effect: Effect, q_value: float, margin: float) -> dict[str, object]:
    s, estimate = effect.standing, effect.estimate
    row: dict[str, object] = {
        "outcome": effect.outcome,
        "factor": s.contrast.factor,
        "level": s.contrast.level,
        "reference": s.contrast.reference,
        "condition": s.condition,
        "n_runs": s.n_runs,
        "n_drivers": s.n_drivers,
        "n_meetings": s.n_meetings,
        "n_switches": s.switches,
        "mixed_with": s.mixed_with or None,
        "verdict": s.verdict or "not enough runs",
    }
    if estimate is None:
        return row
    return row | {
        **numbers(effect.outcome, estimate),
        "p_value": estimate.p_value,
        "q_value": q_value,
        "verdict": verdict(effect.outcome, estimate, q_value, margin),
    }


def numbers(outcome: str, estimate: Estimate) -> dict[str, float]:
    """Estimate, standard error, df and interval as they are printed: ratios as ratios."""
    low, high = estimate.interval()
    shown = np.exp if outcome in RATIOS else float
    return {
        "estimate": float(shown(estimate.estimate)),
        "std_error": estimate.std_error,
        "df": estimate.df,
        "ci_low": float(shown(low)),
        "ci_high": float(shown(high)),
    }
