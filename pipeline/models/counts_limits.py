"""Effects that the counts leave without a limit, as that of a level in which nothing happened."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from pipeline.models.counts_family import Array

# Of a step of 1 in scaled columns: below it the solver's own tolerance.
_NONE = 1e-6


def without_limit(X: Array, y: Array, trials: Array | None = None) -> NDArray[np.intp]:
    """The columns of X (n, p) along which the likelihood rises for ever.

    A direction d is one where X d = 0 in rows with some events, <= 0 in rows without any and, of
    `trials`, >= 0 in rows where each was one; found by linear programming (Albert and Anderson
    1984, Correia, Guimaraes and Zylkin 2019, from memory). y (n,) counts.
    """
    size = np.abs(X).max(axis=0)
    scaled = X / np.where(size > 0, size, 1.0)
    full = np.zeros(len(y), bool) if trials is None else (y == trials) & (y > 0)
    one_way = np.vstack([scaled[y == 0], -scaled[full]])
    both_ways = scaled[(y > 0) & ~full]
    if not len(one_way):
        return np.zeros(0, np.intp)
    found = optimize.linprog(
        one_way.sum(axis=0),
        A_ub=one_way,
        b_ub=np.zeros(len(one_way)),
        A_eq=both_ways if len(both_ways) else None,
        b_eq=np.zeros(len(both_ways)) if len(both_ways) else None,
        bounds=(-1.0, 1.0),
    )
    return np.flatnonzero(np.abs(found.x) > _NONE) if found.fun < -_NONE else np.zeros(0, np.intp)
