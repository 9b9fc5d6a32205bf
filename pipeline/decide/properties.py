"""What a direction of change does, at each grip."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.decide.choices import LIMITS_95, Circumstances
from pipeline.decide.evidence import Evidence
from pipeline.decide.race import Believed

if TYPE_CHECKING:
    from pipeline.decide.options import Options


def property_rows(
    believed: Sequence[Believed],
    options: Sequence[Options],
    evidence: Mapping[str, Evidence],
    around: Circumstances,
) -> list[dict[str, Any]]:
    """The rows of `decisions.PROPERTIES`, without their words: of pace and over a race, by grip."""
    rows = []
    for one in believed:
        name = one.options.factor.name
        sharing = [o for o in options if o.levels and o.factor.property == name]
        for grip in ("", *around.grips):
            place = around.place(grip)
            for outcome in ("pace", "race"):
                drawn = one.on(outcome, place)
                low, high = np.quantile(drawn[:, 0], LIMITS_95)
                mean = float(drawn.mean())
                rows.append(
                    {
                        "property": name,
                        "outcome": outcome,
                        "grip": grip,
                        "estimate": mean,
                        "ci_low": float(low),
                        "ci_high": float(high),
                        "agreement": _agreement(mean, place.position, sharing, evidence["pace"]),
                    }
                )
    return rows


def _agreement(mean: float, position: float, sharing: Sequence[Options], pace: Evidence) -> float:
    """Share of the options whose own estimate of pace has the sign of the property's effect."""
    at = dict(zip(pace.keys, pace.estimate, strict=True))
    same = []
    for one in sharing:
        steps = one.positions()
        own = sum(
            np.sign(step) * (at.get(key, 0.0) + position * at.get(key.gradient, 0.0))
            for key, step in steps.items()
            if not key.part
        )
        same.append(np.sign(own) == np.sign(mean))
    return float(np.mean(same))
