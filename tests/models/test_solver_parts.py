"""Parts change the work, never the result."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.models.criterion import State, criterion_function
from pipeline.models.rows import Penalised, Rows, sort_rows
from pipeline.models.solver import fit_rows

THETA = np.array([0.5, 0.2, 0.3, 0.4, 0.1, 0.2])
PARTS = 4


def season(seed: int) -> tuple[Rows, NDArray[np.intp]]:
    """Five drivers at four meetings, some rows in no group, columns local to a meeting."""
    rng = np.random.default_rng(seed)
    n = 80
    meeting = rng.permutation(np.repeat(np.arange(PARTS), n // PARTS))
    driver = rng.integers(0, 5, n)
    entry = driver * PARTS + meeting
    driver[:3] = entry[:3] = -1
    of_meeting = (meeting[:, None] == np.arange(PARTS)).astype(float)
    local = [of_meeting[:, [m]] * rng.normal(size=(n, 4)) for m in range(PARTS)]
    rows = Rows(
        y=10 + rng.normal(size=n) + driver,
        X=np.column_stack([np.ones(n), rng.normal(size=n), of_meeting[:, 1:]]),
        diagonal=rng.uniform(0.5, 2, (n, 2)),
        known=rng.uniform(0, 0.1, n),
        levels=(driver, entry),
        penalised=(
            Penalised("local", np.hstack(local)),
            Penalised("everywhere", rng.normal(size=(n, 3))),
        ),
        null_rows=np.array([7.0, 0.0]),
        null_log_scale=np.array([0.3, 0.0]),
    )
    return rows, meeting


def both(seed: int) -> tuple[State, State]:
    rows, meeting = season(seed)
    whole = criterion_function(sort_rows(rows))(THETA)
    parted = criterion_function(sort_rows(replace(rows, parts=meeting)))(THETA)
    return whole, parted


@pytest.mark.parametrize("seed", range(4))
def test_every_quantity_is_the_same_in_parts(seed: int) -> None:
    whole, parted = both(seed)
    assert (len(whole.sorted_rows.parts), len(parted.sorted_rows.parts)) == (1, PARTS)
    assert parted.sorted_rows.crossing is not None
    for name in ("criterion", "beta", "gradient", "average", "expected", "hessian", "inverse"):
        np.testing.assert_allclose(
            getattr(parted, name), getattr(whole, name), rtol=1e-9, atol=1e-10, err_msg=name
        )


def test_the_fit_is_the_same_in_parts() -> None:
    rows, meeting = season(9)
    whole, parted = fit_rows(rows), fit_rows(replace(rows, parts=meeting))
    assert whole.converged and parted.converged
    np.testing.assert_allclose(parted.theta, whole.theta, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(parted.cov_beta, whole.cov_beta, rtol=1e-6)


def test_more_than_one_crossing_level_falls_back_to_one_part() -> None:
    rows, _ = season(3)
    other = np.arange(len(rows.y)) % 7
    assert len(sort_rows(replace(rows, parts=other)).parts) == 1
