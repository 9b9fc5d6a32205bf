"""q-values in two layers: the factors first, then what is asked of each.

An analysis asks many questions of a factor (outcomes, levels). Tested one by one, a day without any
effect shows one in 21 %. So a factor is called first, by Simes' test over all that is asked of it
and Benjamini and Hochberg (1995) over the factors; within the factors that were called, Benjamini
and Hochberg at the share of factors that were (Benjamini and Bogomolov 2014). Questions have
weights (Genovese, Roeder and Wasserman 2006, from memory): what a change is for, time, is asked
first, and the rest explains it. What is asked by a condition's values is a family of its own: an
effect that changes sign with grip shows in no other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.models.engine.rows import Array

LEVEL = 0.05


def family_q_values(
    p_values: Array, family: NDArray[np.intp], weight: Array | None = None
) -> Array:
    """q-values (n,): at most `LEVEL` where a question is called. p_values: (n,), NaN for none.

    family: (n,) codes from 0 of the factor that each is asked of. weight: (n,), relative within a
    factor; default: all alike.
    """
    out = np.full(len(p_values), np.nan)
    told = np.isfinite(p_values)
    if not told.any():
        return out
    codes = np.unique(family[told], return_inverse=True)[1]
    within = np.empty(int(told.sum()))
    smallest = np.empty(int(codes.max()) + 1)
    for code in range(len(smallest)):
        own = codes == code
        w = np.ones(int(own.sum())) if weight is None else weight[told][own]
        within[own] = false_discovery(np.minimum(p_values[told][own] * w.mean() / w, 1.0))
        smallest[code] = within[own].min()  # Simes (1986)
    of_factor = false_discovery(smallest)
    called = max(int((of_factor <= LEVEL).sum()), 1)
    spread_out = np.minimum(within * len(smallest) / called, 1.0)
    # A weight may make a question cheaper than it was asked, never surer than its p value.
    out[told] = np.maximum(np.maximum(spread_out, of_factor[codes]), p_values[told])
    return out


def false_discovery(p_values: Array) -> Array:
    """q-values (n,) of p-values (n,), by Benjamini and Hochberg (1995).

    As scipy.stats has it, whose import alone takes longer than a season's effects.
    """
    n, order = len(p_values), np.argsort(p_values)
    stepped = p_values[order] * (n / np.arange(1, n + 1))
    out = np.empty(n)
    out[order] = np.minimum.accumulate(stepped[::-1])[::-1]
    return np.minimum(out, 1.0)
