"""What a direction of change does on average, over the factors that share a property: for claims.

The options' effects are regressed on their positions by generalised least squares, so that each
has the weight of what it knows; where they disagree by more than chance, the error grows by as much
(Birge 1932, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from pipeline.models.effects import combination
from pipeline.models.engine.inference import Estimate, covariance

if TYPE_CHECKING:
    from pipeline.models.engine.rows import Array
    from pipeline.models.fitting import OutcomeFit
    from pipeline.models.identify import Standing
    from pipeline.models.mistakes import MistakeFit
    from pipeline.team.factors import Factor


@dataclass(frozen=True)
class Shared:
    """How the options that share a property stand, and each one's steps on it, not zero."""

    standings: tuple[Standing, ...]
    steps: Array

    @staticmethod
    def of(
        name: str, condition: str, factors: Sequence[Factor], everything: Sequence[Standing]
    ) -> Shared | None:
        """Those that can be told in the condition; None where none can."""
        sharing = {factor.name: factor for factor in factors if factor.property == name}
        own = [
            (s, step)
            for s in everything
            if s.condition == condition and s.tellable and s.contrast.factor in sharing
            if (step := steps_of(sharing[s.contrast.factor], s.contrast.level))
        ]
        return Shared(tuple(s for s, _ in own), np.array([p for _, p in own])) if own else None

    def as_one(self, name: str) -> Standing:
        """The standing of a question of the property, beside those of the factors."""
        first = self.standings[0]
        return replace(first, contrast=replace(first.contrast, factor=name))

    def linear(self, fitted: OutcomeFit) -> Estimate | None:
        """The effect of one step, of a mixed-model outcome."""
        found = [combination(fitted, standing) for standing in self.standings]
        told = [one is not None for one in found]
        if not any(told):
            return None
        fixed, slopes = (np.column_stack(part) for part in zip(*filter(None, found), strict=True))
        effects = fixed.T @ fitted.fit.beta + slopes.T @ fitted.fit.u
        V = covariance(fitted.fit, fixed, slopes)
        weights, stretch = _weights(effects, V, self.steps[told])
        (one,) = fitted.estimates([(fixed @ weights, slopes @ weights)])
        return replace(one, std_error=one.std_error * stretch)

    def counted(self, fitted: MistakeFit) -> Estimate | None:
        """The same of an outcome that is counted."""
        found = [fitted.combination(standing) for standing in self.standings]
        told = [one is not None for one in found]
        if not any(told):
            return None
        L = np.column_stack([one for one in found if one is not None])
        V = L.T @ fitted.fit.cov @ L
        weights, stretch = _weights(L.T @ fitted.fit.coefficients, V, self.steps[told])
        one = fitted.of(L @ weights)
        return replace(one, std_error=one.std_error * stretch)


def steps_of(factor: Factor, level: str) -> float:
    """How many steps on its property a level is from the reference; of a number, one step of it."""
    if factor.kind == "number":
        return factor.per_step or 0.0
    at = dict(factor.positions)
    return at.get(level, 0.0) - at.get(factor.reference, 0.0)


def _weights(effects: Array, V: Array, steps: Array) -> tuple[Array, float]:
    """Of the effects (k,) with covariance V in the effect of one step, and by how much its error
    grows for their disagreement."""
    precision = np.linalg.pinv(V, hermitian=True)
    weights = precision @ steps / (steps @ precision @ steps)
    apart = effects - steps * float(weights @ effects)
    excess = float(apart @ precision @ apart) / max(len(effects) - 1, 1)
    return weights, float(np.sqrt(max(excess, 1.0)))
