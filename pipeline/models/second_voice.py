"""The second voice on every contrast: what is shuffled, and of which values (see `shuffled`)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.models.axis import Along
from pipeline.models.design import Design, in_condition, independent
from pipeline.models.effects import Effect
from pipeline.models.engine.criterion import evaluate
from pipeline.models.engine.rows import Array, Codes, Penalised, Rows
from pipeline.models.engine.sorting import sort_rows
from pipeline.models.fitting import OutcomeFit, OutcomeFits
from pipeline.models.mistakes import Counted
from pipeline.models.responses import Laps
from pipeline.models.shuffled import NO_VOICE, SHUFFLES, Log, Shuffled, shuffled_values
from pipeline.tables.conditions import is_per_step
from pipeline.tables.outcomes import Outcome

# Fixed columns and blocks that all cars share, and that the field's laps show.
SHARED = ("day ", "trend ", "kind ")
SHARED_BLOCKS = ("grip ", "heat")


def with_second_voice(
    design: Design,
    laps: Laps,
    fits: Mapping[str, OutcomeFits],
    effects: Sequence[Effect],
    axes: Sequence[Along] = (),
    count: int = SHUFFLES,
) -> list[Effect]:
    """The effects, each with what `count` shuffled logs say of it; of a gradient along an axis,
    beside the effects themselves."""
    team = in_order(design)
    outcomes = list(dict.fromkeys(effect.of for effect in effects if effect.estimate))
    if not len(team) or not outcomes or not design.contrasts:
        return list(effects)
    values = np.column_stack([_values(design, laps, fits, one)[team] for one in outcomes])
    along = {axis.condition: axis.gradients for axis in axes}
    found: dict[tuple[str, str, str], Shuffled] = {}
    for condition in dict.fromkeys(effect.standing.condition for effect in effects):
        rows = np.flatnonzero(in_condition(design, condition)[team])
        gradients = along.get(condition, ())
        if len(rows) and (gradients or not is_per_step(condition)):
            own_design = replace(design, contrasts=(*design.contrasts, *gradients))
            log = log_of(own_design, team)
            by_outcome = shuffled_values(log.only(rows), values[rows], count)
            for outcome, own in zip(outcomes, by_outcome, strict=True):
                for contrast, one in zip(own_design.contrasts, own, strict=False):
                    found[outcome.name, contrast.name, condition] = one
    return [
        replace(effect, shuffled=found.get(_key(effect), NO_VOICE) if effect.estimate else NO_VOICE)
        for effect in effects
    ]


def in_order(design: Design) -> Codes:
    """The team's runs by names and numbers: the same log is shuffled the same way whatever order
    its rows stand in."""
    runs = design.runs
    keys = (runs["run_no"], runs["driver"].astype(str), runs["meeting"].astype(str))
    order = np.lexsort([key.to_numpy() for key in keys])
    return np.asarray(order[design.team[order]], np.intp)


def _key(effect: Effect) -> tuple[str, str, str]:
    return effect.outcome, effect.standing.contrast.name, effect.standing.condition


def log_of(design: Design, team: Codes) -> Log:
    """The team's runs (rows `team` of the design) as they can be shuffled: the columns of all
    contrasts, then whether each factor's setting is unknown."""
    contrasts = design.contrasts
    names = list(dict.fromkeys(c.factor for c in contrasts))
    known = [next(c for c in contrasts if c.factor == name).known for name in names]
    columns = [c.values / c.scale for c in contrasts] + [~flags for flags in known]
    parts = list(dict.fromkeys((c.factor, c.part) for c in contrasts))
    # A gradient is looked at beside its own factor's effect, as beside any other.
    asked = [(name, "") for name in names]
    parts = [*asked, *(part for part in parts if part not in asked)]
    factor = [parts.index((c.factor, c.part)) for c in contrasts] + list(range(len(names)))
    heat = design.runs.groupby(["meeting", "date", "session", "heat"], dropna=False).ngroup()
    hour, day = design.hour[team], design.day[team]
    rivals = np.bincount(design.day, ~design.team)[day] > 0
    middle = np.bincount(day, hour) / np.maximum(np.bincount(day), 1)
    line = hour - middle[day]
    return Log(
        settings=np.column_stack(columns).astype(float)[team],
        factor=np.array(factor),
        group=_by_appearance(design.entry[team] * (design.day.max() + 1) + day),
        day=day,
        turn=design.runs["run_no"].to_numpy(np.intp)[team],
        heat=np.asarray(heat, np.intp)[team],
        drift=np.column_stack([line, np.where(rivals, 0.0, line**2)]),
    )


def _by_appearance(codes: Codes) -> Codes:
    """The codes numbered from 0 in the order in which they first stand."""
    _, first, inverse = np.unique(codes, return_index=True, return_inverse=True)
    return np.asarray(np.argsort(np.argsort(first))[inverse], np.intp)


def _values(design: Design, laps: Laps, fits: Mapping[str, OutcomeFits], outcome: Outcome) -> Array:
    """Each run's value (R,), NaN where it has none."""
    if outcome.is_counted:
        return Counted(*outcome.response(laps)).rate
    return less_field(design, fits[outcome.name].base)


def less_field(design: Design, fitted: OutcomeFit) -> Array:
    """Each run's response less what the rivals' laps say of the day, its grip, the session's kind
    and the heat, (R,); NaN where it has none.

    Of the rivals alone: what the team's own runs say would know the settings.
    """
    rows, run = fitted.fit.state.sorted_rows.rows, fitted.response.run
    names = [name for name in fitted.fixed_at if name.startswith(SHARED)]
    columns = [fitted.fixed_at[name] for name in names]
    columns += [at for at in fitted.within_at if at is not None]
    chosen = [block for block in rows.penalised if block.name.startswith(SHARED_BLOCKS)]
    rivals = np.flatnonzero((run < 0) | ~design.team[run])
    X = np.asarray(rows.X[:, columns])
    predicted = np.zeros(len(rows.y))
    if (~design.team).any():
        kept = independent(X[rivals])
        state = evaluate(
            sort_rows(_rows_alone(rows, rivals, X[:, kept], chosen)),
            np.array([fitted.fit.variance(name) for name in _names(rows, chosen)]),
        )
        u = state.coefficients[state.p : state.p + sum(b.Z.shape[1] for b in chosen)]
        predicted = X[:, kept] @ state.beta
        for block in chosen:
            predicted = predicted + block.Z @ u[: block.Z.shape[1]]
            u = u[block.Z.shape[1] :]
    out = np.full(len(design.hour), np.nan)
    of_run = run >= 0
    out[run[of_run]] = (rows.y - predicted)[of_run]
    return out


def _names(rows: Rows, chosen: Sequence[Penalised]) -> list[str]:
    """Names of the parameters that rivals' rows share."""
    before = rows.diagonal.shape[1] + len(rows.levels)
    return [*rows.names[:before], *(block.name for block in chosen)]


def _rows_alone(rows: Rows, own: Codes, X: Array, blocks: Sequence[Penalised]) -> Rows:
    """Some of the rows, with these fixed columns and blocks."""
    return replace(
        rows,
        y=rows.y[own],
        X=X[own],
        diagonal=rows.diagonal[own],
        known=None if rows.known is None else rows.known[own],
        levels=tuple(codes[own] for codes in rows.levels),
        penalised=tuple(Penalised(block.name, block.Z[own]) for block in blocks),
        names=tuple(_names(rows, blocks)),
        priors={},
        parts=None if rows.parts is None else rows.parts[own],
        pieces=None,
    )
