"""Days and seasons of incidents whose truth is known, and a study of the intervals on them.

    python -m tests.models.counts_days --days 300

prints, for each kind of season, how often the 95 % interval of the count model holds the truth,
calls nothing an effect, calls an effect of 1.65 times the rate an effect, and calls it the wrong
way round; beside it the share of nulls that a plain Poisson model calls an effect. In per cent,
300 days a kind (one standard error of 5 is 1.3; the season 100, and 2.2):

                                          null: effect  covers  found  wrong  null, Poisson
    2 drivers x 8 runs, 0.3 a run                  1.0    99.0    4.0    0.3            2.0
    2 drivers x 8 runs, 0.8 a run                  1.0    97.7    8.3    0.0            1.3
    2 drivers x 8 runs, 2 a run                    1.3    96.7   24.7    0.0            3.0
    2 drivers x 8 runs, 0.8, overdispersed         5.0    93.7    8.3    0.0            9.7
    2 drivers x 8 runs, 2, overdispersed           3.0    95.0   15.3    0.0           12.0
    2 drivers x 8 runs, 2, heavy tails             5.0    95.7   11.0    0.0           15.3
    4 of 24 drivers, 0.8                           2.3    95.0   30.7    0.3            2.7
    4 of 24 drivers, 0.8, overdispersed            5.7    96.7   24.0    0.3           10.3
    4 of 24 drivers, rare: 0.1                     2.0    96.0    7.7    0.0            2.0
    4 of 24 drivers, level in 3 runs, 0.3          0.7    98.7    5.0    0.0            0.7
    season of 6 meetings, overdispersed            8.0    92.0   84.0    0.0           10.0

The season with other seeds: 7 of 152 nulls called an effect, 15 of 252 in all (6.0 %, one
standard error 1.5). Where incidents are few the intervals are wider than they need be: counts
are whole numbers, and 16 runs cannot exclude that luck differs from run to run.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
from scipy import stats

from pipeline.models.counts import fit_counts
from pipeline.models.counts_interval import satterthwaite_df, signed_root
from pipeline.models.counts_rows import CountRows, RandomTerm

CONTRAST = np.array([0.0, 1.0])
EFFECT = 0.5


@dataclass(frozen=True)
class Kind:
    """A kind of season. mean: incidents of a middling driver's run of about 20 laps; alpha: NB2
    dispersion of the runs' luck, gamma or log-normal; slope: SD of the log ratio between
    meetings; used: runs with the level, else half of each team driver's runs in random order."""

    name: str
    mean: float
    team: int = 2
    field: int = 0
    meetings: int = 1
    runs: int = 8
    alpha: float = 0.0
    lognormal: bool = False
    slope: float = 0.0
    used: int = 0


KINDS = (
    Kind("2 drivers x 8 runs, 0.3 a run", 0.3),
    Kind("2 drivers x 8 runs, 0.8 a run", 0.8),
    Kind("2 drivers x 8 runs, 2 a run", 2.0),
    Kind("2 drivers x 8 runs, 0.8, overdispersed", 0.8, alpha=0.5),
    Kind("2 drivers x 8 runs, 2, overdispersed", 2.0, alpha=0.5),
    Kind("2 drivers x 8 runs, 2, heavy tails", 2.0, alpha=1.0, lognormal=True),
    Kind("4 of 24 drivers, 0.8", 0.8, 4, 20),
    Kind("4 of 24 drivers, 0.8, overdispersed", 0.8, 4, 20, alpha=0.5),
    Kind("4 of 24 drivers, rare: 0.1", 0.1, 4, 20),
    Kind("4 of 24 drivers, level in 3 runs, 0.3", 0.3, 4, 20, used=3),
    Kind("4 of 24 drivers, level in 3 runs, 1", 1.0, 4, 20, used=3),
    Kind("season of 6 meetings, overdispersed", 0.8, 4, 16, 6, alpha=0.3),
    Kind("the same, effect differs by meeting", 0.8, 4, 16, 6, alpha=0.3, slope=0.3),
)


def draw(kind: Kind, rng: np.random.Generator, log_ratio: float = 0.0) -> CountRows:
    """Drivers differ by exp(0.6), driver-meetings by exp(0.3), sessions by exp(0.25) (one SD)."""
    drivers = kind.team + kind.field
    shape = (kind.meetings, drivers, kind.runs)
    meeting, driver, run = (index.ravel() for index in np.indices(shape))
    session, entry = meeting * kind.runs + run, meeting * drivers + driver
    level = _levels(kind, rng, driver < kind.team)
    laps = rng.integers(16, 25, len(driver)).astype(float)
    ratio = log_ratio + kind.slope * rng.normal(size=kind.meetings)[meeting]
    eta = np.log(kind.mean / 20) + level * ratio
    for sd, group in ((0.6, driver), (0.3, entry), (0.25, session)):
        eta += sd * rng.normal(size=group.max() + 1)[group]
    y = rng.poisson(laps * np.exp(eta) * _luck(kind, rng, len(laps)))
    terms = [RandomTerm(driver), RandomTerm(session)]
    terms += [RandomTerm(entry)] if kind.meetings > 1 else []
    terms += [RandomTerm(meeting, level)] if kind.slope else []
    X = np.column_stack([np.ones(len(laps)), level])
    return CountRows(y, X, exposure=laps, terms=tuple(terms))


def _levels(kind: Kind, rng: np.random.Generator, team: np.ndarray) -> np.ndarray:
    level = np.zeros(len(team))
    if kind.used:
        level[rng.choice(np.flatnonzero(team), kind.used, replace=False)] = 1.0
        return level
    half = np.repeat([0.0, 1.0], kind.runs // 2)
    level[team] = np.concatenate([rng.permutation(half) for _ in range(kind.meetings * kind.team)])
    return level


def _luck(kind: Kind, rng: np.random.Generator, runs: int) -> np.ndarray:
    """Mean 1 and variance alpha."""
    if not kind.alpha:
        return np.ones(runs)
    if kind.lognormal:
        spread = np.log1p(kind.alpha)
        return np.exp(rng.normal(-spread / 2, np.sqrt(spread), runs))
    return rng.gamma(1 / kind.alpha, kind.alpha, runs)


def roots(rows: CountRows, truth: float, family: str = "nb2") -> tuple[float, float]:
    """Signed roots of the deviance at no effect and at the truth, over the t quantile: beyond
    one, the 95 % interval leaves that value out; below zero at no effect, the ratio is above."""
    if not rows.y.any():
        return 0.0, 0.0
    fit = fit_counts(rows, family)
    quantile = stats.t.ppf(0.975, satterthwaite_df(fit, CONTRAST))
    root = signed_root(fit, CONTRAST)
    return root(0.0) / quantile, root(truth) / quantile


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--days", type=int, default=300)
    parser.add_argument("--only", default="", help="kinds whose name contains this")
    options = parser.parse_args()
    for number, kind in enumerate(KINDS):
        if options.only in kind.name:
            print(_line(kind, number, options.days), flush=True)


def _line(kind: Kind, number: int, days: int) -> str:
    rng = np.random.default_rng([2026, number])
    nulls = [draw(kind, rng) for _ in range(days)]
    real = [draw(kind, rng, EFFECT) for _ in range(days)]
    null = np.array([roots(rows, 0.0)[0] for rows in nulls])
    plain = np.array([roots(rows, 0.0, "poisson")[0] for rows in nulls])
    at_none, at_truth = np.array([roots(rows, EFFECT) for rows in real]).T
    shares = [
        np.abs(null) > 1,
        np.abs(at_truth) <= 1,
        at_none < -1,
        at_none > 1,
        np.abs(plain) > 1,
    ]
    cells = "".join(f"{100 * np.mean(share):8.1f}" for share in shares)
    return f"{kind.name:42}{cells}"


if __name__ == "__main__":
    main()
