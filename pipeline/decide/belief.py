"""From estimates to what is believed: effects drawn towards none as far as the data allow.

The chance that a level is the better one is true only if it reckons with how large effects usually
are: an estimate of 0.03 s with an error of 0.03 s is more often luck where parts are worth 0.02 s
than where they are worth 0.1 s. So the coefficients have normal priors about none, whose SDs are
learnt from all of them together (a hierarchical model: Lindley and Smith 1972; Gelman and Hill
2007), over a grid. Most parts do little and some do much: each factor's size is a tenth of the
usual one, that, or three times it. The t tails of the estimates are scale mixtures of
normals. A coefficient that the data did not tell at all keeps its prior.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from pipeline.decide.shrinking import Shared, Sizes, Usual, prior_covariance
from pipeline.models.axis import CURVATURE

if TYPE_CHECKING:
    from numpy.random import Generator

    from pipeline.decide.evidence import Evidence, Key
    from pipeline.models.engine.rows import Array, Codes

DRAWS = 4000
MIXTURE = 250  # of sizes and scales, each with the same number of draws
CANDIDATES = 1000  # of which these are drawn, each as often as the data speak for it
GRID = np.exp(np.linspace(-2.5, 2.0, 10))  # of the median SD
# Of the usual size: normal priors of one size alone draw large effects in too far and leave those
# of parts that do nothing too large.
LOCAL = np.array([0.1, 1.0, 3.0])
# Who names a property and where each level stands on it believes that it does something.
OFTEN_SHARED = (0.0, 0.55, 0.45)
LEAST_SIZE = 0.1  # of a usual standard error: where runs do not vary at all
UNTOLD = 1e3  # prior SDs: the error of a coefficient that was not estimated
ROUNDING = 1e-9  # of a variance: far above what its subtraction leaves, far below what matters
LEAST_DF = 2.0  # below it a t has no variance


def learn_sizes(evidence: Evidence, usual: Usual, units: Mapping[Key, float]) -> Sizes:
    """From all coefficients of an outcome together. units: of every one that can be told."""
    errors = [evidence.std_error(key) for key in evidence.keys if key in units]
    median = max(usual.median, LEAST_SIZE * float(np.median(errors or [1.0])))
    pairs = np.array([(a, b) for a in GRID for b in GRID])
    itself, gradient = median * pairs[:, 0], usual.gradient * median * pairs[:, 1]
    sizes = Sizes(itself, gradient, np.ones(len(pairs)), units, usual)
    log = -0.5 * (np.log(pairs) ** 2).sum(axis=1) / usual.log_sd**2
    for factor in dict.fromkeys(key.factor for key in evidence.keys):
        at = [i for i, k in enumerate(evidence.keys) if k in units and k.factor == factor]
        if at:
            S = prior_covariance(sizes, [evidence.keys[i] for i in at], np.arange(len(pairs)))
            V = evidence.covariance[np.ix_(at, at)]
            log += _log_of_any_size(evidence.estimate[at], V, S, usual)
    return replace(sizes, weight=_normed(log))


def _log_of_any_size(b: Array, V: Array, S: Array, usual: Usual) -> Array:
    """Log density of a factor's estimates, whichever of the sizes it has, (g,)."""
    each = [_log_density(b, V + size**2 * S) for size in LOCAL]
    return np.asarray(np.logaddexp.reduce(np.array(each) + np.log(usual.often)[:, None], axis=0))


def draws(
    evidence: Evidence,
    sizes: Sizes,
    wanted: Sequence[Key],
    rng: Generator,
    shared: Shared | None = None,
) -> Mapping[Key, Array]:
    """Joint draws (DRAWS,) of these coefficients of factors that are looked at together.

    Deviations that the fit does not have are left out; other coefficients that it does not have
    come from their prior. shared: the property that the factors share.
    """
    at = evidence.of(wanted)
    told = [evidence.keys[i] for i in at]
    keys = [*told, *(key for key in wanted if key not in set(told) and not key.is_deviation)]
    fixed = [i for i, key in enumerate(keys) if not key.is_deviation]
    b = np.r_[evidence.estimate[at], np.zeros(len(keys) - len(at))]
    place = rng.choice(len(sizes.weight), size=CANDIDATES, p=sizes.weight)
    own = [keys[i] for i in fixed]
    alone = prior_covariance(sizes, own, place)
    often = sizes.usual.often if shared is None else OFTEN_SHARED
    local = rng.choice(LOCAL, size=CANDIDATES, p=often)[:, None, None]
    S = local**2 * (alone if shared is None else shared.covariance(sizes, own, place, rng))
    stretch = _scales(min((evidence.df[i] for i in at), default=np.inf), rng)
    V = np.zeros((CANDIDATES, len(keys), len(keys)))
    V[:, : len(at), : len(at)] = evidence.covariance[np.ix_(at, at)]
    untold = [n for n, i in enumerate(fixed) if i >= len(at)]
    beyond = [fixed[n] for n in untold]
    V[:, beyond, beyond] = (UNTOLD * LOCAL.max()) ** 2 * alone[:, untold, untold]
    W = stretch[:, None, None] * V
    among = np.ix_(range(CANDIDATES), fixed, fixed)
    log = _log_density(b[fixed], W[among] + S) - _log_of_any_size(
        b[fixed], V[among], alone, sizes.usual
    )
    chosen = rng.choice(CANDIDATES, size=MIXTURE, p=_normed(log))
    members = _posterior_draws(b, W[chosen], S[chosen], fixed, rng)
    drawn = members.reshape(-1, len(keys))
    bends = [place for place, key in enumerate(keys) if key.part == CURVATURE]
    if bends and sizes.usual.best_inside != 0.5:
        drawn = drawn[_mostly_above_none(drawn[:, bends], sizes.usual.best_inside)]
    return dict(zip(keys, drawn.T, strict=True))


def _mostly_above_none(bends: Array, chance: float) -> Codes:
    """Which draws stay, some more than once, so that each bend is above 0 as often as its prior
    says and the data allow. bends: (draws, k), drawn as if both signs were alike."""
    weight = np.where(bends > 0, chance, 1 - chance).prod(axis=1)
    passed = np.cumsum(weight) / weight.sum()
    # Evenly spaced places instead of random ones: a sample of the draws without noise of its own.
    places = (np.arange(len(bends)) + 0.5) / len(bends)
    return np.minimum(np.searchsorted(passed, places), len(bends) - 1)


def _log_density(b: Array, V: Array) -> Array:
    """Log density of estimates b (k,) under each covariance (g, k, k), up to a constant, (g,)."""
    factor = np.linalg.cholesky(V)
    z = np.linalg.solve(factor, np.broadcast_to(b[:, None], (*V.shape[:2], 1)))[..., 0]
    logs = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    return np.asarray(-0.5 * (z**2).sum(axis=1) - logs)


def _normed(log: Array) -> Array:
    weight = np.exp(log - log.max())
    return np.asarray(weight / weight.sum())


def _scales(df: float, rng: Generator) -> Array:
    """By what the covariance of estimates with so few degrees of freedom may be off."""
    if not np.isfinite(df):
        return np.ones(CANDIDATES)
    df = max(df, LEAST_DF)
    return np.asarray(df / rng.chisquare(df, size=CANDIDATES))


def _posterior_draws(b: Array, W: Array, S: Array, fixed: Sequence[int], rng: Generator) -> Array:
    """(g, draws, k) of coefficients with estimates b of covariance W (g, k, k), of which the
    `fixed` have prior covariance S (g, f, f) about zero."""
    across = W[:, fixed, :]
    gain = np.linalg.solve(across[:, :, fixed] + S, across).transpose(0, 2, 1)
    mean = b - gain @ b[fixed]
    cov = W - gain @ across
    # What rounding leaves may be below zero. Unlike an eigenvector, the root hangs on the last
    # digits of the covariance in its own last digits alone: other units give the same draws.
    diagonal = np.diagonal(W, axis1=1, axis2=2)
    trace = ROUNDING * diagonal[:, :, None] * np.eye(len(b))
    root = np.linalg.cholesky((cov + cov.transpose(0, 2, 1)) / 2 + trace)
    z = rng.standard_normal((len(W), DRAWS // len(W), len(b)))
    return np.asarray(mean[:, None, :] + z @ root.transpose(0, 2, 1))
