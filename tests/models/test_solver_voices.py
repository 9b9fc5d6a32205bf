"""Other programs on the same small season: statsmodels' MixedLM, and lme4, lmerTest, mgcv live.

The season has laps of runs of drivers at meetings and one setup contrast; its truth does not
matter here, only that all give the same numbers.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import warnings
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.models.engine.inference import contrast
from pipeline.models.engine.rows import Penalised, Rows
from pipeline.models.engine.solver import Fit, fit_rows
from tests.models.twin import Array
from tests.reference.problems import spline_columns

SETUP = 2  # column of the setup contrast


@cache
def season() -> pd.DataFrame:
    """Six drivers at three meetings, four runs each of unequal length."""
    rng = np.random.default_rng(20260118)
    shape = [(d, m, r) for d in range(6) for m in range(3) for r in range(4)]
    frame = pd.DataFrame(shape, columns=["driver", "meeting", "slot"])
    frame["run"] = np.arange(len(frame))
    frame["setup"] = np.where(frame.driver < 3, rng.integers(0, 2, len(frame)), 0)
    frame["hour"] = 9 + frame.slot + frame.driver / 10
    base = rng.normal(0, 0.4, 6)[frame.driver] + rng.normal(0, 0.15, 18)[frame.run // 4]
    grip = 0.4 * np.exp(-(frame.hour - 9)) + 0.1 * np.sin(2 * frame.hour)
    frame["mean"] = 15 + base + grip + rng.normal(0, 0.08, len(frame)) - 0.06 * frame.setup
    laps = frame.loc[frame.index.repeat(rng.integers(6, 15, len(frame)))].reset_index(drop=True)
    laps["lap_s"] = laps["mean"] + rng.normal(0, 0.22, len(laps))
    return laps.drop(columns="mean")


def rows(*, trend: bool) -> Rows:
    """Lap by lap; a straight line of the hour, and a penalised spline if asked for."""
    d = season()
    X = np.column_stack([np.ones(len(d)), d.hour, d.setup]).astype(float)
    grip = spline_columns(d.hour.to_numpy(float), d.hour.min(), d.hour.max(), 8)
    return Rows(
        y=d.lap_s.to_numpy(float),
        X=X,
        diagonal=np.ones((len(d), 1)),
        levels=tuple(codes.to_numpy(int) for codes in (d.driver, d.run // 4, d.run)),
        penalised=(Penalised("grip", grip),) if trend else (),
        names=("residual", "driver", "entry", "run", *(["grip"] if trend else [])),
    )


@cache
def fitted(*, trend: bool) -> Fit:
    fit = fit_rows(rows(trend=trend))
    assert fit.converged, fit.message
    return fit


def standard_error(fit: Fit, place: int) -> float:
    return float(np.sqrt(fit.cov_beta[place, place]))


def assert_same_effects(fit: Fit, beta: Array, se: Array, share: float) -> None:
    """Estimates within a share of a standard error, errors within that share too."""
    own = np.array([standard_error(fit, place) for place in range(len(fit.beta))])
    np.testing.assert_allclose((fit.beta - beta) / own, 0, atol=share)
    np.testing.assert_allclose(own / se, 1, atol=share)


def test_statsmodels_mixedlm() -> None:
    """An independent criterion and optimiser: estimates to 1e-3 of a standard error.

    Its own standard errors are of another kind (from the joint Hessian of effects and
    variances, up to 0.4 % larger here) and are not compared.
    """
    import statsmodels.formula.api as smf

    groups = {"entry": "0 + C(meeting)", "run": "0 + C(run)"}
    model = smf.mixedlm(
        "lap_s ~ hour + setup", season(), groups="driver", re_formula="1", vc_formula=groups
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it calls any variance below 0.01 one on the boundary
        found = model.fit(reml=True, gtol=1e-8)
    fit = fitted(trend=False)
    own = np.sqrt(np.diag(fit.cov_beta))
    np.testing.assert_allclose((fit.beta - found.fe_params) / own, 0, atol=1e-3)
    assert fit.criterion == pytest.approx(-2 * found.llf, abs=1e-5)
    variances = [found.scale, found.cov_re.iloc[0, 0], *found.vcomp]
    np.testing.assert_allclose(fit.theta, variances, rtol=1e-3)


R_SCRIPT = r"""
suppressPackageStartupMessages({library(lmerTest); library(mgcv); library(jsonlite)})
d <- read.csv(commandArgs(TRUE)[1])
tight <- lmerControl(optCtrl = list(xtol_rel = 1e-12, ftol_abs = 1e-12))
for (name in c("driver", "meeting", "run")) d[[name]] <- factor(d[[name]])
d$entry <- interaction(d$driver, d$meeting)
fit <- lmer(lap_s ~ hour + setup + (1 | driver) + (1 | entry) + (1 | run), d, control = tight)
table <- coef(summary(fit))
smooth <- gam(lap_s ~ setup + s(hour, bs = "ps", k = 8, m = c(2, 2)) + s(driver, bs = "re") +
              s(entry, bs = "re") + s(run, bs = "re"), data = d, method = "REML",
              control = gam.control(epsilon = 1e-10))
kr <- if (requireNamespace("pbkrtest", quietly = TRUE))
  coef(summary(fit, ddf = "Kenward-Roger")) else NULL
out <- list(criterion = as.numeric(REMLcrit(fit)), beta = table[, "Estimate"],
            se = table[, "Std. Error"], df = table[, "df"],
            variances = c(sigma(fit)^2, VarCorr(fit)$driver[1], VarCorr(fit)$entry[1],
                          VarCorr(fit)$run[1]),
            kr_df = kr["setup", "df"], kr_se = kr["setup", "Std. Error"],
            smooth = c(coef(smooth)["setup"], sqrt(vcov(smooth)["setup", "setup"])))
cat(toJSON(lapply(out, unname), digits = I(15), null = "null"))
"""


@pytest.fixture(scope="module")
def from_r(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[float]]:
    """What lme4, lmerTest, pbkrtest and mgcv find on the same laps."""
    if shutil.which("Rscript") is None:
        pytest.skip("Rscript is not installed")
    folder = tmp_path_factory.mktemp("r")
    season().to_csv(folder / "laps.csv", index=False)
    (folder / "fit.R").write_text(R_SCRIPT, "utf-8")
    done = run_r(folder / "fit.R", folder / "laps.csv")
    if "there is no package" in done.stderr:
        pytest.skip(f"R without a package: {done.stderr.strip().splitlines()[0]}")
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout))


def run_r(*arguments: Path) -> subprocess.CompletedProcess[str]:
    command = ["Rscript", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


@pytest.mark.r
def test_lme4_and_lmertest_live(from_r: dict[str, list[float]]) -> None:
    fit = fitted(trend=False)
    assert fit.criterion == pytest.approx(from_r["criterion"][0], abs=1e-6)
    np.testing.assert_allclose(fit.theta, from_r["variances"], rtol=1e-4)
    assert_same_effects(fit, np.array(from_r["beta"]), np.array(from_r["se"]), 1e-4)
    found = [contrast(fit, unit).df for unit in np.eye(3)]
    np.testing.assert_allclose(found, from_r["df"], rtol=2e-3)


@pytest.mark.r
def test_pbkrtest_live(from_r: dict[str, list[float]]) -> None:
    if not from_r["kr_df"]:
        pytest.skip("R without pbkrtest")
    found = contrast(fitted(trend=False), np.eye(3)[SETUP], method="kenward-roger")
    assert found.df == pytest.approx(from_r["kr_df"][0], rel=1e-3)
    assert found.std_error == pytest.approx(from_r["kr_se"][0], rel=1e-4)


@pytest.mark.r
def test_mgcv_live(from_r: dict[str, list[float]]) -> None:
    """The contrast beside a penalised spline of the hour and three random intercepts."""
    fit = fitted(trend=True)
    beta, se = from_r["smooth"]
    assert abs(fit.beta[SETUP] - beta) < 1e-3 * se
    assert standard_error(fit, SETUP) == pytest.approx(se, rel=1e-3)
