"""From an estimate to the fixed words: effect, no difference that matters, leaning, or not enough.

An effect is called at a q-value of 5 % or less (see `families`), where the shuffled logs, if there
are enough of them, agree at 5 % (see `shuffled`); equivalence by two one-sided
tests at 5 % (Schuirmann 1987), that is, where the 90 % interval lies within the worthwhile
difference.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from pipeline.models.engine.inference import Estimate
from pipeline.tables.outcomes import (
    NOT_ENOUGH,
    SAME,
    Outcome,
    leaning,
    moves_with,
    outcome_of,
    same_at_any,
)

ALPHA = 0.05
LEANING = 0.20
POWER = 0.80
REACH = float(ndtri(1 - ALPHA / 2) + ndtri(POWER))  # standard errors that are found with POWER
REACH_ONE_SIDED = float(ndtri(1 - ALPHA) + ndtri(POWER))


@dataclass(frozen=True)
class Margins:
    """The worthwhile difference of each outcome, on the scale of the estimate (log for ratios).

    worthwhile_s: in seconds a lap. laps_in_race: at the mean timed lap.
    """

    worthwhile_s: float
    laps_in_race: float

    def __getitem__(self, outcome: Outcome | str) -> float:
        return outcome_of(outcome).margin(self.worthwhile_s, self.laps_in_race)


def both_agree(q_value: float, p_shuffled: float) -> bool:
    """The interval and the shuffled logs call an effect. p_shuffled: NaN for too few logs."""
    return q_value <= ALPHA and not p_shuffled > ALPHA


def difference_of_voices(p_value: float, p_shuffled: float) -> str:
    """What it hints at where only one of the two calls an effect; '' where they do not differ."""
    if p_value <= ALPHA < p_shuffled:
        return (
            "shuffled logs often show as much: the interval may be too narrow, as where the "
            "team's runs vary in a way that the model does not see"
        )
    if p_shuffled <= ALPHA and p_value > LEANING:
        return (
            "shuffled logs seldom show as much: at these meetings there was something, which the "
            "interval is too wide to tell or does not promise for the next one"
        )
    return ""


def verdict(
    outcome: Outcome | str,
    estimate: Estimate,
    q_value: float,
    margin: float,
    p_shuffled: float = float("nan"),
    along: str = "",
) -> str:
    """The words for one contrast, of an estimate on the additive (log) scale; `along`: of the
    change of its effect from one step of that axis (grip, track_temp) to the next."""
    below = estimate.estimate < 0
    of = outcome_of(outcome)
    words = moves_with(along) if along else of.verdicts
    word = words[0 if below != (bool(along) and of.higher_is_better) else 1]
    if equivalent(estimate, margin):
        return same_at_any(along) if along else SAME
    if both_agree(q_value, p_shuffled):
        return word
    return leaning(word) if estimate.p_value <= LEANING else NOT_ENOUGH


def equivalent(estimate: Estimate, margin: float) -> bool:
    """The 90 % interval lies within the margin."""
    low, high = estimate.interval(0.90)
    return -margin < low and high < margin


def more_switches(estimate: Estimate, margin: float, switches: int) -> int | None:
    """Further back-to-backs after which the question would be settled, if the estimate stayed.

    Settled: told from zero, or shown to be no difference that matters, with 80 % power. None
    where nothing would be (an estimate at the very margin is cheap either way; a contrast never
    switched has no basis). The variance is taken to fall with the number of switches.
    """
    if switches < 1 or estimate.std_error <= 0:
        return None
    size = abs(estimate.estimate)
    targets = [size / REACH]
    if size < margin:
        targets.append((margin - size) / REACH_ONE_SIDED)
    wanted = max(targets)
    if wanted <= 0:
        return None
    needed = switches * (estimate.std_error / wanted) ** 2 - switches
    return int(np.ceil(max(needed, 1.0)))


def claim_verdict(
    estimate: Estimate, q_value: float, expect: str, margin: float, p_shuffled: float = float("nan")
) -> str:
    """supported, contradicted, no difference that matters or open: as a verdict is found."""
    if equivalent(estimate, margin):
        return "supported" if expect == "same" else SAME
    if both_agree(q_value, p_shuffled):
        found = "lower" if estimate.estimate < 0 else "higher"
        return "supported" if found == expect else "contradicted"
    return "open"
