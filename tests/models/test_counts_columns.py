"""The columns of a count model against the same algebra with dense matrices."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from pipeline.models.counts import build_model, fit_counts
from pipeline.models.counts_columns import Columns
from pipeline.models.counts_rows import CountRows, Deviations, RandomTerm

RUNS, FIXED = 60, 4


def drawn(seed: int, kind: str = "nested", runs: int = RUNS) -> CountRows:
    """Drivers at meetings, in drivers; a day's level and a change of a few runs. 'slope': the
    absorbed term has values; 'varies': the change differs between meetings; 'crossed': a term
    that does not nest."""
    rng = np.random.default_rng(seed)
    driver, meeting = rng.integers(0, 7, runs), rng.integers(0, 3, runs)
    entry = np.unique(driver * 3 + meeting, return_inverse=True)[1]
    few = rng.random(runs) * (rng.random(runs) < 0.3)
    X = np.column_stack([np.ones(runs), meeting == 1, rng.integers(0, 2, runs), few])
    terms = [RandomTerm(driver), RandomTerm(entry, rng.normal(size=runs) * (kind == "slope") + 1)]
    varying = [Deviations(RandomTerm(meeting, few).design())] if kind == "varies" else []
    if kind == "crossed":
        terms.append(RandomTerm(rng.integers(0, 4, runs)))
    laps = rng.integers(10, 25, runs).astype(float)
    mean = laps * np.exp(-2 + 0.4 * rng.normal(size=7)[driver] + 0.3 * few)
    return CountRows(
        rng.poisson(mean), X, exposure=laps, terms=tuple(terms), varying=tuple(varying)
    )


@dataclass(frozen=True)
class Dense:
    """The same with matrices: R, Z and H of the absorbed term, then R."""

    columns: Columns
    R: np.ndarray
    Z: np.ndarray
    w: np.ndarray
    sigma: float
    scale: np.ndarray
    ridge: np.ndarray

    @staticmethod
    def of(kind: str, sigma: float) -> Dense:
        columns = build_model(drawn(3, kind), "nb2", np.ones(FIXED)).columns
        rng, m = np.random.default_rng(5), columns.width
        Z = columns.values[:, None] * np.eye(columns.q)[columns.codes]
        scale, ridge = np.ones(m), np.ones(m)
        scale[FIXED:] = rng.uniform(0.2, 1.0, m - FIXED)
        ridge[:FIXED] = rng.random(FIXED)
        return Dense(columns, columns.R.toarray(), Z, rng.random(RUNS), sigma, scale, ridge)

    @property
    def B(self) -> np.ndarray:
        return np.hstack([self.sigma * self.Z, self.R * self.scale])

    @property
    def H(self) -> np.ndarray:
        ridge = np.concatenate([np.ones(self.columns.q), self.ridge])
        return self.B.T @ (self.w[:, None] * self.B) + np.diag(ridge)


KINDS = pytest.mark.parametrize("kind", ["nested", "slope", "varies", "crossed"])
SIGMAS = pytest.mark.parametrize("sigma", [0.0, 0.7])


@KINDS
@SIGMAS
def test_the_factor_is_that_of_the_dense_hessian(kind: str, sigma: float) -> None:
    dense = Dense.of(kind, sigma)
    H, q, rng = dense.H, dense.columns.q, np.random.default_rng(1)
    factor = dense.columns.factorise(dense.w, sigma, dense.scale, dense.ridge)
    assert factor.logdet == pytest.approx(np.linalg.slogdet(H)[1], rel=1e-12)
    right = rng.normal(size=len(H))
    np.testing.assert_allclose(
        np.concatenate(factor.solve(right[:q], right[q:])), np.linalg.solve(H, right), atol=1e-11
    )


@KINDS
@SIGMAS
def test_the_parts_of_the_inverse(kind: str, sigma: float) -> None:
    dense = Dense.of(kind, sigma)
    inverse, q = np.linalg.inv(dense.H), dense.columns.q
    factor = dense.columns.factorise(dense.w, sigma, dense.scale, dense.ridge)
    np.testing.assert_allclose(factor.inverse_rest, inverse[q:, q:], atol=1e-11)
    np.testing.assert_allclose(factor.inverse_absorbed, np.diag(inverse)[:q], atol=1e-12)
    cells = factor.cells
    np.testing.assert_allclose(factor.beside, inverse[cells.row, q + cells.place], atol=1e-12)


@KINDS
@SIGMAS
def test_products_and_leverages(kind: str, sigma: float) -> None:
    dense = Dense.of(kind, sigma)
    columns, rng = dense.columns, np.random.default_rng(2)
    v, x = rng.normal(size=columns.width), rng.normal(size=RUNS)
    np.testing.assert_allclose(columns.at(v), dense.R @ v, atol=1e-13)
    np.testing.assert_allclose(columns.back(x), dense.R.T @ x, atol=1e-12)
    factor = columns.factorise(dense.w, sigma, dense.scale, dense.ridge)
    wanted = np.einsum("ij,jk,ik->i", dense.B, np.linalg.inv(dense.H), dense.B)
    np.testing.assert_allclose(columns.leverages(factor, sigma, dense.scale), wanted, atol=1e-12)


def test_rows_without_any_column_of_a_random_term() -> None:
    """Rivals have no part in a slope: their rows are empty there."""
    rows = drawn(4, "varies")
    rows = replace(rows, X=rows.X[:, :1])
    alone = build_model(rows, "nb2", np.zeros(1))
    assert alone.columns.leverages(
        alone.columns.factorise(np.ones(RUNS), 0.0, np.zeros(alone.columns.width),
                                np.ones(alone.columns.width)), 0.0, np.zeros(alone.columns.width)
    ) == pytest.approx(np.zeros(RUNS))  # fmt: skip


def test_a_near_start_gives_the_same_fit_in_fewer_evaluations() -> None:
    rows = drawn(7, "varies", 240)
    cold = fit_counts(rows)
    near = fit_counts(replace(rows, X=rows.X[:, :3]))
    warm = fit_counts(rows, start=near)
    assert warm.evaluations < cold.evaluations
    np.testing.assert_allclose(warm.psi, cold.psi, atol=1e-5)
    np.testing.assert_allclose(warm.coefficients, cold.coefficients, atol=1e-6)
