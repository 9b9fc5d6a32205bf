"""Earlier seasons in a choice: their coefficients, as far as effects agree between seasons.

The same model as for the effects (`models.earlier`), of all coefficients of an outcome together:
those of season t are b + s_t, with covariance C_t and s_t independent of SD tau each. For every tau
on its grid what earlier seasons say is a normal prior on this season's coefficients, and the
evidence is what is left by Bayes' rule; over all tau it has the mixture's mean and covariance.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.decide.evidence import Evidence, Key
from pipeline.models.axis import GRADIENT
from pipeline.models.contrasts import Contrast
from pipeline.models.earlier import (
    MISTAKES_MEDIAN,
    Coefficients,
    Seasons,
    between_seasons,
)
from pipeline.models.engine.rows import Array
from pipeline.models.fitting import VARYING_SHARE

NUMBER = "+"  # of a number, whose step may be another in each season


def coefficients_of(evidence: Evidence, contrasts: Sequence[Contrast]) -> Coefficients:
    """What a season says to later ones: effects and gradients, not curvatures nor deviations."""
    steps = _steps(contrasts)
    at = [place for place, key in enumerate(evidence.keys) if _lasts(key)]
    return Coefficients(
        keys=tuple(_plain(evidence.keys[place], steps) for place in at),
        scale=tuple(steps.get(evidence.keys[place].factor, 1.0) for place in at),
        estimate=evidence.estimate[at],
        covariance=evidence.covariance[np.ix_(at, at)],
        df=evidence.df[at],
        has_meetings=evidence.meeting_sd > 0,
    )


def with_past(
    evidence: Evidence, past: Sequence[Coefficients], contrasts: Sequence[Contrast]
) -> Evidence:
    """The evidence of this season with that of earlier ones."""
    steps = _steps(contrasts)
    keys = [_plain(key, steps) for key in evidence.keys]
    median = VARYING_SHARE * evidence.run_sd
    median = median if np.isfinite(median) and median > 0 else MISTAKES_MEDIAN
    said = [_placed(one, keys, evidence, steps, median) for one in past]
    said = [one for one in said if len(one[0])]
    mains = list(_mains(evidence, said))
    if not mains:
        return evidence
    between = between_seasons(mains, median)
    found = [_given(evidence, said, tau2) for tau2 in between.tau2]
    means = np.array([mean for mean, _ in found])
    mean = between.weight @ means
    apart = means - mean
    C = np.einsum("g,gij->ij", between.weight, np.array([cov for _, cov in found]))
    return replace(evidence, estimate=mean, covariance=C + (apart.T * between.weight) @ apart)


Said = tuple[np.ndarray, Array, Array, Array]  # places, estimates, covariance, df


def _steps(contrasts: Sequence[Contrast]) -> dict[str, float]:
    """Of numbers: units that the scaled column is of."""
    return {c.factor: c.scale for c in contrasts if c.kind == "number" and not c.part}


def _lasts(key: Key) -> bool:
    return key.part in ("", GRADIENT)


def _plain(key: Key, numbers: Mapping[str, float]) -> tuple[str, str, str]:
    return key.factor, NUMBER if key.factor in numbers else key.level, key.part


def _placed(
    one: Coefficients,
    keys: Sequence[tuple[str, str, str]],
    evidence: Evidence,
    steps: Mapping[str, float],
    median: float,
) -> Said:
    """A season's coefficients where this one has the same, in this one's units."""
    at = {key: place for place, key in enumerate(keys) if _lasts(evidence.keys[place])}
    own = [n for n, key in enumerate(one.keys) if key in at]
    places = np.array([at[one.keys[n]] for n in own], int)
    size = np.array([steps.get(one.keys[n][0], 1.0) / one.scale[n] for n in own])
    C = one.covariance[np.ix_(own, own)] * np.outer(size, size)
    if not one.has_meetings:  # one meeting speaks of itself
        C = C + median**2 * np.eye(len(own))
    return places, one.estimate[own] * size, C, one.df[own]


def _mains(evidence: Evidence, said: Sequence[Said]) -> Iterator[Seasons]:
    """Each contrast that earlier seasons tell too, in all of them."""
    for place, key in enumerate(evidence.keys):
        if key.part:
            continue
        rows = [
            (y[n], C[n, n], df[n])
            for places, y, C, df in said
            for n in np.flatnonzero(places == place)
        ]
        if rows:
            own = evidence.estimate[place], evidence.covariance[place, place], evidence.df[place]
            y, v, df = (np.array(column) for column in zip(own, *rows, strict=True))
            yield Seasons(y, v, df)


def _given(evidence: Evidence, said: Sequence[Said], tau2: float) -> tuple[Array, Array]:
    """Mean and covariance of this season's coefficients at one tau²."""
    size = len(evidence.keys)
    precision, weighted = np.zeros((size, size)), np.zeros(size)
    for places, y, C, _ in said:
        P = np.linalg.inv(C + tau2 * np.eye(len(places)))
        precision[np.ix_(places, places)] += P
        weighted[places] += P @ y
    at = np.flatnonzero(np.diag(precision) > 0)
    B = np.linalg.inv(precision[np.ix_(at, at)])
    prior, B = B @ weighted[at], B + tau2 * np.eye(len(at))
    C = evidence.covariance
    gain = np.linalg.solve(C[np.ix_(at, at)] + B, C[at]).T
    mean = evidence.estimate + gain @ (prior - evidence.estimate[at])
    cov = C - gain @ C[at]
    return mean, (cov + cov.T) / 2
