"""What a count model is given: a row a run, and its random terms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from pipeline.models.counts_family import Array


@dataclass(frozen=True)
class RandomTerm:
    """Effects N(0, sigma^2), one per group: codes (n,) whole numbers from 0; values (n,) makes
    it a random slope of that column."""

    codes: NDArray[np.intp]
    values: Array | None = None
    name: str = ""

    @property
    def levels(self) -> int:
        return int(np.max(self.codes)) + 1

    def design(self) -> sparse.csr_array:
        """Its columns, (n, levels)."""
        n = len(self.codes)
        values = np.ones(n) if self.values is None else np.asarray(self.values, float)
        return sparse.csr_array((values, (np.arange(n), self.codes)), shape=(n, self.levels))


@dataclass(frozen=True)
class Deviations:
    """Deviations N(0, sigma^2) of an effect, as from meeting to meeting: columns (n, q), sparse.
    Their SD has a prior of its own, and they can be part of a combination."""

    columns: sparse.csr_array
    name: str = ""

    @property
    def levels(self) -> int:
        return int(self.columns.shape[1])


@dataclass(frozen=True)
class CountRows:
    """One row a run. y (n,) whole counts; X (n, p) fixed columns with the constant among them;
    exposure (n,) laps, the log of which is the offset; trials (n,) for the binomial; terms,
    varying: what is random, the latter only beside the former. ValueError where these do not fit
    together."""

    y: Array
    X: Array
    exposure: Array | None = None
    trials: Array | None = None
    terms: tuple[RandomTerm, ...] = ()
    varying: tuple[Deviations, ...] = ()

    def __post_init__(self) -> None:
        for name in ("y", "X", "exposure", "trials"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, np.asarray(getattr(self, name), float))
        if self.X.shape[:1] != self.y.shape or not len(self.y):
            raise ValueError(f"y has shape {self.y.shape} and X {self.X.shape}")
        self._check_counts()
        if not np.isfinite(self.X).all() or np.linalg.matrix_rank(self.X) < self.X.shape[1]:
            raise ValueError("a fixed column is not finite, or a combination of the others")
        if any(np.shape(term.codes) != self.y.shape for term in self.terms):
            raise ValueError("a random term needs one code a row")
        if any(one.columns.shape[0] != len(self.y) for one in self.varying):
            raise ValueError("deviations need one row a row")
        if self.varying and not self.terms:
            raise ValueError("deviations need a random term beside them")

    def _check_counts(self) -> None:
        if not (self.y >= 0).all() or (self.y != np.floor(self.y)).any():
            raise ValueError("counts must be whole and not negative")
        if self.exposure is not None and not (self.exposure > 0).all():
            raise ValueError("exposure must be above zero in every row")
        if self.trials is not None and (self.y > self.trials).any():
            raise ValueError("more successes than trials")
