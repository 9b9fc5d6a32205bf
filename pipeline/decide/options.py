"""What could be fitted: the levels of each factor, as sums of the models' coefficients."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from pipeline.decide.evidence import Key
from pipeline.models.axis import BOW, CURVATURE, bend
from pipeline.models.contrasts import LEAST_RUNS_OF_VALUE
from pipeline.team.factors import Factor, number_text

if TYPE_CHECKING:
    from pipeline.decide.shrinking import Shared
    from pipeline.models.axis import Along
    from pipeline.models.contrasts import Contrast
    from pipeline.models.design import Design
    from pipeline.models.engine.rows import Array
    from pipeline.models.identify import Standing


OVER_HALF = 0.75  # of a usual effect, over half the range of a number


@dataclass(frozen=True)
class Options:
    """The n levels of a factor that can be told, the reference with them.

    keys: of the m coefficients that tell them apart, gradients not among them. weights: (n, m),
    against the reference. drivers: who tried each of its contrasts, by level. untold: level ->
    why it cannot be told. values: (n,) of a number, else None. bows: coefficients of what leaves
    the line along grip.
    """

    factor: Factor
    reference: str
    levels: tuple[str, ...]
    keys: tuple[Key, ...]
    weights: Array
    drivers: dict[str, tuple[str, ...]]
    untold: dict[str, str]
    values: Array | None = None
    is_direction: bool = False
    bows: frozenset[Key] = frozenset()

    @property
    def units(self) -> dict[Key, float]:
        """What of a usual effect each coefficient has, over all drivers and surfaces: a level all
        of it."""
        sizes = [self._unit(key) for key in self.keys]
        whole = dict(zip(self.keys, sizes, strict=True))
        moved = {k.gradient: u for k, u in whole.items() if not k.part}
        return whole | moved | {bow: whole[bow._replace(part="")] for bow in self.bows}

    def is_off_line(self, level: str) -> bool:
        """Whether a level's effect at low, medium and high grip is not on a line."""
        return any(bow.level == level for bow in self.bows)

    def _unit(self, key: Key) -> float:
        return 1.0

    def positions(self) -> dict[Key, float]:
        """Steps of the factor's property that each coefficient stands for; none without one."""
        at = dict(self.factor.positions)
        if not self.factor.property:
            return {}
        steps = {k: self._steps(k, at) for k in self.keys if not k.part}
        return steps | {k.gradient: step for k, step in steps.items()}

    def level_positions(self) -> dict[str, float]:
        """Where each level stands on the factor's property."""
        return {level: at for level, at in self.factor.positions if level in self.levels}

    def _steps(self, key: Key, at: Mapping[str, float]) -> float:
        return at[key.level] - at[self.reference]

    def weights_at(self, values: Array) -> Array:
        """Of a number: the weights of any values, (n, m)."""
        return np.array([self._of_value(value) for value in values]).reshape(len(values), -1)

    def _of_value(self, value: float) -> list[float]:
        raise NotImplementedError


@dataclass(frozen=True)
class NumberOptions(Options):
    """Of a number: a straight line, bent where enough values were run."""

    line: Contrast | None = None
    centre: float = 0.0

    def _of_value(self, value: float) -> list[float]:
        assert self.line is not None
        return _line_weights(self.line, value - self.centre, self._reference(), len(self.keys))

    def _unit(self, key: Key) -> float:
        """A usual change of the value; the bend adds three quarters of it over half the range."""
        assert self.line is not None and self.values is not None
        half = np.ptp(self.values) / 2 / self.line.scale
        return float(OVER_HALF / half**2) if key.part else 1.0

    def level_positions(self) -> dict[str, float]:
        per_unit = (self.factor.per_step or 0.0) / (self.line.step if self.line else 1.0)
        reference = float(self.reference) if self.reference else 0.0
        return {level: per_unit * (float(level) - reference) for level in self.levels}

    def _steps(self, key: Key, at: Mapping[str, float]) -> float:
        assert self.line is not None
        return (self.factor.per_step or 0.0) * self.line.scale / self.line.step

    def _reference(self) -> float:
        return float(self.reference) - self.centre


def _line_weights(line: Contrast, x: float, reference: float, count: int) -> list[float]:
    out = [(x - reference) / line.scale]
    if count > 1:
        here, there = bend(line, np.array([x, reference]))
        out.append(float(here - there))
    return out


def options_of(
    design: Design, factors: Sequence[Factor], everything: Sequence[Standing], along: Along
) -> list[Options]:
    """The options of every factor, in the team's order."""
    mains = [s for s in everything if s.condition == "all"]
    out: list[Options] = []
    for factor in factors:
        own = [s for s in mains if s.contrast.factor == factor.name]
        if factor.kind == "number":
            out.append(_number(design, factor, own, along))
        else:
            out.append(_levels(factor, own))
    return [_with_bows(one, along) for one in out]


def _with_bows(options: Options, along: Along) -> Options:
    bows = {Key(c.factor, c.level, BOW) for c in along.bows}
    own = {key._replace(part=BOW) for key in options.keys if not key.part}
    return replace(options, bows=frozenset(bows & own))


def _levels(factor: Factor, own: Sequence[Standing]) -> Options:
    told = [s for s in own if s.tellable]
    keys = tuple(Key(factor.name, s.contrast.level, "") for s in told)
    names = {s.contrast.level for s in told} | {factor.reference}
    levels = tuple(level for level in factor.levels if level in names) if told else ()
    weights = np.array([[float(k.level == level) for k in keys] for level in levels])
    return Options(
        factor, factor.reference, levels, keys, weights.reshape(len(levels), len(keys)),
        {s.contrast.level: s.drivers for s in told},
        {s.contrast.level: s.sentence for s in own if not s.tellable},
    )  # fmt: skip


def _number(design: Design, factor: Factor, own: Sequence[Standing], along: Along) -> NumberOptions:
    standing = own[0]
    line = standing.contrast
    text = design.runs.loc[line.known, factor.name].astype(str)
    numbers, count = np.unique(text.to_numpy(float), return_counts=True)
    values = numbers[count >= LEAST_RUNS_OF_VALUE]
    usual = number_text(float(numbers[count.argmax()])) if len(numbers) else ""
    reference = factor.reference or usual
    # The column is the setting less its reference, or less its mean where none is named.
    centre = float(text.astype(float).iloc[0] - line.values[line.known][0]) if len(text) else 0.0
    if not standing.tellable or len(values) < 2:
        why = standing.sentence or "fewer than two values were each run twice"
        return NumberOptions(
            factor,
            reference,
            (),
            (),
            np.zeros((0, 0)),
            {},
            {line.level: why},
            None,
            line=line,
            centre=centre,
        )
    keys = [Key(factor.name, line.level, "")]
    if any(c.factor == factor.name for c in along.curvatures):
        keys.append(Key(factor.name, line.level, CURVATURE))
    return NumberOptions(
        factor, reference, tuple(map(number_text, values)), tuple(keys),
        np.array([_line_weights(line, v - centre, float(reference) - centre, len(keys))
                  for v in values]),
        {line.level: standing.drivers}, {}, values, line=line, centre=centre,
    )  # fmt: skip


def property_options(shared: Shared) -> Options:
    """One step of a property, as if it were a level: for its effect, not to be chosen."""
    key = shared.keys[0]
    factor = Factor(shared.name, shared.name, "category", ("", key.level), "")
    return Options(factor, "", (key.level,), (key,), np.ones((1, 1)), {}, {}, is_direction=True)
