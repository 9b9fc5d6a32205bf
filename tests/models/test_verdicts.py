"""From an estimate to the fixed words."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.models.effects import numbers
from pipeline.models.engine.inference import Estimate
from pipeline.models.verdicts import (
    NOT_ENOUGH,
    SAME,
    Margins,
    claim_verdict,
    equivalent,
    more_switches,
    verdict,
)

MARGIN = 0.03


@pytest.mark.parametrize(
    ("outcome", "estimate", "std_error", "words"),
    [
        ("pace", -0.10, 0.02, "faster"),
        ("pace", 0.10, 0.02, "slower"),
        ("race", 0.10, 0.02, "slower"),
        ("spread", -0.10, 0.02, "steadier"),
        ("spread", 0.10, 0.02, "wilder"),
        ("mistakes", -0.10, 0.02, "fewer"),
        ("mistakes", 0.10, 0.02, "more"),
        ("pace", 0.001, 0.005, SAME),
        ("pace", 0.02, 0.002, SAME),  # surely there, surely too small to matter
        ("pace", -0.05, 0.03, "leaning faster"),
        ("pace", 0.01, 0.05, NOT_ENOUGH),
    ],
)
def test_words(outcome: str, estimate: float, std_error: float, words: str) -> None:
    found = Estimate(estimate, std_error, 40.0)
    assert verdict(outcome, found, found.p_value, MARGIN) == words


def test_an_effect_needs_its_q_value_too() -> None:
    found = Estimate(0.10, 0.04, 40.0)
    assert found.p_value < 0.05
    assert verdict("pace", found, 0.30, MARGIN) == "leaning slower"


def test_equivalence_is_two_one_sided_tests_at_five_per_cent() -> None:
    """Schuirmann 1987 (from memory): both one-sided p-values at most 0.05."""
    for estimate in np.linspace(-0.03, 0.03, 25):
        found = Estimate(float(estimate), 0.012, 17.0)
        below = stats.t.cdf((estimate - MARGIN) / 0.012, 17)
        above = stats.t.sf((estimate + MARGIN) / 0.012, 17)
        assert equivalent(found, MARGIN) == (max(below, above) < 0.05)


def test_margins_over_a_race_add_up() -> None:
    margins = Margins(0.03, laps_in_race=20)
    assert margins["pace"] == 0.03
    assert margins["race"] == pytest.approx(0.6)
    # A fade of the margin, about the middle of the race, costs the pace margin at either end.
    assert margins["fade"] * 10 == pytest.approx(margins["pace"])


def test_more_back_to_backs_settle_it_with_eighty_per_cent_power() -> None:
    found = Estimate(0.05, 0.04, 1e6)
    more = more_switches(found, MARGIN, switches=10)
    assert more is not None
    std_error = 0.04 * np.sqrt(10 / (10 + more))
    power = stats.norm.cdf(0.05 / std_error - stats.norm.ppf(0.975))
    assert 0.80 <= power < 0.83
    assert more_switches(found, MARGIN, switches=0) is None


@pytest.mark.parametrize(
    ("estimate", "std_error", "expect", "words"),
    [
        (-0.10, 0.02, "lower", "supported"),
        (-0.10, 0.02, "higher", "contradicted"),
        (-0.10, 0.02, "same", "contradicted"),
        (0.0, 0.005, "same", "supported"),
        (0.0, 0.005, "lower", SAME),
        (-0.02, 0.05, "lower", "open"),
    ],
)
def test_claims(estimate: float, std_error: float, expect: str, words: str) -> None:
    found = Estimate(estimate, std_error, 40.0)
    assert claim_verdict(found, found.p_value, expect, MARGIN) == words


def test_a_claim_needs_the_q_value_of_a_verdict() -> None:
    found = Estimate(-0.10, 0.04, 40.0)
    assert claim_verdict(found, 0.04, "lower", MARGIN) == "supported"
    assert claim_verdict(found, 0.06, "lower", MARGIN) == "open"


def test_ratios_are_printed_as_ratios_with_their_error_on_the_log_scale() -> None:
    shown = numbers("spread", Estimate(np.log(1.2), 0.1, 1e6))
    assert shown["estimate"] == pytest.approx(1.2)
    assert shown["std_error"] == 0.1
    assert shown["ci_low"] == pytest.approx(1.2 * np.exp(-1.959964 * 0.1), rel=1e-5)
    assert shown["ci_high"] * shown["ci_low"] == pytest.approx(1.2**2)
