"""How far each driver's feel goes with the clock at all.

Of two runs of one driver at one meeting that felt different, how often the one that felt better
was the faster, grip taken out. That share is (1 + D) / 2 of Somers' D of pace on the score (Somers
1962, from memory), counted within meetings alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.models.engine.rows import Array, Codes
    from pipeline.tables.outcomes import Outcome

COLUMNS = ["feel", "driver", "share", "ci_low", "ci_high", "n_runs", "n_pairs"]
# Runs that felt unlike some other of their meeting: with fewer the interval says nothing.
LEAST_RUNS = 6
QUANTILE = float(ndtri(0.975))


def agreement_table(runs: pd.DataFrame, feels: Iterable[Outcome]) -> pd.DataFrame:
    """A row for each feel and each driver of the team who scored it.

    runs: meeting, driver, team, corrected_s (NaN: none) and a column of scores a feel. Columns
    feel, driver, share (0 to 1), ci_low, ci_high (95 %), n_runs, n_pairs: of runs that felt
    different; no numbers where those are too few.
    """
    import pandas as pd

    rows = []
    for feel in feels:
        usable = runs["team"] & runs[[feel.name, "corrected_s"]].notna().all(axis=1)
        for driver, own in runs[usable].groupby("driver"):
            score, pace = (own[name].to_numpy(float) for name in (feel.name, "corrected_s"))
            ahead, differ = concordance(score, -pace, pd.factorize(own["meeting"])[0])
            told = somers_interval(ahead, differ)
            share = [(1 + d) / 2 for d in told] if told else [np.nan] * 3
            rows.append((feel.name, driver, *share, len(own), int(differ.sum()) // 2))
    return pd.DataFrame(rows, columns=COLUMNS)


def concordance(score: Array, speed: Array, group: Codes) -> tuple[Array, Array]:
    """Of each run's pairs within its group: concordant less discordant ones, and how many differ
    in score, (n,) each. All arguments (n,)."""
    differ = np.sign(score[:, None] - score) * (group[:, None] == group)
    ahead = differ * np.sign(speed[:, None] - speed)
    return ahead.sum(axis=1), np.abs(differ).sum(axis=1)


def somers_interval(ahead: Array, differ: Array) -> tuple[float, float, float] | None:
    """Somers' D with its 95 % interval, from `concordance`; None for too few runs.

    Jackknife over the runs, on the scale of Fisher's z (Newson 2006, Stata Journal 6: 309, from
    memory). Runs that agree without exception have a jackknife error of none, which cannot be: it
    is taken to be at least one over their number, as if one run more could turn it.
    """
    n, total = int((differ > 0).sum()), float(differ.sum())
    if n < LEAST_RUNS:
        return None
    ahead, differ = ahead[differ > 0], differ[differ > 0]
    d = float(ahead.sum()) / total
    without = (ahead.sum() - 2 * ahead) / np.maximum(total - 2 * differ, 1.0)
    error = max(float(np.sqrt(((without - without.mean()) ** 2).sum() * (n - 1) / n)), 1 / n)
    inside = np.clip(d, -1 + 2 / (total + 2), 1 - 2 / (total + 2))
    half = QUANTILE * error / (1 - inside**2)
    low, high = np.tanh(np.arctanh(inside) + np.array([-half, half]))
    return d, min(d, float(low)), max(d, float(high))
