"""False discovery rate, ANOVA of the NIST data, log SD, meta-analysis by the library."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from scipy.special import polygamma, psi

from pipeline.models.families import false_discovery
from tests.reference import problems, published

close = partial(np.testing.assert_allclose)


def test_benjamini_hochberg_1995() -> None:
    """The 15 p-values of Benjamini and Hochberg 1995 (section 3.1): four rejections."""
    check = published.check("benjamini_hochberg_1995")
    rejected, adjusted, *_ = sm.stats.multipletests(check["values"]["p"], 0.05, "fdr_bh")
    close(adjusted, check["values"]["adjusted_BH"], atol=1e-12)
    assert rejected.sum() == check["published"]["rejected_BH"]
    ours = false_discovery(np.array(check["values"]["p"]))
    close(ours, check["values"]["adjusted_BH"], atol=1e-12)
    assert (ours <= 0.05).sum() == check["published"]["rejected_BH"]


def test_nist_sirstv() -> None:
    """NIST Statistical Reference Datasets, ANOVA, SiRstv: certified F, to eight digits."""
    d = published.data("SiRstv")
    certified = published.values("nist_sirstv")["certified"]
    found = stats.f_oneway(*(group for _, group in d.groupby("instrument").resistance))
    close(found.statistic, certified["F"], rtol=1e-8)


def simon_lesage(leading: str, decimals: list[int]) -> list[np.ndarray]:
    """Treatments of SmLs03, 06, 09: one row lead.d, then 1000 pairs lead.(d-1), lead.(d+1)."""
    rows = ([d, *[d - 1, d + 1] * 1000] for d in decimals)
    return [np.array([float(f"{leading}.{digit}") for digit in row]) for row in rows]


@pytest.mark.parametrize(("place", "tolerance"), [(0, 1e-9), (1, 1e-7), (2, 1e-2)])
def test_nist_smls(place: int, tolerance: float) -> None:
    """NIST ANOVA, Simon and Lesage 1989: constant leading digits; the first value taken off.

    SmLs09 is already rounded when it is stored, hence its tolerance.
    """
    values = published.values("nist_smls")
    make = values["construction"]
    groups = simon_lesage(make["leading"][place], make["first_decimal_of_first_row"])
    shifted = [group - groups[0][0] for group in groups]
    wanted = values["certified_all_three"]["F"]
    assert stats.f_oneway(*shifted).statistic == pytest.approx(wanted, rel=tolerance)


def test_log_sd_formulas() -> None:
    """Exact moments of log s (Bartlett and Kendall 1946), first order (Nakagawa et al. 2015)."""
    values = published.values("log_sd_formulas")
    sd = published.data("morley").groupby("Expt").Speed.std()
    y, known = problems.log_sd(sd, 0 * sd + 19)
    close(sd, values["sd"], rtol=1e-12)
    close(y, values["lnsd_exact"], rtol=1e-12)
    close(known, values["var_exact"], rtol=1e-12)
    close(np.log(sd) + 1 / 38, values["lnsd_approx"], rtol=1e-12)
    half = np.array(values["table"]["nu"]) / 2
    close((psi(half) - np.log(half)) / 2, values["table"]["bias_exact"], rtol=1e-12)
    close(polygamma(1, half) / 4, values["table"]["var_exact"], rtol=1e-12)


@pytest.mark.parametrize(("method", "key"), [("dl", "DL"), ("pm", "PM")])
def test_bcg_meta_analysis_by_moments(method: str, key: str) -> None:
    """DerSimonian-Laird and Paule-Mandel, the library's voice beside the solver's REML."""
    problem = problems.bcg()
    wanted = published.values("bcg_meta_analysis")["log_risk_ratio"][key]
    found = sm.stats.combine_effects(problem.y, problem.known, method_re=method, atol=1e-12)
    assert found.tau2 == pytest.approx(wanted["tau2"], rel=1e-6)
    assert found.mean_effect_re == pytest.approx(wanted["coef"], rel=1e-6)
