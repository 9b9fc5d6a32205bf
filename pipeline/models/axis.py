"""Grip as an axis: where each run stands on it, and how an effect moves along it.

Every variety in every field, its yield regressed on an index of the field (Finlay and Wilkinson
1963): here every change at every meeting, on the grip that the meeting had. The gradients are
fixed columns beside those of the contrasts, so that their intervals owe nothing to a prior. Other
conditions that are numbers are axes of the same kind, each with a fit of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.models.contrasts import Contrast
from pipeline.models.design import Design
from pipeline.models.engine.rows import Array
from pipeline.models.identify import LEAST_LEFT, Standing
from pipeline.models.information import Information
from pipeline.tables import conditions
from pipeline.tables.conditions import POSITIONS, parted
from pipeline.tables.outcomes import NOT_ENOUGH

if TYPE_CHECKING:
    from pipeline.team.factors import NumberCondition

PER_STEP = f"grip{conditions.PER_STEP}"
LEAST_POSITIONS = 2
QUARTER = 0.25  # of the range that was run: the step of a condition where none is given
# Of a number: fewer values show a straight line alone.
LEAST_VALUES_FOR_CURVE = 3
GRADIENT, CURVATURE, BOW = "along grip", "curvature", "off the line"
OFF_LINE = "low, medium and high are not on a line"


def grip_positions(words: Any) -> Array:
    """Where runs of these grips stand, (R,): -1 low, 0 medium, 1 high; NaN where no word says."""
    return np.array([POSITIONS.get(word, np.nan) for word in words], float)


@dataclass(frozen=True)
class Along:
    """An axis over a design: its positions, (R,), with the team's mean where nothing says, and the
    contrasts with a gradient or a curvature of their own, or a bow (see `off_line`). name, label:
    of what it is along."""

    position: Array
    gradients: tuple[Contrast, ...]
    curvatures: tuple[Contrast, ...]
    name: str = "grip"
    label: str = "grip"
    bows: tuple[Contrast, ...] = ()

    @property
    def columns(self) -> tuple[Contrast, ...]:
        """All that stands beside the contrasts themselves."""
        return (*self.gradients, *self.curvatures, *self.bows)

    @property
    def condition(self) -> str:
        """The condition of its rows in `effects`."""
        return f"{self.name}{conditions.PER_STEP}"

    @property
    def is_empty(self) -> bool:
        return not self.gradients and not self.curvatures

    def design(self, design: Design) -> Design:
        """The design with these columns beside its contrasts."""
        return replace(design, contrasts=(*design.contrasts, *self.columns))


def along_grip(design: Design, everything: Sequence[Standing]) -> Along:
    """The columns that the data can tell apart: a gradient where the contrast can be told at two
    positions or more, a curvature where a number was run at three values or more."""
    position = grip_positions(design.runs["grip"].astype(object))
    own = position[design.team & np.isfinite(position)]
    position = np.where(np.isfinite(position), position, own.mean() if len(own) else 0.0)
    told = [s.contrast for s in everything if s.condition == "all" and s.tellable]
    gradients = [
        gradient_of(contrast, position)
        for contrast in told
        if len(words_of(everything, contrast, tellable=True)) >= LEAST_POSITIONS
    ]
    return Along(position, tuple(gradients), tuple(filter(None, map(curvature_of, told))))


def along_condition(
    design: Design, condition: NumberCondition, everything: Sequence[Standing], grip: Along
) -> Along | None:
    """The axis of a condition that is a number: steps from the mean of the team's runs; None where
    those met fewer than two values. A number's curvature stands beside it as beside grip."""
    value = design.runs[condition.name].to_numpy(float)
    own = value[design.team & np.isfinite(value)]
    if not len(own) or np.ptp(own) == 0:
        return None
    step = condition.step or QUARTER * float(np.ptp(own))
    position = np.where(np.isfinite(value), (value - own.mean()) / step, 0.0)
    told = [s.contrast for s in everything if s.condition == "all" and s.tellable]
    gradients = tuple(gradient_of(c, position, f"along {condition.name}") for c in told)
    left = _shares_left(design, gradients, told, position)
    kept = tuple(g for g, share in zip(gradients, left, strict=True) if share > LEAST_LEFT)
    return Along(position, kept, grip.curvatures, condition.name, condition.label)


def _shares_left(
    design: Design, gradients: Sequence[Contrast], told: Sequence[Contrast], position: Array
) -> list[float]:
    """Of what each gradient's column varies about the contrast's own mean position: how much is
    left beside grip, session kinds, the contrasts and the other gradients."""
    whole = replace(design, contrasts=(*design.contrasts, *gradients))
    information = Information.over(whole, np.ones(len(position), bool))
    out = []
    for place, contrast in enumerate(told, len(design.contrasts)):
        here = contrast.known & (contrast.values != 0)
        mean = position[here].mean() if here.any() else 0.0
        centred = gradient_of(contrast, position - mean).values / contrast.scale
        within = float((centred[here] ** 2).sum())
        out.append(information.left(place) / within if within > 0 else 0.0)
    return out


def gradient_of(contrast: Contrast, position: Array, part: str = GRADIENT) -> Contrast:
    """The column by which the contrast's effect grows from one step to the next."""
    values = np.where(contrast.known, contrast.values * position, 0.0)
    return replace(contrast, values=values, part=part)


def curvature_of(contrast: Contrast) -> Contrast | None:
    """The column by which a number's effect bends, zero at the reference; None for levels, and
    where too few values were run."""
    x = contrast.values[contrast.known]
    if contrast.kind != "number" or len(np.unique(x)) < LEAST_VALUES_FOR_CURVE:
        return None
    values = np.where(contrast.known, bend(contrast, contrast.values), 0.0)
    return replace(contrast, values=values, part=CURVATURE, scale=1.0, step=1.0)


def bend(contrast: Contrast, values: Array) -> Array:
    """A number's curvature column at values less its reference: the square about the middle of
    what was run, in usual changes, and 0 at the reference. All (n,)."""
    x = contrast.values[contrast.known]
    middle = (x.min() + x.max()) / 2
    return np.asarray(((values - middle) ** 2 - middle**2) / contrast.scale**2)


def gradient_standings(everything: Sequence[Standing], along: Along) -> list[Standing]:
    """How the gradient of each contrast stands that the team ran at two positions or more."""
    gradients = {(c.factor, c.level): c for c in along.gradients}
    bent = {(c.factor, c.level) for c in along.bows}
    out = []
    for standing in [s for s in everything if s.condition == "all"]:
        contrast = standing.contrast
        if _places(everything, contrast, along) < LEAST_POSITIONS:
            continue
        gradient = gradients.get((contrast.factor, contrast.level))
        if gradient is not None:
            remark = OFF_LINE if (contrast.factor, contrast.level) in bent else ""
            out.append(
                replace(standing, contrast=gradient, condition=along.condition, remark=remark)
            )
        else:
            out.append(_untold(standing, along, _where_told(everything, contrast, along)))
    return out


def _places(everything: Sequence[Standing], contrast: Contrast, along: Along) -> int:
    """At how many positions the contrast was run."""
    if along.condition == PER_STEP:
        return len(words_of(everything, contrast))
    return len(np.unique(along.position[contrast.at_level]))


def _where_told(everything: Sequence[Standing], contrast: Contrast, along: Along) -> str:
    if along.condition != PER_STEP:
        return f"too few values of {along.label.casefold()}"
    words = " and ".join(words_of(everything, contrast, tellable=True)) or "no"
    return f"{words} grip only"


def _untold(standing: Standing, along: Along, where: str) -> Standing:
    sentence = standing.sentence or (
        f"told at {where}: how it changes with {along.label.casefold()} cannot be told"
    )
    return replace(
        standing,
        contrast=replace(standing.contrast, part=GRADIENT),
        condition=along.condition,
        sentence=sentence,
        verdict=standing.verdict or NOT_ENOUGH,
        remark="",
    )


def words_of(
    everything: Sequence[Standing], contrast: Contrast, tellable: bool = False
) -> list[str]:
    """The grips at which the contrast was run, or, `tellable`, can be told."""
    return [
        word
        for standing in everything
        for name, word in (parted(standing.condition),)
        if name == "grip"
        and word in POSITIONS
        and (standing.contrast.factor, standing.contrast.level) == (contrast.factor, contrast.level)
        and not standing.contrast.part
        and standing.n_runs
        and (standing.tellable or not tellable)
    ]
