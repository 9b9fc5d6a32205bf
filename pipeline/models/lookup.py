"""Estimates of any level against any other, for the claims."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.models.design import condition_block_name
from pipeline.models.effects import Effect, scaled
from pipeline.models.engine.inference import Estimate
from pipeline.models.fitting import OutcomeFits
from pipeline.models.identify import Standing


@dataclass(frozen=True)
class Lookup:
    """Estimates of level `to` against level `from_`, for the claims."""

    fits: Mapping[str, OutcomeFits]
    effects: Sequence[Effect]
    everything: Sequence[Standing]

    def __call__(
        self, outcome: str, factor: str, from_: str, to: str, condition: str
    ) -> tuple[Estimate | None, int]:
        own = {
            s.contrast.level: s
            for s in self.everything
            if s.contrast.factor == factor and s.condition == condition
        }
        number = own.get("+1")
        if number is not None:
            return self._number(outcome, number, from_, to)
        weights: dict[str, float] = {}
        switches = []
        for level, sign in ((to, 1.0), (from_, -1.0)):
            standing = own.get(level)
            if standing is not None:
                if not standing.tellable:
                    return None, 0
                weights |= {standing.contrast.name: sign}
                switches.append(standing.own_switches)
        if not weights:
            return None, 0
        return self._estimate(outcome, weights, condition, own), min(switches)

    def _number(
        self, outcome: str, standing: Standing, from_: str, to: str
    ) -> tuple[Estimate | None, int]:
        found = self._of(outcome, standing)
        if found is None:
            return None, 0
        return scaled(found, float(to) - float(from_)), standing.own_switches

    def _of(self, outcome: str, standing: Standing) -> Estimate | None:
        for effect in self.effects:
            if effect.outcome == outcome and effect.standing is standing:
                return effect.estimate
        return None

    def _estimate(
        self,
        outcome: str,
        weights: Mapping[str, float],
        condition: str,
        own: Mapping[str, Standing],
    ) -> Estimate | None:
        if len(weights) == 1:
            ((name, sign),) = weights.items()
            standing = next(s for s in own.values() if s.contrast.name == name)
            found = self._of(outcome, standing)
            return None if found is None else scaled(found, sign)
        if outcome not in self.fits:
            return None
        fits = self.fits[outcome]
        variable, _, value = condition.partition("=")
        fitted = fits.by_variable[variable] if value else fits.base
        factor = next(iter(own.values())).contrast.factor
        groups = [(condition_block_name(factor, variable), value, 1.0)] if value else []
        combination = fitted.combination(weights, groups)
        if combination is None:
            return None
        return scaled(fitted.estimates([combination])[0], fits.factor)
