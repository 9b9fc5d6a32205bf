"""Parts, pieces and sparse columns change the work, never the result."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import sparse

from pipeline.models.engine.criterion import State, criterion_function
from pipeline.models.engine.inference import contrast
from pipeline.models.engine.rows import Penalised, Rows
from pipeline.models.engine.solver import fit_rows
from pipeline.models.engine.sorting import sort_rows

THETA = np.array([0.5, 0.2, 0.3, 0.4, 0.1, 0.2, 0.3, 0.2, 0.05])
PARTS = 4
PATTERNS = tuple(
    np.kron(shape, np.eye(2)) for shape in (np.diag([1.0, 0.0]), np.diag([0.0, 1.0]), 1 - np.eye(2))
)


def season(seed: int, tied: bool = False) -> tuple[Rows, NDArray[np.intp]]:
    """Drivers at four meetings, one of them at one only, some rows in no group; columns of a
    meeting alone, of some rows in all meetings, of everybody, and `tied` by a covariance."""
    rng = np.random.default_rng(seed)
    n = 80
    meeting = rng.permutation(np.repeat(np.arange(PARTS), n // PARTS))
    driver = np.where(meeting == 0, rng.integers(0, 6, n), rng.integers(0, 5, n))
    entry = driver * PARTS + meeting
    driver[:3] = entry[:3] = -1
    of_meeting = (meeting[:, None] == np.arange(PARTS)).astype(float)
    local = [of_meeting[:, [m]] * rng.normal(size=(n, 4)) for m in range(PARTS)]
    local.append((driver[:, None] == 1) * rng.normal(size=(n, 2)))
    covariance = (Penalised("tied", rng.normal(size=(n, 4)), PATTERNS),) if tied else ()
    rows = Rows(
        y=10 + rng.normal(size=n) + driver,
        X=np.column_stack([np.ones(n), rng.normal(size=n), of_meeting[:, 1:]]),
        diagonal=rng.uniform(0.5, 2, (n, 2)),
        known=rng.uniform(0, 0.1, n),
        levels=(driver, entry),
        penalised=(
            Penalised("local", np.hstack(local)),
            Penalised("everywhere", rng.normal(size=(n, 3))),
            *covariance,
        ),
        null_rows=np.array([7.0, 0.0]),
        null_log_scale=np.array([0.3, 0.0]),
    )
    return rows, meeting


def both(seed: int) -> tuple[State, State]:
    rows, meeting = season(seed, tied=True)
    whole = criterion_function(sort_rows(rows))(THETA)
    entries = (rows.levels[0] == 1).astype(np.intp)
    parted = criterion_function(sort_rows(replace(rows, parts=meeting, pieces=entries)))(THETA)
    return whole, parted


@pytest.mark.parametrize("seed", range(4))
def test_every_quantity_is_the_same_in_parts(seed: int) -> None:
    whole, parted = both(seed)
    assert (len(whole.sorted_rows.parts), len(parted.sorted_rows.parts)) == (1, PARTS)
    assert parted.sorted_rows.k > whole.sorted_rows.k
    for name in ("criterion", "beta", "gradient", "average", "expected", "hessian"):
        np.testing.assert_allclose(
            getattr(parted, name), getattr(whole, name), rtol=1e-9, atol=1e-10, err_msg=name
        )
    k = whole.sorted_rows.k
    inverses = [one.factor.solve(np.eye(one.sorted_rows.k, k))[:k] for one in (whole, parted)]
    np.testing.assert_allclose(*inverses, rtol=1e-9, atol=1e-10)


def test_the_fit_is_the_same_in_parts() -> None:
    rows, meeting = season(9)
    whole, parted = fit_rows(rows), fit_rows(replace(rows, parts=meeting))
    assert whole.converged and parted.converged
    np.testing.assert_allclose(parted.theta, whole.theta, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(parted.cov_beta, whole.cov_beta, rtol=1e-6)


def test_a_variance_at_zero_is_the_same_in_parts() -> None:
    rows, meeting = season(2, tied=True)
    theta = np.where(np.arange(len(THETA)) < 6, [0.5, 0.2, 0.0, 0.0, 0.0, 0.0, 1, 1, 1], THETA)
    one, two = (
        criterion_function(sort_rows(replace(rows, parts=parts)))(theta)
        for parts in (None, meeting)
    )
    np.testing.assert_allclose(two.gradient, one.gradient, rtol=1e-9, atol=1e-10)
    np.testing.assert_allclose(two.hessian, one.hessian, rtol=1e-9, atol=1e-10)


def test_sparse_columns_are_the_same() -> None:
    rows, meeting = season(4)
    blocks = tuple(replace(b, Z=sparse.csr_array(b.Z)) for b in rows.penalised)
    dense = replace(rows, parts=meeting)
    one, two = (
        fit_rows(dense),
        fit_rows(replace(dense, X=sparse.csr_array(rows.X), penalised=blocks)),
    )
    np.testing.assert_allclose(two.theta, one.theta, rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(two.beta, one.beta, rtol=1e-10)


def test_inference_is_the_same_in_parts() -> None:
    rows, meeting = season(5)
    L = np.eye(rows.X.shape[1])
    found = []
    for parts in (None, meeting):
        fit = fit_rows(replace(rows, parts=parts))
        by_method = [
            contrast(fit, L[1], method=method) for method in ("satterthwaite", "kenward-roger")
        ]
        found.append([(c.estimate, c.std_error, c.df) for c in by_method])
    np.testing.assert_allclose(found[1], found[0], rtol=1e-5)


def test_aliased_columns_are_refused_in_parts() -> None:
    rows, meeting = season(6)
    doubled = np.column_stack([rows.X, (meeting == 0).astype(float)])
    with pytest.raises(ValueError, match="rank 5"):
        fit_rows(replace(rows, X=doubled, parts=meeting))


def test_more_than_one_crossing_level_falls_back_to_one_part() -> None:
    rows, _ = season(3)
    other = np.arange(len(rows.y)) % 7
    assert len(sort_rows(replace(rows, parts=other)).parts) == 1
