"""Run orders of the literature: ours must be at least as efficient.

Sources, from memory (their abstracts and titles could be found, not their tables):
Daniel, C. and Wilcoxon, F. (1966), Factorial 2^(p-q) plans robust against linear and quadratic
    trends, Technometrics 8, 259-278: main effects on interaction columns of the standard order.
Cheng, C.-S. and Jacroux, M. (1988), The construction of trend-free run orders of two-level
    factorial designs, JASA 83, 1152-1158: an m-factor column is orthogonal to degree m - 1.
Atkinson, A. C. and Donev, A. N. (1996), Experimental designs optimally balanced for trend,
    Technometrics 38, 333-341: efficiency as variance without trend over variance with it.
Bailey, R. A., Cheng, C.-S. and Kipnis, P. (1992), Construction of trend-resistant factorial
    designs, Statistica Sinica 2, 393-411: factors of more than two levels.
That the literature's orders have the property named is tested here too.
"""

import itertools

import numpy as np
import pytest

from tests.plan.days import day, polynomial, search, summed_variance


def efficiency(request, columns, degree):
    """Variance without any trend, relative to that with it: 1 is free of the trend."""
    return summed_variance(polynomial(request, 0), columns) / summed_variance(
        polynomial(request, degree), columns
    )


def interaction(runs, letters):
    """0/1 column of an interaction of basic columns in standard order ('ab', 'abc', ...)."""
    bits = [(np.arange(runs) >> "abcde".index(letter)) & 1 for letter in letters]
    return np.bitwise_xor.reduce(bits).astype(float)


@pytest.mark.parametrize(
    ("runs", "letters"), [(8, "ab"), (8, "abc"), (16, "abc"), (16, "abcd"), (32, "abcde")]
)
def test_an_interaction_of_m_columns_is_orthogonal_to_degree_m_minus_one(runs, letters):
    column = interaction(runs, letters)
    time = np.arange(runs) - (runs - 1) / 2
    signs = 1 - 2 * column
    moments = [signs @ time**power for power in range(len(letters))]
    assert moments == pytest.approx([0] * len(letters), abs=1e-6)
    assert abs(signs @ time ** len(letters)) > 1


@pytest.mark.parametrize(
    ("factors", "runs", "degree"),
    [(1, 4, 1), (1, 8, 2), (2, 8, 1), (3, 8, 1), (3, 8, 2), (4, 16, 1), (4, 16, 2)],
)
def test_two_level_factorials_are_as_efficient_as_the_best_interaction_columns(
    factors, runs, degree
):
    request = day(1, runs, *[2] * factors, warm_up=0, changes_between_runs=factors)
    nuisance = polynomial(request, degree)
    basic = "abcd"[: runs.bit_length() - 1]
    names = [
        "".join(chosen)
        for size in range(1, len(basic) + 1)
        for chosen in itertools.combinations(basic, size)
    ]
    literature = min(
        summed_variance(nuisance, np.column_stack([interaction(runs, name) for name in chosen]))
        for chosen in itertools.combinations(names, factors)
    )
    found, settings = search(request, nuisance)
    ours = summed_variance(nuisance, settings.design(found.order))
    assert ours <= literature * (1 + 1e-6)


def test_one_factor_in_eight_runs_free_of_linear_and_quadratic_trend_is_known():
    """ABBABAAB (Prouhet's sequence) has efficiency 1; under a quadratic ours has it too."""
    request = day(1, 8)
    prouhet = np.array([[c == "B"] for c in "ABBABAAB"], dtype=float)
    assert efficiency(request, prouhet, 2) == pytest.approx(1)
    found, settings = search(request, polynomial(request, 2))
    assert efficiency(request, settings.design(found.order), 2) == pytest.approx(1)


@pytest.mark.parametrize("order", ["ABCCBA", "ABCBCACAB"])
def test_three_levels_are_as_efficient_as_known_orders_under_a_linear_trend(order):
    request = day(1, len(order), 3, warm_up=0)
    known = np.array([[c == "B", c == "C"] for c in order], dtype=float)
    assert efficiency(request, known, 1) == pytest.approx(1)
    nuisance = polynomial(request, 1)
    found, settings = search(request, nuisance)
    ours = summed_variance(nuisance, settings.design(found.order))
    assert ours <= summed_variance(nuisance, known) * (1 + 1e-6)


@pytest.mark.parametrize(("degree", "ratio"), [(2, 0.49), (3, 0.35)])
@pytest.mark.parametrize("drivers", [1, 2, 4])
def test_the_best_order_against_all_a_then_all_b(drivers, degree, ratio):
    """Computed bounds of the method: the best of all orders has 0.488 and 0.350 of the width."""
    request = day(drivers, 8, warm_up=0)
    nuisance = polynomial(request, degree)
    usual = np.tile(np.repeat([0.0, 1.0], 4), drivers)[:, None]
    found, settings = search(request, nuisance)
    ours = summed_variance(nuisance, settings.design(found.order))
    assert np.sqrt(ours / summed_variance(nuisance, usual)) <= ratio + 0.001
