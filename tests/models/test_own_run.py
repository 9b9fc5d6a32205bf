"""The team's runs have a run variance of their own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.models.design import build_design
from pipeline.models.fitting import OWN_RUN, OutcomeFit, fit_outcome
from pipeline.models.identify import usable_runs
from pipeline.models.responses import lap_tables, response_of
from pipeline.tables.outcomes import PACE, RACE
from pipeline.tables.records import SeasonData
from tests.models.small_season import season, with_laps


def fits(data: SeasonData) -> tuple[OutcomeFit, OutcomeFit]:
    design = build_design(data, usable_runs(data))
    laps = lap_tables(data, design)
    return fit_outcome(design, response_of(PACE, laps)), fit_outcome(
        design, response_of(RACE, laps)
    )


def test_it_is_the_teams_variance_that_counts() -> None:
    """Rivals whose runs differ by 0.3 s more leave the team's run variance as it was."""
    plain = season(meetings=4)
    rng = np.random.default_rng(1)
    luck = np.where(plain.runs["team"], 0.0, rng.normal(0, 0.3, len(plain.runs)))
    wild = with_laps(plain, plain.laps["lap_s"] + luck[plain.laps["run"]])
    for before, after in zip(fits(plain), fits(wild), strict=True):
        assert OWN_RUN in after.fit.names and after.fit.converged
        assert after.run_variance == pytest.approx(before.run_variance, rel=0.25)
        assert after.fit.variance("run") > before.fit.variance("run") + 0.06
        assert after.run_variance == after.fit.variance(OWN_RUN)


@pytest.mark.parametrize(("cars", "team"), [(12, 1), (5, 4)], ids=["few of the team", "few rivals"])
def test_however_few_the_teams_runs_are_their_own(cars: int, team: int) -> None:
    for fitted in fits(season(meetings=1, cars=cars, team=team)):
        assert fitted.run_variance == fitted.fit.variance(OWN_RUN)


def test_without_rivals_there_is_one() -> None:
    for fitted in fits(season(meetings=3, cars=4, team=4)):
        assert OWN_RUN not in fitted.fit.names
        assert fitted.run_variance == fitted.fit.variance("run")


def test_steady_team_gets_narrower_intervals_than_one_variance_would_give() -> None:
    plain = season(meetings=4)
    rng = np.random.default_rng(2)
    luck = np.where(plain.runs["team"], 0.0, rng.normal(0, 0.3, len(plain.runs)))
    data = with_laps(plain, plain.laps["lap_s"] + luck[plain.laps["run"]])
    design = build_design(data, usable_runs(data))
    laps = lap_tables(data, design)
    own = fit_outcome(design, response_of(PACE, laps))
    shared = fit_outcome(design, response_of(PACE, replace(laps, team=laps.team & False)))
    names = [name for name in own.contrast_at if name in shared.contrast_at]
    errors = [
        np.sqrt(np.diag(fit.fit.cov_beta))[[fit.contrast_at[name] for name in names]]
        for fit in (own, shared)
    ]
    assert (errors[0] < 0.7 * errors[1]).all()
