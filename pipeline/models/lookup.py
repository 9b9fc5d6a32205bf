"""Estimates of any level against any other, for the claims."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from pipeline.models.directions import Shared
from pipeline.models.effects import Effect, combination, q_values, scaled
from pipeline.models.engine.inference import Estimate
from pipeline.models.engine.rows import Array
from pipeline.models.fitting import OutcomeFits
from pipeline.models.identify import Standing
from pipeline.tables.conditions import parted
from pipeline.tables.outcomes import Outcome

if TYPE_CHECKING:
    from pipeline.models.mistakes import MistakeFit
    from pipeline.team.factors import Factor


@dataclass(frozen=True)
class Found:
    """Of level `to` against level `from_`: estimate, q-value, what shuffled logs say (NaN where
    they were not asked), and the switches it rests on."""

    of: Outcome
    estimate: Estimate
    q_value: float
    p_shuffled: float
    switches: int


@dataclass(frozen=True)
class Lookup:
    """Estimates of level `to` against level `from_`, for the claims."""

    fits: Mapping[str, OutcomeFits]
    effects: Sequence[Effect]
    everything: Sequence[Standing]
    factors: Sequence[Factor] = ()
    counted: Mapping[str, Mapping[str, MistakeFit]] = field(default_factory=dict)

    def of_factor(
        self, outcome: str, factor: str, from_: str, to: str, condition: str
    ) -> Found | None:
        own = {
            s.contrast.level: s
            for s in self.everything
            if s.contrast.factor == factor and s.condition == condition
        }
        number = next((s for s in own.values() if s.contrast.kind == "number"), None)
        if number is not None:
            steps = (float(to) - float(from_)) / number.contrast.step
            return self._row(outcome, number, steps)
        ends = [own[level] for level in (to, from_) if level in own]
        if not ends or not all(standing.tellable for standing in ends):
            return None
        if len(ends) == 1:
            return self._row(outcome, ends[0], 1.0 if to in own else -1.0)
        return self._between(outcome, *ends)

    def of_property(
        self, outcome: str, name: str, from_: str, to: str, condition: str
    ) -> Found | None:
        """Of the factors that share a property, from one position on it to another: a question of
        its own beside theirs."""
        shared = Shared.of(name, condition, self.factors, self.everything)
        estimate = None if shared is None else self._one_step(outcome, condition, shared)
        if shared is None or estimate is None:
            return None
        estimate = scaled(estimate, float(to) - float(from_))
        of = next(effect.of for effect in self.effects if effect.outcome == outcome)
        asked = Effect(of, shared.as_one(name), estimate)
        switches = sum(standing.own_switches for standing in shared.standings)
        q_value = float(q_values(self.effects, asked)[-1])
        return Found(of, estimate, q_value, float("nan"), switches)

    def _one_step(self, outcome: str, condition: str, shared: Shared) -> Estimate | None:
        variable, value = parted(condition)
        if outcome in self.fits:
            fits = self.fits[outcome]
            found = shared.linear(fits.by_variable[variable] if value else fits.base)
            return None if found is None else scaled(found, fits.factor)
        fitted = self.counted.get(outcome, {}).get(variable)
        return None if fitted is None else shared.counted(fitted)

    @cached_property
    def _q_values(self) -> Array:
        return q_values(self.effects)

    def _row(self, outcome: str, standing: Standing, times: float) -> Found | None:
        """Of a row of the effects table, so many times over, with that row's q-value."""
        for effect, q_value in zip(self.effects, self._q_values, strict=True):
            if effect.outcome == outcome and effect.standing is standing and effect.estimate:
                estimate = scaled(effect.estimate, times)
                shuffled = effect.shuffled.p_value
                return Found(effect.of, estimate, float(q_value), shuffled, standing.own_switches)
        return None

    def _between(self, outcome: str, to: Standing, from_: Standing) -> Found | None:
        """Of two levels neither of which is the reference: one more question of its factor."""
        if outcome not in self.fits:
            return None
        fits = self.fits[outcome]
        variable, value = parted(to.condition)
        fitted = fits.by_variable[variable] if value else fits.base
        ends = [combination(fitted, standing) for standing in (to, from_)]
        if ends[0] is None or ends[1] is None:
            return None
        difference = ends[0][0] - ends[1][0], ends[0][1] - ends[1][1]
        estimate = scaled(fitted.estimates([difference])[0], fits.factor)
        of = next(effect.of for effect in self.effects if effect.outcome == outcome)
        q_value = float(q_values(self.effects, Effect(of, to, estimate))[-1])
        return Found(of, estimate, q_value, float("nan"), min(to.own_switches, from_.own_switches))
