"""Where coverage falls: a logistic surface over the worlds' parameters.

Additive, quadratic in every quantity, with a weak ridge penalty so that no word that never failed
gets an infinite coefficient. `page` says which parameters move coverage most, and what the worst
hundredth of the fitted surface covers, predicted and counted, each world predicted from others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, stats
from scipy.special import expit

Floats = NDArray[np.float64]
LEAST_ROWS = 500  # below which some 150 coefficients say nothing
FOLDS = 5
WORST = 0.01
RIDGE = 2.0  # prior SD 0.5 of a standardised column's log odds
CLIP = 3.0  # standard deviations beyond which a quantity counts as that, against wild tails
CONSTANT = 1e-9  # of a column's size: a spread below it is rounding
SHOWN = 12
LOGS = ("w_run_sd_team", "w_run_sd_rivals", "w_lap_sd", "runs_at_level")
LEFT_OUT = ("w_marks", "w_race_seconds", "w_pool", "w_lap_s", "w_contrasts")
OWN = ("runs_at_level", "effect_s", "unseen_abs")  # of the row, not of the world


@dataclass(frozen=True)
class Columns:
    """`X` (n, q) standardised; `owner` (q,): the parameter that each column is of."""

    X: Floats
    owner: tuple[str, ...]


@dataclass(frozen=True)
class Fit:
    """Coefficients (1 + q,), the constant first, and their covariance with worlds as clusters."""

    beta: Floats
    covariance: Floats


def page(rows: pd.DataFrame, outcome: str) -> str:
    """Markdown: the parameters that move coverage most, and the worst hundredth."""
    got = rows[rows["got"] & rows["outcome"].eq(outcome) & rows["about"].eq("all")]
    if len(got) < LEAST_ROWS or got["covered"].all():
        return f"### {outcome}: too few rows for a surface of coverage ({len(got)})"
    world = got.groupby(["seed", "number"], sort=False).ngroup().to_numpy()
    columns, covered = design(got), got["covered"].to_numpy(dtype=float)
    table = drivers(columns, fit(columns.X, covered, world))
    worst = worst_part(columns.X, covered, world)
    return "\n\n".join([f"### Where coverage falls: {outcome}", table, worst])


def design(rows: pd.DataFrame) -> Columns:
    """Quantities with their squares, words and switches as 0 and 1; constants left out."""
    facts = rows.assign(
        effect_s=rows["truth_these"].abs(),
        unseen_abs=rows["unseen_s"].abs(),
        run_sd_ratio=np.log(rows["w_run_sd_team"] / rows["w_run_sd_rivals"]),
    )
    names = [name for name in facts if name.startswith("w_") and name not in LEFT_OUT]
    parts, owner = [], []
    for name in [*names, "run_sd_ratio", *OWN]:
        block = _block(name, facts[name])
        parts.append(block)
        owner += [name] * block.shape[1]
    return Columns(np.column_stack(parts), tuple(owner))


def _block(name: str, values: pd.Series) -> Floats:
    if values.dtype.kind not in "fiu":
        return _standard(pd.get_dummies(values.astype(str)).to_numpy(dtype=float)[:, 1:])
    numbers = values.to_numpy(dtype=float)
    one = _standard((np.log(np.maximum(numbers, 1e-3)) if name in LOGS else numbers)[:, None])
    square = _standard(one**2)
    # Of a quantity with two values the square says what the quantity says.
    return np.column_stack([one, square]) if len(np.unique(numbers)) > 2 else one


def _standard(columns: Floats) -> Floats:
    sd = columns.std(axis=0)
    kept = sd > CONSTANT * np.abs(columns).max(axis=0, initial=0)
    scaled = (columns[:, kept] - columns[:, kept].mean(axis=0)) / sd[kept]
    return np.clip(scaled, -CLIP, CLIP)


def fit(X: Floats, hits: Floats, world: NDArray[np.int64]) -> Fit:
    """Logistic regression by penalised likelihood; sandwich covariance over worlds."""
    full = np.column_stack([np.ones(len(X)), X])
    penalty = np.append(0.0, np.full(X.shape[1], RIDGE))

    def loss(beta: Floats) -> tuple[float, Floats]:
        line = full @ beta
        value = np.logaddexp(0, line).sum() - hits @ line + penalty @ beta**2 / 2
        return float(value), full.T @ (expit(line) - hits) + penalty * beta

    beta = optimize.minimize(loss, np.zeros(full.shape[1]), jac=True, method="L-BFGS-B").x
    chance = expit(full @ beta)
    bread = np.linalg.inv((full * (chance * (1 - chance))[:, None]).T @ full + np.diag(penalty))
    scores = pd.DataFrame(full * (hits - chance)[:, None]).groupby(world).sum().to_numpy()
    return Fit(beta, bread @ (scores.T @ scores) @ bread)


def drivers(columns: Columns, fitted: Fit) -> str:
    """The parameters by how far coverage moves from their best to their worst twentieth."""
    lines = ["| parameter | covers from | to | p of no influence |", "|---|---:|---:|---:|"]
    rows = [_driver(columns, fitted, name) for name in dict.fromkeys(columns.owner)]
    for name, best, worst, p in sorted(rows, key=lambda row: row[2] - row[1])[:SHOWN]:
        lines.append(f"| {name} | {100 * best:.1f} % | {100 * worst:.1f} % | {p:.2g} |")
    return "\n".join(lines)


def _driver(columns: Columns, fitted: Fit, name: str) -> tuple[str, float, float, float]:
    """Name, coverage at its best and worst (95th and 5th percentile of its share of the line, all
    others as they are), and the Wald test of all its coefficients."""
    own = [place for place, owner in enumerate(columns.owner) if owner == name]
    beta = fitted.beta[1:]
    share = columns.X[:, own] @ beta[own]
    others = fitted.beta[0] + columns.X @ beta - share
    worst, best = (float(expit(others + np.quantile(share, q)).mean()) for q in (0.05, 0.95))
    places = np.array(own) + 1
    block = fitted.covariance[np.ix_(places, places)]
    statistic = float(beta[own] @ np.linalg.pinv(block) @ beta[own])
    return name.removeprefix("w_"), best, worst, float(stats.chi2.sf(statistic, len(own)))


def worst_part(X: Floats, hits: Floats, world: NDArray[np.int64]) -> str:
    predicted = cross_fitted(X, hits, world)
    rows = predicted <= np.quantile(predicted, WORST)
    actual, count = hits[rows].mean(), int(rows.sum())
    away = pd.Series(hits[rows] - actual).groupby(world[rows]).sum()
    least = (hits[rows].sum() + 1) / (count + 2)
    error = max(np.sqrt((away**2).sum()) / count, np.sqrt(least * (1 - least) / count))
    return (
        f"The worst hundredth ({count} rows; each predicted from other worlds): predicted to cover "
        f"{100 * predicted[rows].mean():.1f} %, covers {100 * actual:.1f} ± {100 * error:.1f} %."
    )


def cross_fitted(X: Floats, hits: Floats, world: NDArray[np.int64]) -> Floats:
    """(n,) coverage of each row as predicted from the folds that its world is not in."""
    fold = np.random.default_rng(0).permutation(world.max() + 1)[world] % FOLDS
    out = np.empty(len(hits))
    for number in range(FOLDS):
        rest, own = fold != number, fold == number
        fitted = fit(X[rest], hits[rest], world[rest])
        out[own] = expit(fitted.beta[0] + X[own] @ fitted.beta[1:])
    return out
