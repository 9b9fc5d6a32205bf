"""The solver against its slow twin on random seasons: criterion, derivatives, optimum."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from pipeline.models.engine.criterion import criterion_function
from pipeline.models.engine.inference import contrast
from pipeline.models.engine.rows import Array, Rows, SdPrior
from pipeline.models.engine.solver import fit_rows
from pipeline.models.engine.sorting import sort_rows
from tests.models import random_rows, twin

SEEDS = range(3)
each_kind = pytest.mark.parametrize("kind", random_rows.KINDS)
each_seed = pytest.mark.parametrize("seed", SEEDS)


def draw(kind: str, seed: int) -> tuple[Rows, Array]:
    """Rows, and variances inside the parameter space at which to compare."""
    rng = np.random.default_rng([seed, list(random_rows.KINDS).index(kind)])
    rows = random_rows.KINDS[kind](rng)
    theta = rng.uniform(0.2, 1.5, rows.n_parameters)
    if kind == "correlated_slopes":
        theta[-1] = rng.uniform(-0.15, 0.15)  # a covariance, within its bounds
    return rows, theta


@each_kind
@each_seed
def test_criterion_and_estimates_at_given_variances(kind: str, seed: int) -> None:
    rows, theta = draw(kind, seed)
    state, dense = (
        criterion_function(sort_rows(rows))(theta),
        twin.evaluate(twin.of_rows(rows), theta),
    )
    assert state.criterion == pytest.approx(dense.criterion, rel=1e-10)
    np.testing.assert_allclose(state.beta, dense.beta, rtol=1e-8, atol=1e-10)


@each_kind
@each_seed
def test_gradient_is_the_twins_by_finite_differences(kind: str, seed: int) -> None:
    rows, theta = draw(kind, seed)
    found = criterion_function(sort_rows(rows))(theta).gradient
    wanted = twin.finite_gradient(twin.of_rows(rows), theta)
    np.testing.assert_allclose(found, wanted, rtol=1e-5, atol=1e-5)


@each_kind
@each_seed
def test_hessian_is_the_gradients_by_finite_differences(kind: str, seed: int) -> None:
    rows, theta = draw(kind, seed)
    evaluate = criterion_function(sort_rows(rows))
    found = evaluate(theta).hessian
    steps = 1e-5 * np.eye(len(theta))
    wanted = [(evaluate(theta + h).gradient - evaluate(theta - h).gradient) / 2e-5 for h in steps]
    np.testing.assert_allclose(found, wanted, rtol=1e-5, atol=1e-5)


@each_kind
@each_seed
def test_expected_information(kind: str, seed: int) -> None:
    rows, theta = draw(kind, seed)
    found = criterion_function(sort_rows(rows))(theta).expected
    wanted = twin.expected_information(twin.of_rows(rows), theta)
    np.testing.assert_allclose(found, wanted, rtol=1e-8, atol=1e-10)


@each_kind
@each_seed
def test_no_optimiser_finds_a_lower_criterion(kind: str, seed: int) -> None:
    """The twin, minimised from the solver's estimate and from elsewhere, gains nothing."""
    rows, start = draw(kind, seed)
    fit, dense = fit_rows(rows), twin.of_rows(rows)
    assert fit.converged, fit.message
    assert fit.criterion == pytest.approx(twin.evaluate(dense, fit.theta).criterion, abs=1e-8)
    bounds = [(0, None)] * len(start)
    if kind == "correlated_slopes":
        bounds[-1] = (None, None)  # type: ignore[assignment]
    for first in (start, np.maximum(fit.theta, 1e-3)):
        best = minimize(lambda theta: criterion_or_wall(dense, theta), first, bounds=bounds).fun
        assert fit.criterion <= best + 1e-6


def criterion_or_wall(dense: twin.Dense, theta: Array) -> float:
    """Where the covariance is not positive definite the criterion is as good as infinite."""
    V = np.diag(dense.known) + sum(t * part for t, part in zip(theta, dense.parts, strict=True))
    if np.linalg.eigvalsh(V)[0] <= 1e-12:
        return 1e10
    return twin.evaluate(dense, theta).criterion


@each_seed
def test_a_variance_at_zero_is_said_to_be(seed: int) -> None:
    rows, _ = draw("zero_variance", seed)
    fit = fit_rows(rows)
    assert fit.at_zero.tolist() == [False, True]
    assert fit.gradient[1] > 0
    assert fit.cov_theta[1].tolist() == [0, 0]


def test_aliased_columns_are_refused() -> None:
    """What cannot be told apart is found before; the solver never guesses."""
    rows, _ = draw("nested", 0)
    doubled = replace(rows, X=np.column_stack([rows.X, rows.X[:, 1] - rows.X[:, 0]]))
    with pytest.raises(ValueError, match="rank 4"):
        fit_rows(doubled)


def test_a_level_that_is_not_nested_is_refused() -> None:
    rows, _ = draw("nested", 0)
    crossed = replace(rows, levels=(rows.levels[0], np.arange(len(rows.y)) % 3))
    with pytest.raises(ValueError, match="coarser"):
        fit_rows(crossed)


@each_seed
def test_an_only_driver_leaves_its_variance_at_zero(seed: int) -> None:
    """The intercept takes it up; the other effects' degrees of freedom must not suffer."""
    rows, _ = draw("one_driver", seed)
    without = fit_rows(replace(rows, levels=rows.levels[1:]))
    fit = fit_rows(rows)
    assert fit.theta[1] == 0
    np.testing.assert_allclose(fit.theta[[0, 2]], without.theta, rtol=1e-6)
    assert contrast(fit, np.array([0.0, 1.0])).df == pytest.approx(
        contrast(without, np.array([0.0, 1.0])).df, rel=1e-5
    )


def with_prior(rows: Rows, place: int, prior: SdPrior) -> Rows:
    names = tuple(f"theta{j}" for j in range(rows.n_parameters))
    return replace(rows, names=names, priors={names[place]: prior})


@pytest.mark.parametrize("kind", ["zero_variance", "nested", "spline_and_slopes"])
@each_seed
def test_a_variance_with_a_prior(kind: str, seed: int) -> None:
    """(log SD - log median)^2 / log_sd^2 on -2 log-likelihood: its slope by the twin's."""
    rows, _ = draw(kind, seed)
    fit = fit_rows(with_prior(rows, 1, SdPrior(0.3, 0.8)))
    slope = twin.finite_gradient(twin.of_rows(rows), fit.theta)
    slope[1] += (np.log(fit.theta[1]) / 2 - np.log(0.3)) / 0.8**2 / fit.theta[1]
    free = ~fit.at_zero
    assert fit.converged and fit.theta[1] > 0
    np.testing.assert_allclose((slope * fit.theta)[free], 0, atol=1e-4)


@each_seed
def test_of_a_variance_that_the_rows_say_nothing_of_the_prior_speaks(seed: int) -> None:
    rows, _ = draw("one_driver", seed)
    fit = fit_rows(with_prior(rows, 1, SdPrior(0.3, 0.8)))
    assert fit.converged and fit.theta[1] == pytest.approx(0.09, rel=1e-3)
    np.testing.assert_allclose(fit.theta[[0, 2]], fit_rows(rows).theta[[0, 2]], rtol=1e-4)


@each_seed
def test_no_more_rows_than_columns_is_no_fit(seed: int) -> None:
    rng = np.random.default_rng(seed)
    fit = fit_rows(Rows(rng.normal(size=3), rng.normal(size=(3, 3)), np.ones((3, 1))))
    assert not fit.converged and "3 rows" in fit.message


@pytest.mark.parametrize("name", ["y", "X", "diagonal", "known"])
def test_what_is_not_finite_is_named(name: str) -> None:
    rows, _ = draw("known_variances", 0)
    values = np.array(getattr(rows, name), float)
    values[(0,) * values.ndim] = np.nan
    with pytest.raises(ValueError, match=f"{name} holds"):
        fit_rows(replace(rows, **{name: values}))


@each_seed
def test_rows_that_were_pooled_away(seed: int) -> None:
    """Rows with y = 0 and X = 0 may be given by their number and the logs of their scales."""
    rows, theta = draw("weights", seed)
    rows = replace(rows, levels=())
    scale = np.random.default_rng(seed).uniform(0.5, 2, 30)
    classes = np.eye(2)[np.arange(30) % 2]
    spelt_out = Rows(
        np.append(rows.y, np.zeros(30)),
        np.vstack([rows.X, np.zeros((30, rows.X.shape[1]))]),
        np.vstack([rows.diagonal, classes * scale[:, None]]),
    )
    counted = replace(rows, null_rows=classes.sum(axis=0), null_log_scale=np.log(scale) @ classes)
    one, two = (criterion_function(sort_rows(r))(theta[:2]) for r in (spelt_out, counted))
    assert one.criterion == pytest.approx(two.criterion, rel=1e-12)
    np.testing.assert_allclose(one.gradient, two.gradient, rtol=1e-9)
    np.testing.assert_allclose(one.hessian, two.hessian, rtol=1e-9)


@pytest.mark.parametrize("kind", ["nested", "three_levels", "weights", "spline_and_slopes"])
@each_seed
def test_more_rows_never_take_information(kind: str, seed: int) -> None:
    """At the same variances no standard error grows when rows are added."""
    rows, theta = draw(kind, seed)
    keep = np.sort(np.random.default_rng(seed).permutation(len(rows.y))[: 2 * len(rows.y) // 3])
    fewer = twin.evaluate(twin.of_rows(random_rows.subset(rows, keep)), theta).cov_beta
    state = criterion_function(sort_rows(rows))(theta)
    more = state.factor.solve(np.eye(state.sorted_rows.k, state.p))[: state.p]
    assert np.linalg.eigvalsh(fewer - more)[0] > -1e-9
