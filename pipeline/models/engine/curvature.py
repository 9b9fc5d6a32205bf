"""The expected information tr(P V_j P V_k), by parts.

With the notation of `arrow`, S C^-1 S' = diag(X_i, 0) + F B F', so that every trace is a sum over
the parts and one over the border, though P itself is dense:

    H_j = (W A)' V_j W A for the parameters of V0,   U_ji = (H_j F)_i,
    A' P A = N - R B R',   N_ii = K_ii - K_ii X_i K_ii,   R = K F (R_b = T).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import qr

from pipeline.models.engine.lines import Lines, expanded, gram, row_products, summed, within
from pipeline.models.engine.parts import Piece, square
from pipeline.models.engine.rows import Array, Codes

if TYPE_CHECKING:
    from pipeline.models.engine.criterion import State


def expected_information(state: State) -> Array:
    """tr(P V_j P V_k), (parameters, parameters)."""
    nested, k = state.nested, len(state.theta)
    out = np.zeros((k, k))
    forms = [_Form(state, _gram(state, j)) for j in range(len(nested))]
    products = np.zeros((len(forms),) * 2)
    for i, one in enumerate(forms):
        for j in range(i + 1):
            products[i, j] = products[j, i] = one.product(forms[j])
    second = state.nested_derivatives[1]
    out[np.ix_(nested, nested)] = products - second - 2 * _mixed_traces(state)
    for j in range(state.m):
        out[j, j] += state.pooled_trace(j, 2)
    if state.sorted_rows.blocks:
        blocks = np.array([block.parameter for block in state.sorted_rows.blocks])
        penalised = _Penalised(state)
        beside = np.array([penalised.beside(form) for form in forms])
        out[np.ix_(nested, blocks)], out[np.ix_(blocks, nested)] = beside, beside.T
        out[np.ix_(blocks, blocks)] = penalised.among()
    return (out + out.T) / 2


def _sums(state: State, level: int) -> list[tuple[Lines, ...]]:
    """Sums of the rows of W A over the groups of a local level."""
    rows = state.sorted_rows
    active = rows.groups[level].active
    return [
        tuple(
            summed(piece, level, active, line)
            for piece, line in zip(part.pieces, lines, strict=True)
        )
        for part, lines in zip(rows.parts, state.WA, strict=True)
    ]


def _gram(state: State, number: int) -> list[Array]:
    """(WA)' V_j WA of the nested parameter with this number, (P, P) a part."""
    parts, diagonal = state.sorted_rows.parts, state.sorted_rows.diagonal
    if number >= state.m:
        sums = _sums(state, number - state.m)
        return [gram(part, lines) for part, lines in zip(parts, sums, strict=True)]
    return [
        gram(part, lines, tuple(diagonal[piece.rows, number] for piece in part.pieces))
        for part, lines in zip(parts, state.WA, strict=True)
    ]


def _applied(state: State, piece: Piece, line: Lines) -> dict[int, Lines]:
    """V_j times the rows of a piece, for each nested parameter that varies them."""
    rows = state.sorted_rows
    diagonal = rows.diagonal[piece.rows].T
    out = {number: line.weighted(d) for number, d in enumerate(diagonal) if d.any()}
    for level, group in enumerate(rows.groups):
        if group.active[piece.groups[level][0]].any():
            sums = summed(piece, level, group.active, line)
            out[state.m + level] = expanded(piece, level, sums)
    return out


def _mixed_traces(state: State) -> Array:
    """tr(S C^-1 S' (WA)' V_i W V_j WA) over the nested parameters."""
    n = len(state.nested)
    out = np.zeros((n, n))
    for piece, line, turned in state.by_piece():
        left = _applied(state, piece, turned)
        for j, one in _applied(state, piece, line).items():
            carried = within(piece, state.absorbed, one)
            for i in left:
                if i <= j:
                    out[i, j] += float(left[i].products(carried).sum())
    return np.triu(out) + np.triu(out, 1).T


@dataclass(frozen=True)
class _Form:
    """A symmetric matrix H over the columns, (P, P) a part."""

    state: State
    H: list[Array]

    @cached_property
    def U(self) -> list[Array]:
        """H F over each part's own columns, (own, P - own)."""
        out = []
        for part, block, H in zip(*self._parts, self.H, strict=True):
            own = H[: part.own]
            out.append(own[:, : part.own] @ block.F + own[:, part.own :])
        return out

    @property
    def _parts(self) -> tuple:
        return self.state.sorted_rows.parts, self.state.factor.own

    @cached_property
    def over_border(self) -> Array:
        """F' H F, (b, b)."""
        b = len(self.state.factor.border)
        out = np.zeros((b, b))
        for part, block, H, U in zip(*self._parts, self.H, self.U, strict=True):
            lower = H[part.own :]
            added = lower[:, part.own :] + block.F.T @ U + lower[:, : part.own] @ block.F
            out[square(part.at)] += added
        return out

    @cached_property
    def turned(self) -> Array:
        """B F' H F, (b, b)."""
        return np.asarray(self.state.factor.B @ self.over_border)

    @cached_property
    def own_turned(self) -> list[Array]:
        """X_i H_ii of each part."""
        return [
            block.inverse @ H[: part.own, : part.own]
            for part, block, H in zip(*self._parts, self.H, strict=True)
        ]

    @cached_property
    def beside(self) -> list[Array]:
        """X_i U_i B of each part."""
        B = self.state.factor.B
        return [
            block.inverse @ U @ B[square(part.at)]
            for part, block, U in zip(*self._parts, self.U, strict=True)
        ]

    def product(self, other: _Form) -> float:
        """tr(S C^-1 S' H S C^-1 S' H'), H' the other's."""
        out = float((self.turned * other.turned.T).sum())
        for mine, theirs in zip(self.own_turned, other.own_turned, strict=True):
            out += float((mine * theirs.T).sum())
        for mine, theirs in zip(self.beside, other.U, strict=True):
            out += 2 * float((mine * theirs).sum())
        return out


@dataclass(frozen=True)
class _Own:
    """Penalised columns of one part's own: place (r,) among its columns, their blocks, R (r, P -
    own), N (r, r), Y (own, r): (I - X K)."""

    place: Codes
    owner: Codes
    R: Array
    N: Array
    Y: Array


class _Penalised:
    """A' P A over the penalised columns of a state."""

    def __init__(self, state: State) -> None:
        rows, factor = state.sorted_rows, state.factor
        self.state = state
        self.blocks = rows.blocks
        self.B = factor.B
        self.Q = np.eye(len(rows.border)) - factor.B @ factor.T
        self.M = factor.T @ self.Q  # of the border
        self.at = np.full(rows.k, -1)
        self.at[rows.border] = np.arange(len(rows.border))
        self.owner = np.full(rows.k, -1)  # the scalar block of each column
        for number, block in enumerate(rows.blocks):
            if block.pattern is None:
                self.owner[block.columns] = number
        self.own = [self._own(number) for number in range(len(rows.parts))]

    def _own(self, number: int) -> _Own:
        state = self.state
        part, block = state.sorted_rows.parts[number], state.factor.own[number]
        owner = self.owner[part.columns[: part.own]]
        place = np.flatnonzero(owner >= 0)
        K = state.K[number][: part.own]
        own = K[:, : part.own]
        XK = block.inverse @ own[:, place]
        Y = -XK
        Y[place, np.arange(len(place))] += 1.0
        N = own[np.ix_(place, place)] - own[place] @ XK
        return _Own(place, owner[place], own[place] @ block.F + K[place, part.own :], N, Y)

    def _by_block(self, values: Array, owner: Codes) -> Array:
        """Sums over the scalar blocks. values: (n,) or (n, j)."""
        member = owner == np.arange(len(self.blocks))[:, None]
        return np.asarray(member.astype(float) @ values)

    def _over_border(self, block: int) -> Codes:
        """Places in the border of a block with a pattern."""
        return self.at[self.blocks[block].columns]

    def beside(self, form: _Form) -> Array:
        """tr(P V_j P Z pattern Z') for the form's parameter, (blocks,)."""
        state = self.state
        border = state.sorted_rows.border
        shaped = form.over_border @ self.Q
        out = self._by_block((shaped * self.Q).sum(axis=0), self.owner[border])
        for number, block in enumerate(self.blocks):
            if block.pattern is not None:
                here = self._over_border(number)
                inner = self.Q[:, here].T @ shaped[:, here]
                out[number] += float((inner * block.pattern).sum())
        twice = form.turned @ self.B
        for part, own, H, U in zip(state.sorted_rows.parts, self.own, form.H, form.U, strict=True):
            at = square(part.at)
            value = (H[: part.own, : part.own] @ own.Y * own.Y).sum(axis=0)
            value -= 2 * row_products(own.Y.T @ U @ self.B[at], own.R)
            value += row_products(own.R @ twice[at], own.R)
            out += self._by_block(value, own.owner)
        return out

    def among(self) -> Array:
        """tr(P Z_j pattern_j Z_j' P Z_k pattern_k Z_k'), (blocks, blocks)."""
        border = self.owner[self.state.sorted_rows.border]
        out = self._squares(self.M, border, border)
        for part, own in zip(self.state.sorted_rows.parts, self.own, strict=True):
            lost = own.R @ self.B[square(part.at)] @ own.R.T
            out += self._squares(own.N - lost, own.owner, own.owner)
            out -= self._squares(lost, own.owner, own.owner)
            beside = self._squares(own.R @ self.Q[part.at], own.owner, border)
            out += beside + beside.T
        roots, owner = self._roots()
        out += self._squares(roots @ self.B @ roots.T, owner, owner)
        return self._with_patterns(out)

    def _squares(self, M: Array, rows: Codes, columns: Codes) -> Array:
        """Sums of M^2 over the scalar blocks of its rows and columns."""
        return self._by_block(self._by_block(M * M, rows).T, columns).T

    def _roots(self) -> tuple[Array, Codes]:
        """Of each scalar block a matrix whose square is R'R over all parts, one below the other,
        with no more rows a block than the border has columns."""
        b = len(self.state.sorted_rows.border)
        parts = self.state.sorted_rows.parts
        owner = np.concatenate([own.owner for own in self.own])
        R = np.zeros((len(owner), b))
        first = 0
        for part, own in zip(parts, self.own, strict=True):
            R[first : first + len(own.owner), part.at] = own.R
            first += len(own.owner)
        roots, owners = [np.zeros((0, b))], [np.zeros(0, dtype=np.intp)]
        for number in np.unique(owner):
            root = R[owner == number]
            if len(root) > b:
                root = qr(root, mode="r", check_finite=False)[0][:b]
            roots.append(root)
            owners.append(np.full(len(root), number))
        return np.vstack(roots), np.concatenate(owners)

    def _with_patterns(self, out: Array) -> Array:
        """Add the pairs in which a block has a pattern; these stand in the border whole."""
        border = self.owner[self.state.sorted_rows.border]
        for j, block in enumerate(self.blocks):
            if block.pattern is None:
                continue
            here = self._over_border(j)
            M = self.M[:, here]
            one = self._by_block(row_products(M @ block.pattern, M), border)
            for part, own in zip(self.state.sorted_rows.parts, self.own, strict=True):
                M = own.R @ self.Q[part.at][:, here]
                one += self._by_block(row_products(M @ block.pattern, M), own.owner)
            out[j] += one
            out[:, j] += one
            for i, other in enumerate(self.blocks[: j + 1]):
                if other.pattern is not None:
                    M = self.M[np.ix_(self._over_border(i), here)]
                    value = float((other.pattern * (M @ block.pattern @ M.T)).sum())
                    out[i, j] = out[j, i] = value
        return out
