"""Setup contrasts: each level of a factor against its reference, as columns over the runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.team.factors import number_text

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.models.engine.rows import Array
    from pipeline.team.factors import Factor

Flags = NDArray[np.bool_]
# A change by two thirds of what was run is as much as a level: so effects and their deviations are
# of one size over what a team tries, however it tries it.
OF_RANGE = 2 / 3
LEAST_RUNS_OF_VALUE = 2  # a value that was tried once may be a slip of the pen


@dataclass(frozen=True)
class Contrast:
    """One level against the reference (kind = number: one step more).

    values: (R,), the design column, 0 for rivals and unknown settings. at_level, at_reference:
    (R,), team runs. known: (R,), team runs whose setting is known. scale: size of a usual
    change, in the column's units: 1 for levels; for numbers two thirds of their range, at least a
    step. step: what a number's contrast is of, in its unit. part: '' for the effect itself, else
    what of it the column is (see `axis`).
    """

    factor: str
    level: str
    reference: str
    kind: str
    values: Array
    at_level: Flags
    at_reference: Flags
    known: Flags
    scale: float = 1.0
    step: float = 1.0
    part: str = ""

    @property
    def name(self) -> str:
        return f"{self.factor}={self.level}{f' {self.part}' if self.part else ''}"


def setup_contrasts(runs: pd.DataFrame, factors: Sequence[Factor]) -> tuple[Contrast, ...]:
    """The contrasts of all factors over the rows of `runs` (see `tables.SeasonData`)."""
    team = runs["team"].to_numpy(bool)
    out: list[Contrast] = []
    for factor in factors:
        settings = runs[factor.name].astype(object)
        known = settings.notna().to_numpy(bool) & team
        if factor.kind == "number":
            out.append(_slope(factor, settings, known))
        else:
            out += _against_reference(factor, settings, known)
    return tuple(out)


def _slope(factor: Factor, settings: pd.Series, known: Flags) -> Contrast:
    value = np.zeros(len(settings))
    value[known] = [float(text) for text in settings[known]]
    centre = _number_or(factor.reference, value[known].mean() if known.any() else 0.0)
    step = factor.step or usual_step(value[known])
    values = np.where(known, value - centre, 0.0)
    return Contrast(
        factor=factor.name,
        level=f"+{number_text(step)}",
        reference=factor.reference,
        kind=factor.kind,
        values=values,
        at_level=known & (values != 0),
        at_reference=known & (values == 0),
        known=known,
        scale=max(step, OF_RANGE * _range_of(value[known])),
        step=step,
    )


def _range_of(values: Array) -> float:
    """From the least to the most of what was run twice, or at all. values: (n,)."""
    found, count = np.unique(values, return_counts=True)
    often = found[count >= LEAST_RUNS_OF_VALUE]
    used = often if len(often) > 1 else found
    return float(np.ptp(used)) if len(used) else 0.0


def usual_step(values: Array) -> float:
    """The smallest difference between two values that each stand in two runs or more; 1 where no
    two do. values: (n,)."""
    found, count = np.unique(values, return_counts=True)
    gaps = np.diff(found[count >= LEAST_RUNS_OF_VALUE])
    # As it is written: 5.4 less 5.2 is 0.2 and not 0.20000000000000018.
    return float(number_text(gaps.min())) if len(gaps) else 1.0


def _number_or(text: str, fallback: float) -> float:
    try:
        return float(text)
    except ValueError:
        return fallback


def _against_reference(factor: Factor, settings: pd.Series, known: Flags) -> list[Contrast]:
    text = settings.where(known, "").to_numpy(str)
    out = []
    for level in factor.levels:
        if level == factor.reference:
            continue
        at_level = known & (text == level)
        out.append(
            Contrast(
                factor=factor.name,
                level=level,
                reference=factor.reference,
                kind=factor.kind,
                values=at_level.astype(float),
                at_level=at_level,
                at_reference=known & (text == factor.reference),
                known=known,
            )
        )
    return out
