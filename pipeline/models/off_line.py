"""Whether low, medium and high lie on a line: where they do not, an effect bends along grip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.models.axis import BOW, Along, words_of
from pipeline.models.effects import estimates_of, unit_weight
from pipeline.models.fitting import fit_outcome
from pipeline.tables.conditions import POSITIONS

if TYPE_CHECKING:
    from pipeline.models.contrasts import Contrast
    from pipeline.models.design import Design
    from pipeline.models.engine.inference import Estimate
    from pipeline.models.fitting import Response
    from pipeline.models.identify import Standing

# A team that asks of ten options hears of one that is not there in a season of ten.
CALLED = 0.01


def with_bows(
    design: Design, pace: Response, everything: Sequence[Standing], along: Along
) -> Along:
    """The axis of grip with a bow for each contrast that was told at all three grips and whose
    effect on pace is shown to leave the line; with it low, medium and high are free."""
    found = bows(design, pace, everything, along)
    return replace(along, bows=tuple(bow for bow, one in found if one.p_value <= CALLED))


def bows(
    design: Design, pace: Response, everything: Sequence[Standing], along: Along
) -> list[tuple[Contrast, Estimate]]:
    """Each contrast's bow that can be asked about, and how large it is."""
    asked = [
        bow_of(gradient, along)
        for gradient in along.gradients
        if len(words_of(everything, gradient, tellable=True)) == len(POSITIONS)
    ]
    if not asked:
        return []
    fitted = fit_outcome(replace(along, bows=tuple(asked)).design(design), pace)
    found = estimates_of(fitted, [fitted.combination(unit_weight(bow)) for bow in asked])
    return [(bow, one) for bow, one in zip(asked, found, strict=True) if one is not None]


def bow_of(gradient: Contrast, along: Along) -> Contrast:
    """The column by which the effect bends: the square of the position, nothing at medium."""
    return replace(gradient, values=gradient.values * along.position, part=BOW)
