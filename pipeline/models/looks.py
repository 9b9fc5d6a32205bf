"""Intervals that hold over all looks together: error spent look by look.

Whoever looks after every meeting finds something sooner or later. A group-sequential design spends
its 5 % of error over the looks (Lan and DeMets 1983), here 0.04 k / K up to look k of the K that
are planned and 0.04 + 0.01 (k - K) / k beyond, so that their number need not be kept. The bound of
each look is that of a random walk with equal steps of information, by recursive integration
(Armitage, McPherson and Rowe 1969). Looks whose information comes sooner are more alike, so that
the bounds err on the safe side there.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

if TYPE_CHECKING:
    from pipeline.models.engine.inference import Estimate
    from pipeline.models.engine.rows import Array

UP_TO_PLAN, BEYOND = 0.04, 0.01
LEVEL = 0.95
USUAL_LOOKS = 6  # meetings of a season of which nothing is known
# Nodes a unit of the walk's step: the density is smooth over a unit, and 8 give z to 1e-9.
NODES_A_UNIT = 8
FARTHEST = 8.0  # of z: no error that is spent is as small


def spent(look: int, planned: int) -> float:
    """Error that may have been made up to this look (from 1)."""
    if look <= planned:
        return UP_TO_PLAN * look / planned
    return UP_TO_PLAN + BEYOND * (look - planned) / look


@lru_cache(maxsize=200)
def bounds(looks: int, planned: int) -> tuple[float, ...]:
    """z of each of the first looks: a true null is beyond it at any look in as many as is spent."""
    out: list[float] = []
    nodes, mass = np.zeros(1), np.ones(1)  # of the walk that was never beyond
    for look in range(1, looks + 1):
        more = spent(look, planned) - spent(look - 1, planned)
        reach = _reach(nodes, mass, more, look)
        out.append(reach / float(np.sqrt(look)))
        nodes, mass = _walked(nodes, mass, reach)
    return tuple(out)


def _reach(nodes: Array, mass: Array, more: float, look: int) -> float:
    """How far the walk may get at its next step for this error."""

    def left_over(reach: float) -> float:
        beyond = ndtr(nodes - reach) + ndtr(-reach - nodes)
        return float(mass @ beyond) - more

    return float(brentq(left_over, 0.0, FARTHEST * np.sqrt(look), xtol=1e-12))


def _walked(nodes: Array, mass: Array, reach: float) -> tuple[Array, Array]:
    """The walk within its reach after one more normal step: nodes and their mass."""
    at, weight = np.polynomial.legendre.leggauss(int(np.ceil(2 * reach * NODES_A_UNIT)))
    at, weight = reach * at, reach * weight
    step = np.exp(-((at[:, None] - nodes) ** 2) / 2) / np.sqrt(2 * np.pi)
    return at, weight * (step @ mass)


def level_at(look: int, planned: int) -> float:
    """Level 1 - alpha of the plain interval that holds at this look (from 1) of all together."""
    z = bounds(max(look, 1), max(planned, 1))[-1]
    return float(1 - 2 * ndtr(-z))


def anytime_interval(estimate: Estimate, look: int, planned: int) -> tuple[float, float]:
    """The interval as it is always made (same error, same df), at the level of the look."""
    return estimate.interval(level_at(look, planned))


def stricter(look: int, planned: int) -> float:
    """How many times the p value of one look has to be lower at this one."""
    return (1 - LEVEL) / (1 - level_at(look, planned))
