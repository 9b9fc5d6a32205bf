"""Grip in few columns against the fit's own rows and against combinations of all columns."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from pipeline.models.curves import GripColumns, grip_columns, settled
from pipeline.models.design import Design, build_design
from pipeline.models.effects import estimates_of
from pipeline.models.engine.inference import values_and_errors
from pipeline.models.fitting import OutcomeFit, fit_outcome
from pipeline.models.identify import usable_runs
from pipeline.models.responses import Laps, lap_tables, response_of
from pipeline.tables.outcomes import PACE
from tests.models.small_season import season


@cache
def fitted() -> tuple[Design, OutcomeFit, Laps]:
    data = season(meetings=4)
    design = build_design(data, usable_runs(data))
    laps = lap_tables(data, design)
    return design, fit_outcome(design, response_of(PACE, laps)), laps


def over_all_columns(fit: OutcomeFit, columns: GripColumns) -> tuple[np.ndarray, np.ndarray]:
    """(p, n) and (q, n): the combinations as vectors over all of beta and u."""
    fixed = np.zeros((fit.p, len(columns.values)))
    penalised = np.zeros((len(fit.fit.u), len(columns.values)))
    fixed[list(columns.fixed)] = columns.values.T[: len(columns.fixed)]
    penalised[list(columns.penalised)] = columns.values.T[len(columns.fixed) :]
    return fixed, penalised


def test_at_the_runs_own_times_the_columns_are_those_of_the_model() -> None:
    design, fit, _ = fitted()
    days = range(len(design.days))
    columns = grip_columns(design, fit, days, design.day, design.hour)
    fixed, penalised = over_all_columns(fit, columns)
    for place, name in enumerate(design.fixed_names):
        if name.startswith(("day ", "trend ")) and name in fit.fixed_at:
            np.testing.assert_array_equal(fixed[fit.fixed_at[name]], design.fixed[:, place])
    for block, where in fit.blocks:
        expected = block.columns.T if block.name.startswith("grip ") else 0.0
        np.testing.assert_array_equal(penalised[where], expected + np.zeros_like(penalised[where]))


@pytest.mark.parametrize("day", range(4))
def test_values_and_errors_are_those_of_all_columns(day: int) -> None:
    design, fit, laps = fitted()
    rows = np.flatnonzero(design.day == day)
    columns = grip_columns(design, fit, [day], design.day[rows], design.hour[rows])
    columns = settled(fit, laps, rows, columns.minus(columns.mean()))
    value, error = columns.values_and_errors(fit.fit)
    expected = values_and_errors(fit.fit, *over_all_columns(fit, columns))
    np.testing.assert_allclose(value, expected[0], rtol=0, atol=1e-12)
    np.testing.assert_allclose(error, expected[1], rtol=1e-9)
    assert (error > 0).all()


def test_estimates_together_are_those_one_by_one() -> None:
    _, fit, _ = fitted()
    combinations = [fit.combination({name: 2.0}) for name in fit.contrast_at]
    together = estimates_of(fit, [None, *combinations])
    assert together[0] is None
    for one, other in zip(combinations, together[1:], strict=True):
        (alone,) = estimates_of(fit, [one])
        numbers = (other.estimate, other.std_error, other.df)
        assert numbers == pytest.approx((alone.estimate, alone.std_error, alone.df), rel=1e-9)
