"""q-values in two layers, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.models.families import false_discovery, family_q_values


def stepped(p: list[float]) -> list[float]:
    """Benjamini and Hochberg (1995), as they wrote it: the smallest n p / rank from here up."""
    n = len(p)
    rank = {i: r for r, i in enumerate(sorted(range(n), key=lambda i: p[i]), 1)}
    return [
        min(min(n * p[j] / rank[j] for j in range(n) if rank[j] >= rank[i]), 1.0) for i in range(n)
    ]


def two_layers(p: list[float], family: list[int], weight: list[float]) -> list[float]:
    """Factors by Simes over weighted p-values, then what is asked of each (see `families`)."""
    factors = sorted(set(family))
    inside: dict[int, list[float]] = {}
    for f in factors:
        own = [i for i, g in enumerate(family) if g == f]
        mean = sum(weight[i] for i in own) / len(own)
        inside[f] = stepped([min(p[i] * mean / weight[i], 1.0) for i in own])
    outside = dict(zip(factors, stepped([min(inside[f]) for f in factors]), strict=True))
    called = max(sum(q <= 0.05 for q in outside.values()), 1)
    found, seen = [], dict.fromkeys(factors, 0)
    for value, f in zip(p, family, strict=True):
        q = min(inside[f][seen[f]] * len(factors) / called, 1.0)
        seen[f] += 1
        found.append(max(q, outside[f], value))
    return found


@pytest.mark.parametrize("seed", range(40))
def test_as_by_hand(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 12))
    p = rng.choice([0.0004, 0.004, 0.02, 0.05, 0.3, 0.9], n) * rng.uniform(0.5, 1, n)
    family, weight = rng.integers(0, 4, n), rng.choice([2.5, 1.0, 0.5], n)
    found = family_q_values(p, family, weight)
    np.testing.assert_allclose(found, two_layers(list(p), list(family), list(weight)), rtol=1e-12)
    even = family_q_values(p, family)
    np.testing.assert_allclose(even, two_layers(list(p), list(family), [1.0] * n), rtol=1e-12)


def test_without_a_p_value_there_is_no_q_value() -> None:
    p = np.array([np.nan, 0.01, np.nan, 0.2])
    family, weight = np.array([3, 3, 0, 1]), np.array([9.0, 1, 9, 1])
    found = family_q_values(p, family, weight)
    assert np.isnan(found[[0, 2]]).all()
    np.testing.assert_allclose(found[[1, 3]], two_layers([0.01, 0.2], [3, 1], [1, 1]))
    assert np.isnan(family_q_values(np.full(3, np.nan), np.arange(3))).all()
    assert len(family_q_values(np.zeros(0), np.zeros(0, int))) == 0


@pytest.mark.parametrize(("p", "times"), [(0.05, 1), (0.05 + 1e-9, 2)])
def test_a_factor_is_called_at_five_per_cent(p: float, times: int) -> None:
    """Of two factors both are called, and what is asked of each stands at the share of 2 in 2; or
    neither, and then as if one were."""
    found = family_q_values(np.array([p / 2, p]), np.array([0, 1]))
    np.testing.assert_allclose(found, [p, p * times], rtol=1e-12)


def test_false_discovery_is_stepped() -> None:
    p = [0.01, 0.04, 0.03, 0.5]
    np.testing.assert_allclose(false_discovery(np.array(p)), stepped(p))
