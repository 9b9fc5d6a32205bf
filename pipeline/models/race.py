"""Over a race: the direct estimate beside the one composed of pace, fade and mistakes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.models.effects import Effect
from pipeline.models.engine.inference import Estimate

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.models.responses import Laps

DRAWS = 4000
DISAGREEMENT = 0.05
COLUMNS = [
    "factor",
    "level",
    "reference",
    "direct",
    "direct_se",
    "composed",
    "composed_se",
    "gap",
    "gap_se",
    "agrees",
]


@dataclass(frozen=True)
class RaceFacts:
    """laps in a race; incidents a lap at the reference; cost of an incident, s; mean clean lap
    number of the runs."""

    laps: float
    incident_rate: float
    incident_cost: float
    mean_lap: float


def race_facts(laps: Laps, in_race: float) -> RaceFacts:
    """Of the runs. in_race: laps in a race."""
    return RaceFacts(
        laps=in_race,
        incident_rate=float(laps.incidents.sum() / max(laps.timed.sum(), 1.0)),
        incident_cost=laps.incident_cost,
        mean_lap=float(laps.clean.mean_lap[laps.clean.n > 0].mean()),
    )


def race_check(
    direct: Sequence[Effect],
    parts: Mapping[str, Mapping[tuple[str, str], Estimate]],
    gap: Mapping[tuple[str, str], Estimate],
    facts: RaceFacts,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Both estimates of each contrast over all conditions, s a race, and the gap between them.

    parts: outcome -> (factor, level) -> estimate. The three parts are drawn independently from
    their t distributions. gap: effects on what race holds and the parts do not, from the same runs
    (`responses.gap_response`), so that what both share is out of its error. They agree where zero
    is in its 95 % interval.
    """
    import pandas as pd

    rows = []
    for effect in direct:
        contrast = effect.standing.contrast
        key = (contrast.factor, contrast.level)
        between = gap.get(key)
        if effect.standing.condition != "all" or effect.estimate is None or between is None:
            continue
        if key not in parts["pace"]:
            continue
        composed = compose({name: found.get(key) for name, found in parts.items()}, facts, rng)
        numbers = [
            number
            for estimate in (effect.estimate, composed, between)
            for number in (estimate.estimate, estimate.std_error)
        ]
        rows.append((*key, contrast.reference, *numbers, between.p_value > DISAGREEMENT))
    return pd.DataFrame(rows, columns=COLUMNS)


def compose(
    parts: Mapping[str, Estimate | None], facts: RaceFacts, rng: np.random.Generator
) -> Estimate:
    """Seconds over a race: laps x pace, fade about the mean clean lap, and incidents at cost."""
    pace = _draws(parts.get("pace"), rng) * facts.laps
    fade = _draws(parts.get("fade"), rng) * facts.laps * ((facts.laps + 1) / 2 - facts.mean_lap)
    ratio = np.exp(_draws(parts.get("mistakes"), rng))
    cost = 0.0 if np.isnan(facts.incident_cost) else facts.incident_cost
    incidents = facts.laps * facts.incident_rate * (ratio - 1) * cost
    total = pace + fade + incidents
    # Medians and quantiles: the ratio's tail would rule a mean.
    low, middle, high = np.quantile(total, [0.1587, 0.5, 0.8413])
    return Estimate(float(middle), float((high - low) / 2), 1e6)


def _draws(estimate: Estimate | None, rng: np.random.Generator) -> np.ndarray:
    if estimate is None:
        return np.zeros(DRAWS)
    t = rng.standard_t(max(estimate.df, 2.0), size=DRAWS)
    return estimate.estimate + estimate.std_error * np.asarray(t)
