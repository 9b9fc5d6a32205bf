"""Columns of which most are constant in each group of the absorbed term, as a season's are.

Where each group lies in one group of every other term, as a driver at a meeting in a driver, a
sum over the rows of a group stands for its rows: what does not vary within groups costs the
groups, and what varies (session kinds, setup) costs the rows in which it is not zero. Letters and
results are those of `counts_columns.DenseColumns`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy import sparse

from pipeline.models.counts_columns import Codes, Factor, Leverages
from pipeline.models.counts_family import Array

# Columns that are zero in all but this share of the rows are left out of the other rows.
_FEW = 0.4


@dataclass(frozen=True)
class Constant:
    """The columns that are constant in each group: G (q, mc) sparse, at `places` of R.

    row, place, value: G's entries, place among R's columns. pair_row, pair_place, product: of
    each two entries of a row, row, place in (mc, mc) and product.
    """

    G: Any
    transposed: Any
    places: Codes
    row: Codes
    place: Codes
    value: Array
    pair_row: Codes
    pair_place: Codes
    product: Array

    def square(self, weight: Array) -> Array:
        """G' diag(weight) G, (mc, mc)."""
        mc = len(self.places)
        flat = np.bincount(self.pair_place, weight[self.pair_row] * self.product, mc * mc)
        return np.asarray(flat, float).reshape(mc, mc)

    def over_entries(self, M: Array, c: Array) -> Array:
        """(q,): of M (q, m), the sum over G's columns of c_j G_gj M_gj."""
        terms = self.value * M[self.row, self.place] * c[self.place]
        return np.asarray(np.bincount(self.row, terms, self.G.shape[0]), float)


@dataclass(frozen=True)
class Varying:
    """Columns that vary within groups, over `rows` (k,), in all other rows zero.

    V: (k, columns), at `places` of R and `columns` of all that vary. Z: (q, k) sparse, ones.
    codes, values: (k,), of the absorbed term.
    """

    rows: Codes
    places: Codes
    columns: Codes
    V: Array
    Z: Any
    codes: Codes
    values: Array

    @cached_property
    def is_intercept(self) -> bool:
        """The absorbed term's values are all 1."""
        return bool((self.values == 1.0).all())

    def row_products(self, M: Array) -> Array:
        """(k,): row i times row i of M (k, columns)."""
        return np.asarray(np.einsum("ij,ij->i", self.V, M))


@dataclass(frozen=True)
class GroupedColumns:
    """See `columns.Columns`. codes, values: (n,) of the absorbed term; varying: (mv,) places;
    parts: of these columns over disjoint rows."""

    constant: Constant
    varying: Codes
    parts: tuple[Varying, ...]
    codes: Codes
    values: Array

    @property
    def width(self) -> int:
        return len(self.constant.places) + len(self.varying)

    def at(self, v: Array) -> Array:
        out = np.asarray((self.constant.G @ v[self.constant.places])[self.codes])
        for part in self.parts:
            out[part.rows] += part.V @ v[part.places]
        return out

    def back(self, x: Array) -> Array:
        out = np.zeros(self.width)
        out[self.constant.places] = self.constant.transposed @ self._sums(x)
        for part in self.parts:
            out[part.places] += part.V.T @ x[part.rows]
        return out

    def _sums(self, x: Array) -> Array:
        return np.asarray(np.bincount(self.codes, x, self.constant.G.shape[0]), float)

    def equations(self, w: Array, sigma: float, scale: Array) -> tuple[Array, Array, Array]:
        v, constant = self.values, self.constant
        by_value = self._sums(w * v)
        d = sigma**2 * self._sums(w * v * v) + 1.0
        V_sums, V_by_value, VV = self._varying_sums(w)
        C = np.zeros((len(d), self.width))
        C[constant.row, constant.place] = constant.value * by_value[constant.row]
        C[:, self.varying] = V_by_value
        lost = sigma**2 * by_value / d
        across = constant.transposed @ (V_sums - lost[:, None] * V_by_value)
        S = np.empty((self.width, self.width))
        S[np.ix_(constant.places, constant.places)] = constant.square(
            self._sums(w) - lost * by_value
        )
        S[np.ix_(constant.places, self.varying)] = across
        S[np.ix_(self.varying, constant.places)] = across.T
        S[np.ix_(self.varying, self.varying)] = VV - sigma**2 * (
            V_by_value.T @ (V_by_value / d[:, None])
        )
        return d, sigma * C * scale, scale[:, None] * S * scale

    def _varying_sums(self, w: Array) -> tuple[Array, Array, Array]:
        """By group, of w V and of w value V, (q, mv) both; V' diag(w) V, (mv, mv)."""
        plain = np.zeros((self.constant.G.shape[0], len(self.varying)))
        by_value = np.zeros_like(plain)
        square = np.zeros((len(self.varying),) * 2)
        for part in self.parts:
            wV = w[part.rows, None] * part.V
            sums = part.Z @ wV
            plain[:, part.columns] += sums
            by_value[:, part.columns] += (
                sums if part.is_intercept else part.Z @ (part.values[:, None] * wV)
            )
            square[np.ix_(part.columns, part.columns)] += part.V.T @ wV
        return plain, by_value, square

    def leverages(self, factor: Factor, E: Array, sigma: float, scale: Array) -> Leverages:
        F = -(factor.C / factor.d[:, None]) @ E
        corner = 1.0 / factor.d - np.einsum("ij,ij->i", F, factor.C) / factor.d
        beside = self.constant.over_entries(F, scale)[self.codes]
        for part in self.parts:
            own = F[:, part.places] * scale[part.places]
            beside[part.rows] += part.row_products(own[part.codes])
        absorbed = self.values * (corner[self.codes] * sigma * self.values + beside)
        H = scale[:, None] * E
        return _GroupedLeverages(self, absorbed, sigma, self.constant.G @ H[self.constant.places],
                                 F, H)  # fmt: skip


@dataclass(frozen=True)
class _GroupedLeverages:
    """H = scale E, (m, m); GH (q, m): G's part of R H; F (q, m)."""

    columns: GroupedColumns
    absorbed: Array
    sigma: float
    GH: Array
    F: Array
    H: Array

    def weighted(self, c: Array) -> Array:
        """Row i, of group g: sum over columns j of c_j R_ij ((R H)_ij + sigma value_i F_gj)."""
        of, constant = self.columns, self.columns.constant
        alone = constant.over_entries(self.GH, c)
        with_value = self.sigma * constant.over_entries(self.F, c)
        out = np.asarray(alone[of.codes] + of.values * with_value[of.codes])
        places = constant.places
        for part in of.parts:
            own, c_own = part.places, c[part.places]
            by_group = constant.G @ (self.H[np.ix_(own, places)] * c[places]).T
            by_group = by_group + self.GH[:, own] * c_own
            total = by_group[part.codes] + (part.V @ self.H[np.ix_(own, own)]) * c_own
            if c_own.any():
                beside = self.sigma * c_own * self.F[:, own]
                total += part.values[:, None] * beside[part.codes]
            out[part.rows] += part.row_products(total)
        return out


def grouped_columns(
    fixed: Array, terms: Sequence[tuple[Codes, int]], codes: Codes, values: Array, levels: int
) -> GroupedColumns | None:
    """Of fixed columns (n, p) and further intercepts (codes (n,), levels); None where one of
    these has a group of the absorbed term (codes, values, levels) in several of its own."""
    present, first = np.unique(codes, return_index=True)
    row_of = np.zeros(levels, dtype=np.intp)
    row_of[present] = first
    if any((term[row_of][codes] != term).any() for term, _ in terms):
        return None
    same = (fixed == fixed[row_of][codes]).all(axis=0)
    blocks = [sparse.csr_array(fixed[np.ix_(row_of, np.flatnonzero(same))])]
    blocks += [
        sparse.csr_array((np.ones(levels), (np.arange(levels), term[row_of])), (levels, count))
        for term, count in terms
    ]
    further = np.arange(sum(count for _, count in terms)) + fixed.shape[1]
    constant = _constant(sparse.hstack(blocks, format="csr"), np.r_[np.flatnonzero(same), further])
    varying = np.flatnonzero(~same)
    parts = _parts(fixed[:, varying], varying, codes, values, levels)
    return GroupedColumns(constant, varying, parts, codes, values)


def _constant(G: Any, places: Codes) -> Constant:
    row = np.repeat(np.arange(G.shape[0]), np.diff(G.indptr))
    count = np.diff(G.indptr)[row]
    left = np.repeat(np.arange(len(row)), count)
    right = G.indptr[row[left]] + np.arange(len(left)) - (np.cumsum(count) - count)[left]
    return Constant(
        G=G,
        transposed=sparse.csr_array(G.T),
        places=places,
        row=row,
        place=places[G.indices],
        value=G.data,
        pair_row=row[left],
        pair_place=G.indices[left].astype(np.intp) * G.shape[1] + G.indices[right],
        product=G.data[left] * G.data[right],
    )


def _parts(
    V: Array, places: Codes, codes: Codes, values: Array, levels: int
) -> tuple[Varying, ...]:
    """Rows in which the columns that are mostly zero are not, with all columns; the other rows
    with the other columns."""
    here, few = _few_rows(V != 0)
    parts = []
    for rows, columns in (
        (np.flatnonzero(here), np.arange(V.shape[1])),
        (np.flatnonzero(~here), np.flatnonzero(~few)),
    ):
        if len(rows) and len(columns):
            Z = sparse.csr_array(
                (np.ones(len(rows)), (codes[rows], np.arange(len(rows)))), (levels, len(rows))
            )
            own = np.ascontiguousarray(V[np.ix_(rows, columns)])
            parts.append(Varying(rows, places[columns], columns, own, Z, codes[rows], values[rows]))
    return tuple(parts)


def _few_rows(used: np.ndarray[Any, Any]) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Rows (n,) and columns (mv,), both flags: the columns that together are used in few rows.

    used: (n, mv) flags.
    """
    rows = np.zeros(len(used), bool)
    few = np.zeros(used.shape[1], bool)
    for column in np.argsort(used.sum(axis=0), kind="stable"):
        more = rows | used[:, column]
        if more.mean() > _FEW:
            break
        rows, few[column] = more, True
    return rows, few
