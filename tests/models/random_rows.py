"""Random seasons as rows of a mixed model, of every shape that the solver must bear."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.models.engine.rows import Array, Codes, Penalised, Rows

Generator = np.random.Generator


def nested(rng: Generator, drivers: int = 5, entries: int = 3, runs: int = 4) -> Rows:
    """Runs of drivers at meetings, balanced: driver, driver at the meeting, equal variances."""
    driver = np.repeat(np.arange(drivers), entries * runs)
    entry = np.repeat(np.arange(drivers * entries), runs)
    return build(rng, (driver, entry), np.ones((len(driver), 1)))


def unbalanced(rng: Generator) -> Rows:
    """As nested, with half of the runs missing and the rest in any order."""
    full = nested(rng, 6, 4, 4)
    keep = rng.permutation(len(full.y))[: len(full.y) // 2]
    return subset(full, keep)


def three_levels(rng: Generator) -> Rows:
    """Driver, driver at the meeting and run, three laps a run."""
    run = np.repeat(np.arange(30), 3)
    return build(rng, (run // 10, run // 5, run), np.ones((90, 1)))


def one_driver(rng: Generator) -> Rows:
    """A level with a single group, which says nothing about its own variance."""
    entry = np.repeat(np.arange(6), 5)
    return build(rng, (np.zeros(30, int), entry), np.ones((30, 1)), columns=2)


def one_run(rng: Generator) -> Rows:
    """Laps of one run: no level at all."""
    return build(rng, (), np.ones((20, 1)), columns=2)


def some_in_no_group(rng: Generator) -> Rows:
    """Code -1: rows that a level does not touch."""
    driver = np.repeat(np.arange(8), 6)
    entry = np.where(rng.random(48) < 0.3, -1, np.repeat(np.arange(16), 3))
    return build(rng, (driver, entry), np.ones((48, 1)))


def zero_variance(rng: Generator) -> Rows:
    """Drivers that do not differ, less than chance even: the estimate lies on the boundary."""
    driver = np.repeat(np.arange(8), 6)
    rows = build(rng, (driver,), np.ones((48, 1)), columns=1, driver_sd=0.0)
    means = np.bincount(driver, rows.y) / 6
    return with_response(rows, rows.y - means[driver] + 0.01 * rng.normal(size=8)[driver])


def weights(rng: Generator) -> Rows:
    """Two classes of drivers with lap variances of their own, means of unequal numbers of laps."""
    driver = np.repeat(np.arange(8), 6)
    laps = rng.integers(5, 25, 48)
    diagonal = np.zeros((48, 2))
    diagonal[np.arange(48), driver % 2] = 1 / laps
    return build(rng, (driver, np.arange(48) // 3), diagonal)


def known_variances(rng: Generator) -> Rows:
    """Log SD of runs: sampling variances known, a variance between runs beside them."""
    driver = np.repeat(np.arange(8), 5)
    known = rng.uniform(0.01, 0.05, 40)
    return build(rng, (driver,), np.ones((40, 1)), known=known)


def spline_and_slopes(rng: Generator) -> Rows:
    """A penalised trend across everything and random slopes of a contrast, crossed with drivers."""
    driver = np.repeat(np.arange(8), 8)
    trend = Penalised("grip", np.cumsum(rng.normal(size=(64, 6)), axis=0) / 5)
    tried = (rng.random(64) < 0.5).astype(float)
    by_meeting = np.eye(4)[np.tile(np.arange(4), 16)] * tried[:, None]
    blocks = (trend, Penalised("slopes", by_meeting))
    return build(rng, (driver, np.arange(64) // 4), np.ones((64, 1)), penalised=blocks)


def correlated_slopes(rng: Generator) -> Rows:
    """Intercept and slope by meeting with their covariance: three patterns of one block."""
    meeting = np.repeat(np.arange(8), 9)
    x = rng.normal(size=72)
    Z = np.hstack([np.eye(8)[meeting], np.eye(8)[meeting] * x[:, None]])
    shapes = (np.diag([1.0, 0.0]), np.diag([0.0, 1.0]), 1 - np.eye(2))
    patterns = tuple(np.kron(shape, np.eye(8)) for shape in shapes)
    u = rng.multivariate_normal([0, 0], [[0.5, 0.2], [0.2, 0.4]], 8)
    rows = build(rng, (), np.ones((72, 1)), penalised=(Penalised("growth", Z, patterns),))
    return with_response(rows, rows.y + Z @ u.T.ravel())


KINDS: dict[str, Callable[[Generator], Rows]] = {
    f.__name__: f
    for f in (
        nested,
        unbalanced,
        three_levels,
        one_driver,
        one_run,
        some_in_no_group,
        zero_variance,
        weights,
        known_variances,
        spline_and_slopes,
        correlated_slopes,
    )
}


def build(
    rng: Generator,
    levels: tuple[Codes, ...],
    diagonal: Array,
    *,
    columns: int = 4,
    driver_sd: float = 0.8,
    known: Array | None = None,
    penalised: tuple[Penalised, ...] = (),
) -> Rows:
    """Draw a response: intercept, other columns, an intercept a group, noise."""
    n = len(diagonal)
    X = np.column_stack([np.ones(n), rng.normal(size=(n, columns - 1))])
    noise = diagonal.sum(axis=1) * 0.3 + (0 if known is None else known)
    y = X @ rng.normal(size=columns) + rng.normal(size=n) * np.sqrt(noise)
    for codes in levels:
        u = rng.normal(0, driver_sd, codes.max() + 1)
        y += np.where(codes < 0, 0.0, u[codes])
    for block in penalised:
        y += block.Z @ rng.normal(0, 0.5, block.Z.shape[1])
    return Rows(y, X, diagonal, known, levels, penalised)


def subset(rows: Rows, keep: Codes) -> Rows:
    """Some of the rows, in the order of `keep`."""
    return Rows(
        rows.y[keep],
        rows.X[keep],
        rows.diagonal[keep],
        None if rows.known is None else rows.known[keep],
        tuple(codes[keep] for codes in rows.levels),
        tuple(Penalised(b.name, b.Z[keep], b.patterns) for b in rows.penalised),
    )


def with_response(rows: Rows, y: Array) -> Rows:
    return Rows(y, rows.X, rows.diagonal, rows.known, rows.levels, rows.penalised)
