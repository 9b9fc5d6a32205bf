"""Cheaper steps change the work, never the result."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.models.engine import newton
from pipeline.models.engine.rows import SdPrior
from pipeline.models.engine.solver import Fit, fit_rows
from tests.models.test_solver_parts import THETA, season


def _fitted(monkeypatch: pytest.MonkeyPatch, seed: int, cheap: int, near: float) -> Fit:
    monkeypatch.setattr(newton, "CHEAP_CELLS", cheap)
    monkeypatch.setattr(newton, "NEAR", near)
    return fit_rows(season(seed)[0], THETA[:6])


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("near", [1e-9, 0.1, 1e9])
def test_rough_steps_arrive_where_exact_ones_do(
    monkeypatch: pytest.MonkeyPatch, seed: int, near: float
) -> None:
    exact = _fitted(monkeypatch, seed, cheap=10**9, near=0.1)
    other = _fitted(monkeypatch, seed, cheap=0, near=near)
    assert exact.converged and other.converged
    assert other.criterion == pytest.approx(exact.criterion, abs=1e-7)
    errors = np.sqrt(np.diag(exact.cov_beta))
    np.testing.assert_allclose(other.beta / errors, exact.beta / errors, atol=1e-4)


@pytest.mark.parametrize("start", [10.0, 1e-6])
def test_a_variance_with_a_prior_is_found_from_far_away(start: float) -> None:
    rows, _ = season(3)
    names = tuple("abcdef")
    asked = replace(rows, names=names, priors={"f": SdPrior(0.05, 1.0)})
    near, far = fit_rows(asked, THETA[:6]), fit_rows(asked, np.append(THETA[:5], start))
    assert far.criterion == pytest.approx(near.criterion, abs=1e-6)
    assert far.theta[-1] == pytest.approx(near.theta[-1], rel=1e-3)
    assert far.evaluations < 40
