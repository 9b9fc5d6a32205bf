"""Columns by group against the same columns row by row."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.models.counts import CountRows, RandomTerm, build_model, fit_counts
from pipeline.models.counts_columns import Columns, DenseColumns
from pipeline.models.counts_grouped import GroupedColumns
from pipeline.models.counts_laplace import criterion
from pipeline.models.counts_mode import factorise

SWITCH = "pipeline.models.counts._DENSE_UP_TO"


def nested(seed: int = 0, slope: bool = False, runs: int = 240) -> CountRows:
    """Drivers at meetings, in drivers; a day's level, a session's, and two of a few runs each."""
    rng = np.random.default_rng(seed)
    driver, meeting = rng.integers(0, 9, runs), rng.integers(0, 4, runs)
    entry = np.unique(driver * 4 + meeting, return_inverse=True)[1]
    values = rng.normal(size=runs) if slope else None
    few = rng.random((runs, 2)) * (rng.random(runs) < 0.2)[:, None]
    X = np.column_stack([np.ones(runs), meeting == 1, rng.integers(0, 2, runs), few])
    laps = rng.integers(10, 25, runs).astype(float)
    mean = laps * np.exp(-3 + 0.4 * rng.normal(size=9)[driver] + 0.3 * few[:, 0])
    y = rng.negative_binomial(4, 4 / (4 + mean))
    return CountRows(y, X, exposure=laps, terms=(RandomTerm(driver), RandomTerm(entry, values)))


def both(rows: CountRows, monkeypatch) -> tuple[Columns, Columns]:
    dense = build_model(rows, "nb2", np.ones(5)).columns
    monkeypatch.setattr(SWITCH, 0)
    grouped = build_model(rows, "nb2", np.ones(5)).columns
    assert isinstance(dense, DenseColumns)
    assert isinstance(grouped, GroupedColumns)
    return dense, grouped


@pytest.mark.parametrize("slope", [False, True])
@pytest.mark.parametrize("seed", range(3))
def test_products_and_equations(seed: int, slope: bool, monkeypatch) -> None:
    dense, grouped = both(nested(seed, slope), monkeypatch)
    rng = np.random.default_rng(seed)
    v, x, w = rng.normal(size=14), rng.normal(size=240), rng.random(240)
    scale = np.r_[np.ones(5), np.full(9, 0.6)]
    np.testing.assert_allclose(grouped.at(v), dense.at(v), atol=1e-13)
    np.testing.assert_allclose(grouped.back(x), dense.back(x), atol=1e-12)
    for ours, plain in zip(
        grouped.equations(w, 0.7, scale), dense.equations(w, 0.7, scale), strict=True
    ):
        np.testing.assert_allclose(ours, plain, atol=1e-11)


@pytest.mark.parametrize("slope", [False, True])
@pytest.mark.parametrize("sigma", [0.0, 0.7])
def test_leverages_for_each_term_and_all(sigma: float, slope: bool, monkeypatch) -> None:
    rows = nested(4, slope)
    pair = both(rows, monkeypatch)
    w, scale = np.random.default_rng(5).random(240), np.r_[np.ones(5), np.full(9, 0.6)]
    model = build_model(rows, "nb2", np.ones(5))
    factor = factorise(model, w, sigma, scale, np.ones(5))
    E = factor.inverse_rest()
    plain, ours = (columns.leverages(factor, E, sigma, scale) for columns in pair)
    np.testing.assert_allclose(ours.absorbed, plain.absorbed, atol=1e-12)
    for weights in (scale, np.r_[np.zeros(5), np.ones(9)], np.r_[np.arange(5.0), np.zeros(9)]):
        np.testing.assert_allclose(ours.weighted(weights), plain.weighted(weights), atol=1e-12)
    B = np.column_stack([sigma * _absorbed(rows), rows.X, 0.6 * np.eye(9)[rows.terms[0].codes]])
    H = B.T @ (w[:, None] * B) + np.eye(B.shape[1])
    leverage = sigma * ours.absorbed + ours.weighted(scale)
    np.testing.assert_allclose(leverage, np.einsum("ij,jk,ik->i", B, np.linalg.inv(H), B))


def _absorbed(rows: CountRows) -> np.ndarray:
    entry = rows.terms[1]
    values = np.ones(len(rows.y)) if entry.values is None else entry.values
    return values[:, None] * np.eye(entry.codes.max() + 1)[entry.codes]


@pytest.mark.parametrize("slope", [False, True])
def test_criterion_gradient_and_fit(slope: bool, monkeypatch) -> None:
    rows, psi = nested(6, slope), np.array([0.5, 0.3, 0.7])
    plain = criterion(build_model(rows, "nb2", np.ones(5)), psi)
    plain_fit = fit_counts(rows)
    monkeypatch.setattr(SWITCH, 0)
    ours = criterion(build_model(rows, "nb2", np.ones(5)), psi)
    assert ours.value == pytest.approx(plain.value, rel=1e-12)
    np.testing.assert_allclose(ours.gradient, plain.gradient, atol=1e-9)
    fit = fit_counts(rows)
    np.testing.assert_allclose(fit.beta, plain_fit.beta, atol=1e-6)
    np.testing.assert_allclose(fit.cov_beta, plain_fit.cov_beta, atol=1e-6)


def test_terms_that_cross_are_taken_row_by_row(monkeypatch) -> None:
    rows = nested()
    crossed = RandomTerm(np.random.default_rng(1).integers(0, 3, 240))
    other = CountRows(rows.y, rows.X, exposure=rows.exposure, terms=(*rows.terms, crossed))
    monkeypatch.setattr(SWITCH, 0)
    assert isinstance(build_model(other, "nb2", np.ones(5)).columns, DenseColumns)


def test_a_near_start_gives_the_same_fit_in_fewer_evaluations() -> None:
    cold = fit_counts(nested(7))
    warm = fit_counts(nested(7), start=cold.psi * 1.02)
    assert warm.evaluations < cold.evaluations
    np.testing.assert_allclose(warm.psi, cold.psi, atol=1e-5)
    np.testing.assert_allclose(warm.beta, cold.beta, atol=1e-6)
