"""Grip as an axis: where each run stands on it, and how an effect moves along it.

Every variety in every field, its yield regressed on an index of the field (Finlay and Wilkinson
1963): here every change at every meeting, on the grip that the meeting had. The gradients are
fixed columns beside those of the contrasts, so that their intervals owe nothing to a prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.models.contrasts import Contrast
from pipeline.models.design import Design
from pipeline.models.engine.rows import Array
from pipeline.models.identify import Standing

# Three steps of equal size, unless the data say otherwise.
POSITIONS = {"low": -1.0, "medium": 0.0, "high": 1.0}
PER_STEP = "grip per step"
LEAST_POSITIONS = 2
# Of a number: fewer values show a straight line alone.
LEAST_VALUES_FOR_CURVE = 3
GRADIENT, CURVATURE = "along grip", "curvature"


def grip_positions(design: Design) -> Array:
    """Where each run stands, (R,): -1 low, 0 medium, 1 high; NaN where no word says."""
    words = design.runs["grip"].astype(object)
    return np.array([POSITIONS.get(word, np.nan) for word in words], float)


@dataclass(frozen=True)
class Along:
    """The axis over a design: its positions, (R,), with the team's mean where no word says, and
    the contrasts with a gradient or a curvature of their own."""

    position: Array
    gradients: tuple[Contrast, ...]
    curvatures: tuple[Contrast, ...]

    @property
    def is_empty(self) -> bool:
        return not self.gradients and not self.curvatures

    def design(self, design: Design) -> Design:
        """The design with these columns beside its contrasts."""
        return replace(design, contrasts=(*design.contrasts, *self.gradients, *self.curvatures))


NO_AXIS = Along(np.zeros(0), (), ())


def along_grip(design: Design, everything: Sequence[Standing]) -> Along:
    """The columns that the data can tell apart: a gradient where the contrast can be told at two
    positions or more, a curvature where a number was run at three values or more."""
    position = grip_positions(design)
    own = position[design.team & np.isfinite(position)]
    position = np.where(np.isfinite(position), position, own.mean() if len(own) else 0.0)
    told = [s.contrast for s in everything if s.condition == "all" and s.tellable]
    gradients = [
        gradient_of(contrast, position)
        for contrast in told
        if len(_words(everything, contrast, tellable=True)) >= LEAST_POSITIONS
    ]
    return Along(position, tuple(gradients), tuple(filter(None, map(curvature_of, told))))


def gradient_of(contrast: Contrast, position: Array) -> Contrast:
    """The column by which the contrast's effect grows from one step to the next."""
    values = np.where(contrast.known, contrast.values * position, 0.0)
    return replace(contrast, values=values, part=GRADIENT)


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
    out = []
    for standing in everything:
        contrast = standing.contrast
        if standing.condition != "all" or len(_words(everything, contrast)) < LEAST_POSITIONS:
            continue
        gradient = gradients.get((contrast.factor, contrast.level))
        if gradient is not None:
            out.append(replace(standing, contrast=gradient, condition=PER_STEP, remark=""))
        else:
            out.append(_untold(standing, everything))
    return out


def _untold(standing: Standing, everything: Sequence[Standing]) -> Standing:
    words = " and ".join(_words(everything, standing.contrast, tellable=True)) or "no"
    sentence = standing.sentence or (
        f"told at {words} grip only: how it changes with grip cannot be told"
    )
    return replace(
        standing,
        contrast=replace(standing.contrast, part=GRADIENT),
        condition=PER_STEP,
        sentence=sentence,
        verdict=standing.verdict or "not enough runs",
        remark="",
    )


def _words(everything: Sequence[Standing], contrast: Contrast, tellable: bool = False) -> list[str]:
    """The grips at which the contrast was run, or, `tellable`, can be told."""
    return [
        standing.condition.removeprefix("grip=")
        for standing in everything
        if standing.contrast.name == contrast.name
        and standing.condition.removeprefix("grip=") in POSITIONS
        and standing.n_runs
        and (standing.tellable or not tellable)
    ]
