"""What a condition tells alone bounds the interval of what it tells with the others' help."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.models.engine.criterion import criterion_function
from pipeline.models.engine.inference import Estimate, contrasts, no_wider, without_pooling
from pipeline.models.engine.rows import Penalised, Rows
from pipeline.models.engine.solver import fit_rows
from pipeline.models.engine.sorting import sort_rows

CONDITIONS = 3


def tried_in_conditions(seed: int) -> tuple[Rows, np.ndarray]:
    """A change tried by six drivers in three conditions, with an effect of its own in each."""
    rng = np.random.default_rng(seed)
    driver = np.repeat(np.arange(6), 12)
    condition = np.tile(np.repeat(np.arange(CONDITIONS), 4), 6)
    change = np.tile([0.0, 1.0, 1.0, 0.0], 18)
    columns = (condition[:, None] == np.arange(CONDITIONS)) * change[:, None]
    means = (condition[:, None] == np.arange(CONDITIONS)).astype(float)
    y = 15 + driver + change * (0.3 + 0.2 * rng.normal(size=CONDITIONS))[condition]
    rows = Rows(
        y + rng.normal(0, 0.3, 72),
        np.column_stack([means, change]),
        np.ones((72, 1)),
        levels=(driver,),
        penalised=(Penalised("by condition", columns),),
    )
    return rows, columns


@pytest.mark.parametrize("seed", range(4))
def test_without_pooling_it_is_a_fixed_effect_of_each_condition(seed: int) -> None:
    rows, columns = tried_in_conditions(seed)
    fit = fit_rows(rows)
    alone = without_pooling(fit, [2])
    fixed = np.zeros((4, CONDITIONS))
    fixed[3] = 1.0
    found = contrasts(alone, fixed, np.eye(CONDITIONS))
    spelt_out = replace(rows, X=np.hstack([rows.X[:, :3], columns]), penalised=())
    state = criterion_function(sort_rows(spelt_out))(fit.theta[:2])
    errors = np.sqrt(np.diag(state.factor.solve(np.eye(state.sorted_rows.k, 6))[:6]))[3:]
    np.testing.assert_allclose([e.estimate for e in found], state.beta[3:], rtol=1e-2)
    np.testing.assert_allclose([e.std_error for e in found], errors, rtol=1e-2)


def test_an_interval_is_cut_to_the_bound_and_not_below_it() -> None:
    bound = Estimate(0.2, 0.08, 40.0)
    low, high = no_wider(Estimate(0.1, 0.05, 1.0), bound).interval()
    b_low, b_high = bound.interval()
    assert (high - low) == pytest.approx(b_high - b_low, rel=1e-6)
    assert (low + high) / 2 == pytest.approx(0.1)


def test_a_narrower_interval_stays_as_it_is() -> None:
    estimate = Estimate(0.1, 0.05, 30.0)
    assert no_wider(estimate, Estimate(0.2, 0.08, 40.0)) == estimate


def test_no_interval_is_cut_below_that_of_a_known_variance() -> None:
    """A bound narrower than the normal interval is no reason for more certainty than normal."""
    found = no_wider(Estimate(0.1, 0.05, 2.0), Estimate(0.1, 0.04, 1e6))
    low, high = found.interval()
    assert (high - low) / 2 == pytest.approx(1.96 * 0.05, rel=1e-3)
