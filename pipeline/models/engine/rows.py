"""The rows of a mixed model, in the form that the solver takes.

    y = X b + sum_g Z_g u_g + sum_l N_l a_l + e

with nested intercepts a_l ~ N(0, theta_l), penalised coefficients u_g ~ N(0, sum_j theta_j
pattern_j) and Var(e_r) = known_r + sum_j theta_j diagonal_rj. A row is an observation or a
sufficient statistic of several (see `pipeline.runs.statistics`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
Matrix = Any  # an Array or a sparse array of scipy's


@dataclass(frozen=True)
class Penalised:
    """A block of q random coefficients.

    Z: (R, q), dense or sparse. patterns: (q, q) symmetric arrays, one a parameter; None stands
    for one identity.
    """

    name: str
    Z: Matrix
    patterns: tuple[Array, ...] | None = None

    @property
    def n_parameters(self) -> int:
        return 1 if self.patterns is None else len(self.patterns)


@dataclass(frozen=True)
class SdPrior:
    """A log-normal prior on the SD of a variance: its median, in the response's unit, and the SD
    of its logarithm. It is a penalty on the log scale, so that the mode is that of log SD."""

    median: float
    log_sd: float


@dataclass(frozen=True)
class Rows:
    """Response, fixed columns and covariance structure of R rows.

    y: (R,). X: (R, p), of full column rank, dense or sparse. diagonal: (R, m), all >= 0. known:
    (R,), known sampling variances. levels: nested groupings, coarse first, each (R,) of group
    codes, -1 for a row in no group. null_rows: (m,), how many further rows there are with y = 0,
    X = 0 and variance theta_j times a scale whose logs sum to null_log_scale (m,): what is left of
    the laps after pooling. names: one a parameter, in the order diagonal, levels, penalised
    patterns. priors: by name, on the SDs that have one.

    parts: (R,), codes of parts of the rows that share few columns (meetings). pieces: (R,), codes
    that divide each part into rows with the same columns (the team's and the rest). Both change
    the work, never the result.
    """

    y: Array
    X: Matrix
    diagonal: Array
    known: Array | None = None
    levels: tuple[Codes, ...] = ()
    penalised: tuple[Penalised, ...] = ()
    null_rows: Array | None = None
    null_log_scale: Array | None = None
    names: tuple[str, ...] = ()
    priors: Mapping[str, SdPrior] = field(default_factory=dict)
    parts: Codes | None = None
    pieces: Codes | None = None

    def prior(self) -> tuple[Array, Array]:
        """Log median and precision 1 / log SD^2 of each parameter's SD, (parameters,) both; a
        precision of zero where there is no prior."""
        centre, precision = np.zeros(self.n_parameters), np.zeros(self.n_parameters)
        for name, prior in self.priors.items():
            place = self.names.index(name)
            centre[place], precision[place] = np.log(prior.median), prior.log_sd**-2
        return centre, precision

    @property
    def n_parameters(self) -> int:
        patterns = sum(block.n_parameters for block in self.penalised)
        return self.diagonal.shape[1] + len(self.levels) + patterns

    def check(self) -> None:
        """Raise ValueError where shapes disagree, a level is not nested in the one before it or a
        value is not finite."""
        self._check_shapes()
        _check_nested(self.levels)
        named = {"y": self.y, "X": self.X, "diagonal": self.diagonal, "known": self.known}
        named |= {block.name: block.Z for block in self.penalised}
        for name, values in named.items():
            if values is None:
                continue
            if not np.isfinite(values.data if sparse.issparse(values) else values).all():
                raise ValueError(f"{name} holds a value that is missing or not finite")

    def _check_shapes(self) -> None:
        R = self.X.shape[0]
        lengths = [self.y.shape[0], self.diagonal.shape[0]]
        lengths += [codes.shape[0] for codes in self.levels]
        lengths += [block.Z.shape[0] for block in self.penalised]
        if any(length != R for length in lengths):
            raise ValueError(f"rows of different number: {lengths} beside {R} of X")
        if self.names and len(self.names) != self.n_parameters:
            raise ValueError(f"{len(self.names)} names for {self.n_parameters} parameters")


def _check_nested(levels: Sequence[Codes]) -> None:
    for coarse, fine in pairwise(levels):
        named = fine >= 0
        if not is_nested(fine[named], coarse[named]):
            raise ValueError("a group of one level lies in several of the coarser one before it")


def is_nested(fine: Codes, coarse: Codes) -> bool:
    """Every group of `fine` lies in one group of `coarse`. Codes from -1 up."""
    if not len(fine):
        return True
    holder = np.full(int(fine.max()) + 2, -2, dtype=np.intp)
    holder[fine + 1] = coarse
    return bool((holder[fine + 1] == coarse).all())
