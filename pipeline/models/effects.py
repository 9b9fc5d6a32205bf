"""Effects of all contrasts in all conditions, from the fits of an outcome."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.models.contrasts import Contrast
from pipeline.models.design import (
    DRIVER_BLOCK,
    LEAST_GROUPS_FOR_SLOPES,
    MEETING_BLOCK,
    condition_block_name,
)
from pipeline.models.engine.inference import Estimate
from pipeline.models.engine.rows import Array
from pipeline.models.families import family_q_values
from pipeline.models.identify import Standing
from pipeline.models.looks import USUAL_LOOKS, anytime_interval
from pipeline.models.shuffled import NO_VOICE, Shuffled
from pipeline.models.verdicts import Margins, difference_of_voices, verdict
from pipeline.tables.conditions import PER_STEP, is_per_step, parted
from pipeline.tables.outcomes import NOT_ENOUGH, Outcome, outcome_of
from pipeline.tables.schema import EFFECTS

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.models.fitting import OutcomeFit

NEXT_MEETING, THESE_MEETINGS = "the next meeting", "these meetings"


@dataclass(frozen=True)
class Effect:
    """One row to be: an outcome, how its contrast stands, and the estimate if there is one.

    estimate is on the additive scale: s a lap, log ratio, s a lap per lap, s a race. these: the
    same for the meetings that tried it. remark: beside that of the standing. shuffled: what the
    shuffled logs say. alone: of this season's laps only, where earlier seasons spoke too: these
    are `earlier`.
    """

    of: Outcome
    standing: Standing
    estimate: Estimate | None
    these: Estimate | None = None
    remark: str = ""
    shuffled: Shuffled = NO_VOICE
    alone: Estimate | None = None
    earlier: tuple[str, ...] = ()

    @property
    def outcome(self) -> str:
        return self.of.name

    @property
    def look(self) -> int:
        """How many meetings with new laps of it there were."""
        return max(len(self.standing.meetings), 1)


def unit_weight(contrast: Contrast) -> dict[str, float]:
    """The contrast as a combination of the model's scaled columns."""
    return {contrast.name: contrast.step / contrast.scale}


def linear_effects(
    outcome: Outcome,
    base: OutcomeFit,
    by_variable: Mapping[str, OutcomeFit],
    everything: Sequence[Standing],
    factor: float = 1.0,
    these: bool = True,
) -> list[Effect]:
    """Effects of one mixed-model outcome; estimates are multiplied by `factor`.

    these: with those at the meetings that were; else only at the next one.
    """
    out = []
    for fitted, variable in [(base, "all"), *((fit, name) for name, fit in by_variable.items())]:
        chosen = [s for s in everything if parted(s.condition)[0] == variable]
        asked = [combination(fitted, standing) for standing in chosen]
        apart = [s if these and scope(s) == NEXT_MEETING else None for s in chosen]
        here = [None if s is None else combination(fitted, s, these=True) for s in apart]
        found = estimates_of(fitted, [*asked, *here])
        for standing, differs, one, other in zip(
            chosen, apart, found[: len(chosen)], found[len(chosen) :], strict=True
        ):
            at_these = other if differs else one if these else None
            out.append(Effect(outcome, standing, _scaled(one, factor), _scaled(at_these, factor)))
    return out


def estimates_of(
    fitted: OutcomeFit, combinations: Sequence[tuple[np.ndarray, np.ndarray] | None]
) -> list[Estimate | None]:
    """Estimates of many combinations together, which is quicker than one by one; None for None,
    and where the runs are too few for an error."""
    estimates = fitted.estimates([c for c in combinations if c is not None])
    found = (one if np.isfinite(one.std_error) else None for one in estimates)
    return [None if combination is None else next(found) for combination in combinations]


def combination(
    fitted: OutcomeFit, standing: Standing, these: bool = False
) -> tuple[np.ndarray, np.ndarray] | None:
    """The effect for the mean of the drivers who tried it, at the next meeting or, `these`, at the
    mean of the meetings that tried it."""
    if not standing.tellable:
        return None
    factor = standing.contrast.factor
    groups = [(DRIVER_BLOCK, name, 1 / len(standing.drivers)) for name in standing.drivers]
    variable, value = parted(standing.condition)
    if value:
        groups.append((condition_block_name(factor, variable), value, 1.0))
    shares = meeting_shares(standing, these)
    groups += [(MEETING_BLOCK, name, share) for name, share in shares]
    return fitted.combination(unit_weight(standing.contrast), groups)


def meeting_shares(standing: Standing, these: bool = False) -> list[tuple[str, float]]:
    """The meetings whose own deviations are part of the effect, each with its share: none for the
    next meeting."""
    if not these and scope(standing) == NEXT_MEETING:
        return []
    return [(name, 1 / len(standing.meetings)) for name in standing.meetings]


def scope(standing: Standing) -> str:
    """What an interval speaks of: with one meeting of a condition, of that one."""
    enough = len(standing.meetings) >= LEAST_GROUPS_FOR_SLOPES
    return NEXT_MEETING if enough else THESE_MEETINGS


def _scaled(estimate: Estimate | None, factor: float) -> Estimate | None:
    return None if estimate is None else scaled(estimate, factor)


def scaled(estimate: Estimate, factor: float) -> Estimate:
    """The estimate in another unit."""
    return Estimate(estimate.estimate * factor, estimate.std_error * abs(factor), estimate.df)


def effects_table(
    effects: Sequence[Effect], margins: Margins, planned: int = USUAL_LOOKS
) -> pd.DataFrame:
    """The result table. planned: meetings of the season, after each of which it is looked at."""
    import pandas as pd

    rows = [
        _row(effect, float(q), margins[effect.of], planned)
        for effect, q in zip(effects, q_values(effects), strict=True)
    ]
    return EFFECTS.conform(pd.DataFrame(rows) if rows else EFFECTS.empty())


def q_values(effects: Sequence[Effect], claimed: Effect | None = None) -> Array:
    """q-values of all effects: families are factors, by what their effects are conditioned on.

    claimed: one more question, whose q-value stands last.
    """
    asked = [*effects, *([] if claimed is None else [claimed])]
    p = np.array([np.nan if e.estimate is None else e.estimate.p_value for e in asked])
    weight = np.array([e.of.weight for e in asked])
    factor = np.array([e.standing.contrast.factor for e in asked], str)
    variable = np.array([_family(e) for e in asked], str)
    out = np.full(len(p), np.nan)
    for name in np.unique(variable):
        here = variable == name
        family = np.unique(factor[here], return_inverse=True)[1]
        out[here] = family_q_values(p[here], family, weight[here])
    return out


def _family(effect: Effect) -> str:
    """What it is conditioned on; feels are asked beside the clock, whose answers they leave as
    sure as they are."""
    variable = parted(effect.standing.condition)[0]
    return f"{variable}, felt" if effect.of.is_felt else variable


def _row(effect: Effect, q_value: float, margin: float, planned: int) -> dict[str, object]:
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
        "scope": NEXT_MEETING if effect.earlier else scope(s),
        "remark": _remark(effect, None),
        "verdict": s.verdict or NOT_ENOUGH,
    }
    if estimate is None:
        return row
    shuffled = effect.shuffled.p_value
    along = s.condition.removesuffix(PER_STEP) if is_per_step(s.condition) else ""
    return row | {
        **numbers(effect.of, estimate),
        **_anytime(effect, estimate, planned),
        **_alone(effect, estimate),
        "p_value": estimate.p_value,
        "q_value": q_value,
        "p_shuffled": shuffled,
        "verdict": verdict(effect.of, estimate, q_value, margin, shuffled, along),
        "remark": _remark(effect, estimate),
    }


def _anytime(effect: Effect, estimate: Estimate, planned: int) -> dict[str, float]:
    """The interval that holds over all looks together."""
    low, high = anytime_interval(estimate, effect.look, planned)
    shown = _shown(effect.of)
    return {"anytime_low": float(shown(low)), "anytime_high": float(shown(high))}


def _alone(effect: Effect, estimate: Estimate) -> dict[str, float]:
    """What this season says by itself."""
    found = numbers(effect.of, effect.alone or estimate)
    names = {"estimate": "alone_estimate", "ci_low": "alone_low", "ci_high": "alone_high"}
    return {name: found[column] for column, name in names.items()}


def _remark(effect: Effect, estimate: Estimate | None) -> str | None:
    parts = [effect.standing.remark, effect.remark]
    if estimate is not None:
        parts.append(difference_of_voices(estimate.p_value, effect.shuffled.p_value))
    return "; ".join(filter(None, parts)) or None


def numbers(outcome: Outcome | str, estimate: Estimate) -> dict[str, float]:
    """Estimate, standard error, df and interval as they are printed: ratios as ratios."""
    low, high = estimate.interval()
    shown = _shown(outcome)
    return {
        "estimate": float(shown(estimate.estimate)),
        "std_error": estimate.std_error,
        "df": estimate.df,
        "ci_low": float(shown(low)),
        "ci_high": float(shown(high)),
    }


def _shown(outcome: Outcome | str) -> Callable[[float], float]:
    """From the additive scale to the printed one."""
    return np.exp if outcome_of(outcome).is_ratio else float
