"""Earlier seasons as evidence: each counts as far as effects agree from season to season.

A contrast's effect in season t is b + s_t, s_t ~ N(0, tau²), one tau for all contrasts of an
outcome; each season is analysed by itself and says y_t with variance v_t. What is wanted is the
effect in the present season, b + s_0: the best linear combination of all y_t. tau has a log-normal
prior and is summed over, since few seasons say little of it. What the v_t's own uncertainty does to
the estimate is added as Kenward and Roger (1997) do, with Satterthwaite's degrees of freedom.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.special import chdtrc

from pipeline.models.design import MEETING_BLOCK
from pipeline.models.engine.inference import LEAST_DF, MOST_DF, Estimate
from pipeline.models.engine.rows import SdPrior
from pipeline.models.fitting import VARYING_LOG_SD, VARYING_SHARE
from pipeline.tables.conditions import parted

if TYPE_CHECKING:
    from pipeline.models.effects import Effect
    from pipeline.models.engine.rows import Array
    from pipeline.models.fitting import OutcomeFit, OutcomeFits

# How much effects differ between seasons: SD log-normal, its median as between meetings. How much
# the scatter between meetings of one season may differ from that of others: log-SD.
BETWEEN_LOG_SD, SCATTER_LOG_SD = 1.0, 0.7
MISTAKES_MEDIAN = 0.25  # of the log, as between meetings
GRID = np.linspace(-3.5, 3.5, 29)  # of log tau about its prior's centre, in its SDs
STEP = 1e-4  # relative, of numerical derivatives: weights are smooth in the variances


class Key(NamedTuple):
    """A row of the effects table; level '+' for a number, whose step may differ."""

    outcome: str
    factor: str
    level: str
    reference: str
    condition: str


class Told(NamedTuple):
    """What a season says of a row, on the additive scale; of a number for one of its unit.
    meetings: how many tried it. p_shuffled: NaN for none."""

    estimate: float
    std_error: float
    df: float
    meetings: int
    p_shuffled: float


class Scatter(NamedTuple):
    """What a season says of the log SD between its meetings: its penalised mode, how much of the
    curvature there is the data's, and the prior's centre."""

    mode: float
    precision: float
    centre: float


@dataclass(frozen=True)
class Coefficients:
    """What a season says of an outcome's coefficients (see `decide.evidence`), in units of a usual
    change. keys: (factor, level, part); scale: of numbers, units that such a change is; estimate,
    df: (k,); covariance: (k, k). has_meetings: their scatter between meetings is in it."""

    keys: tuple[tuple[str, str, str], ...]
    scale: tuple[float, ...]
    estimate: Array
    covariance: Array
    df: Array
    has_meetings: bool


@dataclass(frozen=True)
class Earlier:
    """An earlier season, analysed by itself. scatter, coefficients: by outcome."""

    name: str
    told: Mapping[Key, Told]
    scatter: Mapping[str, Scatter]
    coefficients: Mapping[str, Coefficients] = field(default_factory=dict)


def key_of(effect: Effect) -> Key:
    contrast = effect.standing.contrast
    level = "+" if contrast.kind == "number" else contrast.level
    condition = effect.standing.condition
    return Key(effect.outcome, contrast.factor, level, contrast.reference, condition)


def _per(effect: Effect) -> float:
    """Units of a number that the row's step is."""
    contrast = effect.standing.contrast
    return contrast.step if contrast.kind == "number" else 1.0


def earlier_season(
    name: str, effects: Sequence[Effect], fits: Mapping[str, OutcomeFits]
) -> Earlier:
    """What a season that was analysed by itself says to later ones."""
    told = {}
    for effect in effects:
        one, per = effect.estimate, _per(effect)
        if one is not None and one.std_error > 0:
            told[key_of(effect)] = Told(
                one.estimate / per, one.std_error / per, one.df,
                len(effect.standing.meetings), effect.shuffled.p_value,
            )  # fmt: skip
    scatter = {outcome: found for outcome, fit in fits.items() if (found := scatter_of(fit.base))}
    return Earlier(name, told, scatter)


def scatter_of(fitted: OutcomeFit) -> Scatter | None:
    """Of the SD between meetings; None where only one meeting tried anything."""
    fit = fitted.fit
    if MEETING_BLOCK not in fit.names:
        return None
    place = fit.names.index(MEETING_BLOCK)
    centre, precision = (each[place] for each in fit.state.sorted_rows.rows.prior())
    theta, variance = fit.theta[place], fit.cov_theta[place, place]
    curvature = 4 * theta**2 / variance if variance > 0 else precision
    return Scatter(float(np.log(theta) / 2), float(max(curvature - precision, 0.0)), float(centre))


def learned_scatter(seasons: Sequence[Earlier], outcome: str) -> SdPrior | None:
    """The prior on the present season's SD between meetings: about the earlier seasons' penalised
    mode, as sure as its curvature and what seasons differ by allow; None where none says."""
    found = [season.scatter[outcome] for season in seasons if outcome in season.scatter]
    if not found:
        return None
    prior = VARYING_LOG_SD**-2
    precision = prior + sum(one.precision for one in found)
    mean = prior * float(np.mean([one.centre for one in found]))
    # Each mode is drawn towards its season's prior, which is to count but once.
    mean += sum((prior + s.precision) * s.mode - prior * s.centre for s in found if s.precision)
    return SdPrior(
        float(np.exp(mean / precision)), float(np.hypot(precision**-0.5, SCATTER_LOG_SD))
    )


@dataclass(frozen=True)
class Seasons:
    """A contrast in T seasons, the present one first. y, v, df: (T,). unit: of a usual change."""

    y: Array
    v: Array
    df: Array
    unit: float = 1.0


@dataclass(frozen=True)
class Between:
    """How much effects differ between seasons: tau² on a grid, of a usual change, and how likely
    each is, (g,) both."""

    tau2: Array
    weight: Array


def between_seasons(rows: Sequence[Seasons], median: float) -> Between:
    """What all contrasts together say of tau, beside its prior of that median."""
    tau2 = (median * np.exp(GRID)) ** 2
    value = np.array([sum(_criterion(row, t * row.unit**2) for row in rows) for t in tau2])
    value += (GRID / BETWEEN_LOG_SD) ** 2
    weight = np.exp(-(value - value.min()) / 2)
    return Between(tau2, weight / weight.sum())


def _criterion(row: Seasons, tau2: float) -> float:
    """-2 restricted log-likelihood, up to a constant."""
    w = 1 / (row.v + tau2)
    mean = float(w @ row.y / w.sum())
    return float(np.log(w.sum()) - np.log(w).sum() + w @ (row.y - mean) ** 2)


def combined(row: Seasons, between: Between) -> Estimate:
    """The effect in the present season, over all that tau may be."""
    tau2, p = between.tau2 * row.unit**2, between.weight
    w = np.array([_weights(row.v, t) for t in tau2])
    apart = (1 - w[:, 0]) ** 2 + (w[:, 1:] ** 2).sum(axis=1)
    plain, values = w**2 @ row.v + tau2 * apart, w @ row.y
    estimate, mean = float(p @ values), float(p @ plain)
    known = 2 * row.v**2 / row.df
    usual = float(np.exp(p @ np.log(tau2)))
    turned = np.array([_turned(row.v, usual, place) for place in range(len(row.v))])
    moved = 2 * float(known @ (turned**2 @ (row.v + usual)))
    variance = mean + float(p @ (values - estimate) ** 2) + moved
    spread = float((p @ w**2) ** 2 @ known + p @ (plain - mean) ** 2)
    df = 2 * mean**2 / max(spread, 1e-300)
    return Estimate(estimate, float(np.sqrt(variance)), float(np.clip(df, LEAST_DF, MOST_DF)))


def _weights(v: Array, tau2: float) -> Array:
    """Of each season in the best estimate of the present one's effect, (T,)."""
    share = 1 / (v + tau2)
    share = share / share.sum()
    own = tau2 / (v[0] + tau2)
    out = (1 - own) * share
    out[0] += own
    return np.asarray(out)


def _turned(v: Array, tau2: float, place: int) -> Array:
    """Derivative of the weights in v of one season, (T,)."""
    size = STEP * v[place] * (np.arange(len(v)) == place)
    ends = _weights(v + size, tau2) - _weights(v - size, tau2)
    return np.asarray(ends / (2 * size[place]))


def usual_scatter(fits: Mapping[str, OutcomeFits], outcome: str) -> float:
    """SD, in the unit of the rows, by which effects usually differ: the priors' median."""
    if outcome not in fits:
        return MISTAKES_MEDIAN
    base = fits[outcome].base
    return VARYING_SHARE * base.usual_sd * fits[outcome].factor


def with_earlier(
    effects: Sequence[Effect], fits: Mapping[str, OutcomeFits], seasons: Sequence[Earlier]
) -> list[Effect]:
    """The effects with what earlier seasons say of them, and which of them spoke.

    A row that only one meeting of a season tried speaks of that meeting: there the usual scatter
    between meetings is added.
    """
    out = list(effects)
    for outcome in dict.fromkeys(effect.outcome for effect in effects):
        median = usual_scatter(fits, outcome)
        found: dict[int, tuple[Seasons, list[str]]] = {}
        for place, effect in enumerate(effects):
            if effect.outcome == outcome and effect.estimate is not None:
                spoke = [s for s in seasons if key_of(effect) in s.told]
                if spoke:
                    names = [season.name for season in spoke]
                    found[place] = (_seasons(effect, spoke, median), names)
        mains = [row for at, (row, _) in found.items() if _is_main(effects[at])]
        if not mains:
            continue
        between = between_seasons(mains, median)
        for place, (row, names) in found.items():
            estimate = combined(row, between)
            out[place] = _joined(effects[place], estimate, names, seasons)
    return out


def _is_main(effect: Effect) -> bool:
    return not parted(effect.standing.condition)[1] and effect.standing.condition == "all"


def _seasons(effect: Effect, spoke: Sequence[Earlier], median: float) -> Seasons:
    contrast, own, per = effect.standing.contrast, effect.estimate, _per(effect)
    assert own is not None
    unit = contrast.step / contrast.scale
    key = key_of(effect)
    told = [season.told[key] for season in spoke]
    meetings = np.array([len(effect.standing.meetings), *(t.meetings for t in told)])
    error = np.array([own.std_error, *(per * t.std_error for t in told)])
    once = np.where(meetings < 2, (median * unit) ** 2, 0.0)
    return Seasons(
        y=np.array([own.estimate, *(per * t.estimate for t in told)]),
        v=error**2 + once,
        df=np.array([own.df, *(t.df for t in told)]),
        unit=unit,
    )


def _joined(
    effect: Effect, estimate: Estimate, names: Sequence[str], seasons: Sequence[Earlier]
) -> Effect:
    p = [s.told[key_of(effect)].p_shuffled for s in seasons if key_of(effect) in s.told]
    shuffled = replace(effect.shuffled, p_value=_together([effect.shuffled.p_value, *p]))
    return replace(effect, estimate=estimate, earlier=tuple(names), shuffled=shuffled)


def _together(p_values: Sequence[float]) -> float:
    """Of independent seasons, by Fisher's method (1932); NaN where none has one."""
    p = np.array([value for value in p_values if np.isfinite(value)])
    if len(p) < 2:
        return float(p[0]) if len(p) else float("nan")
    return float(chdtrc(2 * len(p), -2 * np.log(np.maximum(p, 1e-300)).sum()))


def narrowing(
    own: Sequence[Effect], learned: Sequence[Effect], both: Sequence[Effect]
) -> tuple[float, float] | None:
    """Of the half-widths of pace over all conditions: the share that goes by what scattered in
    earlier seasons, and by what they found; None where no earlier season spoke. own: of this season
    alone; learned: the same with the earlier scatter; both: with the earlier effects too."""
    logs = []
    for three in zip(own, learned, both, strict=True):
        if three[2].outcome == "pace" and _is_main(three[2]) and three[2].earlier:
            ends = [e.estimate.interval() for e in three if e.estimate is not None]
            logs.append([np.log(high - low) for low, high in ends])
    if not logs:
        return None
    first, second, last = np.mean(logs, axis=0)
    return float(1 - np.exp(second - first)), float(1 - np.exp(last - second))
