"""The simple analysis: against statsmodels, and in the kind of world in which it is right."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from tests.worlds import simple
from tests.worlds.record import make_world


def test_it_is_least_squares_on_what_the_field_leaves() -> None:
    """statsmodels' OLS on the same run means: another hand's least squares and t interval."""
    made = make_world("meetings differ", 4, 1)
    runs = made.runs.assign(mean_s=simple.run_means(made.runs, made.laps))
    net = []
    for _, day in runs.groupby("meeting"):
        field = smf.ols("mean_s ~ C(session, Sum) + C(driver)", day[~day["team"]]).fit()
        one = day[~day["team"]]["driver"].iloc[0]
        there = field.predict(day.assign(driver=one))
        overall = field.predict(pd.DataFrame({"session": day["session"].unique(), "driver": one}))
        net.append(day["mean_s"] - there + overall.mean())
    hour = pd.to_datetime(runs["start"]).dt.hour + pd.to_datetime(runs["start"]).dt.minute / 60
    runs = runs.assign(net=pd.concat(net), hour=hour)
    model = smf.ols("net ~ C(meeting):C(driver) + C(meeting):hour + part_a", runs[runs["team"]])
    fitted = model.fit()
    low, high = fitted.conf_int().loc["part_a[T.B]"]
    ours = simple.analyse(made.runs, made.laps, made.factors).iloc[0]
    assert ours["estimate"] == pytest.approx(fitted.params["part_a[T.B]"], abs=1e-8)
    assert (ours["ci_low"], ours["ci_high"]) == pytest.approx((low, high), abs=1e-8)
    assert ours["df"] == np.linalg.matrix_rank(np.eye(len(fitted.resid))) - fitted.model.rank


def test_it_covers_where_it_is_right() -> None:
    hits = []
    for number in range(150):
        made = make_world("plain", 6, number)
        found = simple.analyse(made.runs, made.laps, made.factors).iloc[0]
        truth = made.truth.query("outcome == 'pace' and driver == ''")["truth_these"].iloc[0]
        hits.append(found["ci_low"] <= truth <= found["ci_high"])
    # 95 % of 150, three binomial errors either way.
    assert 0.896 <= np.mean(hits) <= 1.0


def test_a_setting_that_only_moves_with_another_has_no_number() -> None:
    made = make_world("plain", 1, 1)
    runs = made.runs.assign(part_b=made.runs["part_a"])
    factors = [*made.factors, {**made.factors[0], "name": "part_b"}]
    assert not len(simple.analyse(runs, made.laps, factors))


def test_slow_laps_are_not_clean() -> None:
    laps = pd.DataFrame({"run": 0, "lap": range(1, 12), "lap_s": [20.0, *[10.0, 10.2] * 4, 14, 30]})
    runs = pd.DataFrame({"driver": ["car 1"]})
    assert simple.run_means(runs, laps)[0] == pytest.approx(10.1)
