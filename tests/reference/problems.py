"""The reference models as arrays: fixed columns, groups, penalised columns, known variances.

Names of fixed effects and variances are those of values.json.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.special import polygamma, psi

from pipeline.models.engine.rows import Penalised, Rows
from tests.models.twin import Array, Dense, indicator
from tests.reference import published


@dataclass(frozen=True)
class Block:
    """Random coefficients: Z (n, q); covariance sum_j theta_j patterns[j], identity if none."""

    name: str
    Z: Array
    patterns: tuple[Array, ...] = ()
    parts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Problem:
    """y (n,), X (n, p) with names, nested group codes coarse to fine, blocks, known (n,).

    residual is False where all error variance is known.
    """

    y: Array
    X: Array
    names: tuple[str, ...]
    levels: dict[str, NDArray[np.int_]] = field(default_factory=dict)
    blocks: tuple[Block, ...] = ()
    known: Array | None = None
    residual: bool = True

    @property
    def variances(self) -> list[str]:
        """Names of the variance parameters: residual, levels, blocks' patterns."""
        own = [part for block in self.blocks for part in (block.parts or (block.name,))]
        return [*(["residual"] if self.residual else []), *self.levels, *own]

    def dense(self) -> Dense:
        n = len(self.y)
        parts = [np.eye(n)] if self.residual else []
        parts += [Z @ Z.T for Z in map(indicator, self.levels.values())]
        for block in self.blocks:
            patterns = block.patterns or (np.eye(block.Z.shape[1]),)
            parts += [block.Z @ pattern @ block.Z.T for pattern in patterns]
        known = np.zeros(n) if self.known is None else self.known
        return Dense(self.y, self.X, parts, known)


def rows(problem: Problem) -> Rows:
    """The same for the solver."""
    n = len(problem.y)
    return Rows(
        y=problem.y,
        X=problem.X,
        diagonal=np.ones((n, int(problem.residual))),
        known=problem.known,
        levels=tuple(problem.levels.values()),
        penalised=tuple(Penalised(b.name, b.Z, b.patterns or None) for b in problem.blocks),
        names=tuple(problem.variances),
    )


def codes(*columns: pd.Series) -> NDArray[np.int_]:
    """Group codes from 0; several columns are crossed."""
    return np.asarray(pd.concat(columns, axis=1).groupby([c.name for c in columns]).ngroup())


def treatment(column: pd.Series, reference: str | None = None) -> dict[str, Array]:
    """Treatment contrasts, named column + level; the reference is the first by alphabet."""
    levels = sorted(column.astype(str).unique())
    reference = reference or levels[0]
    return {
        f"{column.name}{level}": (column.astype(str) == level).to_numpy(float)
        for level in levels
        if level != reference
    }


def problem(
    y: pd.Series | Array,
    fixed: dict[str, Array],
    levels: dict[str, NDArray[np.int_]] | None = None,
    blocks: tuple[Block, ...] = (),
    known: Array | None = None,
) -> Problem:
    """With an intercept before the fixed columns; known variances leave no residual to fit."""
    response = np.asarray(y, float)
    columns = {"(Intercept)": np.ones(len(response)), **fixed}
    X = np.column_stack(list(columns.values()))
    return Problem(response, X, tuple(columns), levels or {}, blocks, known, known is None)


def spline(name: str, x: Array, k: int) -> Block:
    """P-spline without its straight line: B D'(DD')^-1, D second differences.

    Eilers and Marx (1996); as a mixed model Currie and Durban (2002). Knots as mgcv's
    bs="ps", m=c(2,2) lays them.
    """
    return Block(name, spline_columns(x, x.min(), x.max(), k))


def spline_columns(x: Array, low: float, high: float, k: int) -> Array:
    margin = 0.001 * (high - low)
    low, high = low - margin, high + margin
    gap = (high - low) / (k - 3)
    knots = low + gap * np.arange(-3, k + 1)
    D = np.diff(np.eye(k), 2, axis=0)
    return np.asarray(BSpline.design_matrix(x, knots, 3).toarray() @ D.T @ np.linalg.inv(D @ D.T))


def sleepstudy(slope: str) -> Problem:
    """slope: none, uncorrelated or correlated with the subject's intercept."""
    d = published.data("sleepstudy")
    days, subject = d.Days.to_numpy(float), codes(d.Subject)
    fixed, intercept = {"Days": days}, {"Subject_(Intercept)": subject}
    Z = indicator(subject)
    if slope == "correlated":
        return problem(d.Reaction, fixed, blocks=(growth(Z, days),))
    own = (Block("Subject.1_Days", Z * days[:, None]),) if slope == "uncorrelated" else ()
    return problem(d.Reaction, fixed, intercept, own)


def growth(Z: Array, days: Array) -> Block:
    """Intercepts and slopes with their covariance: three patterns."""
    eye, two = np.eye(Z.shape[1]), np.eye(2)
    patterns = [np.outer(two[0], two[0]), np.outer(two[1], two[1]), 1 - two]
    names = ("Subject_(Intercept)", "Subject_Days", "Subject_(Intercept).Days")
    both = np.hstack([Z, Z * days[:, None]])
    return Block("Subject", both, tuple(np.kron(pattern, eye) for pattern in patterns), names)


def dyestuff(name: str) -> Problem:
    d = published.data(name)
    return problem(d.Yield, {}, levels={"Batch_(Intercept)": codes(d.Batch)})


def penicillin() -> Problem:
    d = published.data("Penicillin")
    sample = Block("sample_(Intercept)", indicator(codes(d["sample"])))
    return problem(d.diameter, {}, levels={"plate_(Intercept)": codes(d.plate)}, blocks=(sample,))


def pastes() -> Problem:
    d = published.data("Pastes")
    levels = {"batch_(Intercept)": codes(d.batch), "sample_(Intercept)": codes(d.batch, d.cask)}
    return problem(d.strength, {}, levels=levels)


def machines(*, nested: bool = True, rows_removed: tuple[int, ...] = ()) -> Problem:
    d = published.data("Machines").drop(index=[row - 1 for row in rows_removed])
    levels = {"Worker_(Intercept)": codes(d.Worker)}
    if nested:
        levels["Worker:Machine_(Intercept)"] = codes(d.Worker, d.Machine)
    return problem(d.score, treatment(d.Machine), levels=levels)


def oats(form: str, rows_removed: tuple[int, ...] = ()) -> Problem:
    """form: variety_nitro (nitro a number), additive, factorial."""
    d = published.data("Oats").drop(index=[row - 1 for row in rows_removed])
    variety = treatment(d.Variety)
    doses = {f"N{dose}": (d.nitro == dose).to_numpy(float) for dose in (0.2, 0.4, 0.6)}
    both = {f"{v}:{n}": a * b for n, b in doses.items() for v, a in variety.items()}
    number = {"nitro": d.nitro.to_numpy(float)}
    fixed = {
        "variety_nitro": {**variety, **number},
        "additive": {**variety, **doses},
        "factorial": {**variety, **doses, **both},
    }[form]
    levels = {"Block_(Intercept)": codes(d.Block)}
    levels["Block:Variety_(Intercept)"] = codes(d.Block, d.Variety)
    return problem(d["yield"], fixed, levels=levels)


def beets() -> Problem:
    d = published.data("beets")
    fixed = {**treatment(d.block), **treatment(d.sow), **treatment(d.harvest)}
    plots = {"block:harvest_(Intercept)": codes(d.block, d.harvest)}
    return problem(d.sugpct, fixed, levels=plots)


def mcycle() -> Problem:
    d = published.data("mcycle")
    times = d.times.to_numpy(float)
    return problem(d.accel, {"times": times}, blocks=(spline("smooth", times, 20),))


def dietox() -> Problem:
    d = published.data("dietox")
    time = d.Time.to_numpy(float)
    return problem(
        d.Weight,
        {**treatment(d.Evit), **treatment(d.Cu), "Time": time},
        levels={"Litter": codes(d.Litter), "Pig": codes(d.Litter, d.Pig)},
        blocks=(spline("smooth", time, 10),),
    )


def wheat() -> Problem:
    d = published.data("Wheat2")
    latitude, longitude = d.latitude.to_numpy(float), d.longitude.to_numpy(float)
    trends = (spline("latitude", latitude, 10), spline("longitude", longitude, 10))
    fixed = {**treatment(d.variety, "ARAPAHOE"), "latitude": latitude, "longitude": longitude}
    return problem(d["yield"], fixed, levels={"Block": codes(d.Block)}, blocks=trends)


def log_sd(sd: pd.Series, nu: pd.Series) -> tuple[pd.Series, Array]:
    """Log SD without its bias and its sampling variance, exact (Bartlett and Kendall 1946)."""
    half = nu.to_numpy(float) / 2
    y = np.log(sd) - (psi(half) - np.log(half)) / 2
    return y, np.asarray(polygamma(1, half) / 4)


def hsb(*, sector: bool = True) -> Problem:
    """First-order forms 1/(2 nu), as Nakagawa et al. (2015)."""
    d = published.data("Hsb82_school_sd")
    half = 1 / (2 * (d.n - 1))
    fixed = treatment(d.sector, "Public") if sector else {}
    return problem(
        np.log(d.sd) + half,
        fixed,
        levels={"tau2": np.arange(len(d))},
        known=half.to_numpy(float),
    )


def star() -> Problem:
    d = published.data("star_grade3_class_sd")
    y, known = log_sd(d.sd, d.n - 1)
    levels = {"var_school": codes(d.sch), "var_class": np.arange(len(d))}
    return problem(y, treatment(d.cltype, "reg"), levels=levels, known=known)


def machines_log_sd() -> Problem:
    d = published.data("Machines").groupby(["Worker", "Machine"]).score.agg(["std", "size"])
    d = d.reset_index()
    y, known = log_sd(d["std"], d["size"] - 1)
    levels = {"var_worker": codes(d.Worker), "var_cell": np.arange(len(d))}
    return problem(y, treatment(d.Machine), levels=levels, known=known)


def bcg(*, latitude: bool = False) -> Problem:
    """Log relative risk of tuberculosis, vaccinated against not, 13 trials."""
    d = published.data("BCG")
    y = np.log(d.BCGTB / d.BCGVacc) - np.log(d.NoVaccTB / d.NoVacc)
    known = 1 / d.BCGTB - 1 / d.BCGVacc + 1 / d.NoVaccTB - 1 / d.NoVacc
    fixed = {"Latitude": d.Latitude.to_numpy(float)} if latitude else {}
    levels = {"tau2": np.arange(len(d))}
    return problem(y, fixed, levels=levels, known=known.to_numpy(float))


def sirstv() -> Problem:
    d = published.data("SiRstv")
    return problem(d.resistance, {}, levels={"instrument": codes(d.instrument)})


MACHINES_REMOVED = (2, 3, 6, 8, 9, 12, 19, 20, 27, 33)
OATS_REMOVED = (1, 2, 3, 5, 8, 13, 21, 34, 55)

# Checks of values.json whose values are laid out as lme4 prints them.
MIXED: dict[str, Callable[[], Problem]] = {
    "sleepstudy_random_intercept": lambda: sleepstudy("none"),
    "sleepstudy_uncorrelated_slope": lambda: sleepstudy("uncorrelated"),
    "sleepstudy_correlated_slope": lambda: sleepstudy("correlated"),
    "dyestuff": lambda: dyestuff("Dyestuff"),
    "penicillin_crossed": penicillin,
    "pastes_nested": pastes,
    "machines_nested": machines,
    "machines_intercept_only": lambda: machines(nested=False),
    "machines_unbalanced": lambda: machines(rows_removed=MACHINES_REMOVED),
    "oats_variety_nitro": lambda: oats("variety_nitro"),
    "oats_additive": lambda: oats("additive"),
    "oats_factorial": lambda: oats("factorial"),
    "oats_unbalanced": lambda: oats("additive", OATS_REMOVED),
    "beets_split_plot": beets,
}
