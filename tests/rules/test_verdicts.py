"""The bounds of verdicts, with estimates whose p and interval are set to the last digit."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan, nextafter

import pytest
from scipy.stats import norm

from pipeline.models.verdicts import (
    Margins,
    both_agree,
    claim_verdict,
    difference_of_voices,
    equivalent,
    more_switches,
    verdict,
)

SAME, NOTHING = "no difference that matters", "not enough runs"


def over(bound: float) -> float:
    return nextafter(bound, inf)


@dataclass(frozen=True)
class Set:
    """An estimate of which each part is set by itself."""

    estimate: float = 0.1
    p_value: float = 0.01
    low: float = -1.0
    high: float = 1.0
    std_error: float = 0.05

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        assert level == 0.90
        return self.low, self.high


@pytest.mark.parametrize(
    ("found", "q", "shuffled", "words"),
    [
        (Set(), 0.05, nan, "slower"),
        (Set(estimate=-0.1), 0.05, nan, "faster"),
        (Set(), over(0.05), nan, "leaning slower"),
        (Set(estimate=-0.1), over(0.05), nan, "leaning faster"),
        (Set(), 0.05, 0.05, "slower"),
        (Set(), 0.05, over(0.05), "leaning slower"),
        (Set(p_value=0.20), 0.9, nan, "leaning slower"),
        (Set(p_value=over(0.20)), 0.9, nan, NOTHING),
        (Set(estimate=0.0, p_value=0.20), 0.9, nan, "leaning slower"),
        (Set(low=-0.0299, high=0.0299), 0.01, 0.01, SAME),
        (Set(low=-0.03, high=0.0299), 0.01, 0.01, "slower"),
        (Set(low=-0.0299, high=0.03), 0.01, 0.01, "slower"),
    ],
)
def test_verdicts(found: Set, q: float, shuffled: float, words: str) -> None:
    assert verdict("pace", found, q, 0.03, shuffled) == words  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("found", "q", "expect", "words"),
    [
        (Set(estimate=-0.1), 0.05, "lower", "supported"),
        (Set(estimate=-0.1), 0.05, "higher", "contradicted"),
        (Set(estimate=0.1), 0.05, "higher", "supported"),
        (Set(estimate=0.0), 0.05, "higher", "supported"),
        (Set(estimate=0.1), 0.05, "same", "contradicted"),
        (Set(), over(0.05), "higher", "open"),
        (Set(low=-0.02, high=0.02), 0.9, "same", "supported"),
        (Set(low=-0.02, high=0.02), 0.01, "lower", SAME),
    ],
)
def test_claims(found: Set, q: float, expect: str, words: str) -> None:
    assert claim_verdict(found, q, expect, 0.03) == words  # type: ignore[arg-type]
    assert claim_verdict(Set(), 0.05, "higher", 0.03, over(0.05)) == "open"  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("p", "shuffled", "says"),
    [
        (0.05, over(0.05), "often"),
        (over(0.05), 0.9, ""),
        (0.05, 0.05, ""),
        (over(0.20), 0.05, "seldom"),
        (0.20, 0.05, ""),
        (over(0.20), over(0.05), ""),
        (0.01, nan, ""),
        (0.9, nan, ""),
    ],
)
def test_voices_that_differ(p: float, shuffled: float, says: str) -> None:
    words = difference_of_voices(p, shuffled)
    assert says in words and bool(words) == bool(says)


def test_both_voices_are_needed() -> None:
    assert both_agree(0.05, nan) and both_agree(0.05, 0.05)
    assert not both_agree(over(0.05), 0.01) and not both_agree(0.05, over(0.05))
    assert not equivalent(Set(low=-0.03, high=0), 0.03)  # type: ignore[arg-type]


# Standard errors that a two-sided test at 5 % finds with 80 % power, and a one-sided one.
TWO, ONE = norm.ppf(0.975) + norm.ppf(0.80), norm.ppf(0.95) + norm.ppf(0.80)


@pytest.mark.parametrize(
    ("estimate", "error", "switches", "needed"),
    [
        (0.10, 0.05, 10, 10 * (0.05 * TWO / 0.10) ** 2),
        (-0.10, 0.05, 10, 10 * (0.05 * TWO / 0.10) ** 2),
        (0.001, 0.02, 10, 10 * (0.02 * ONE / 0.029) ** 2),  # sooner shown too small to matter
        (0.029, 0.02, 10, 10 * (0.02 * TWO / 0.029) ** 2),
        (0.03, 0.02, 10, 10 * (0.02 * TWO / 0.03) ** 2),  # at the very margin
        (0.06, 0.01, 4, 0.0),  # there already: one more
        (0.10, 0.05, 1, (0.05 * TWO / 0.10) ** 2),
    ],
)
def test_more_back_to_backs(estimate: float, error: float, switches: int, needed: float) -> None:
    found = more_switches(Set(estimate=estimate, std_error=error), 0.03, switches)  # type: ignore[arg-type]
    more = max(needed - switches, 1.0)
    assert found == -int(-more // 1)


@pytest.mark.parametrize(
    ("estimate", "error", "switches", "margin"),
    [(0.1, 0.05, 0, 0.03), (0.1, 0.0, 10, 0.03), (0.1, -1.0, 10, 0.03), (0.0, 0.05, 10, 0.0)],
)
def test_no_basis_for_more(estimate: float, error: float, switches: int, margin: float) -> None:
    assert more_switches(Set(estimate=estimate, std_error=error), margin, switches) is None  # type: ignore[arg-type]


def test_margins_are_those_of_the_records() -> None:
    margins = Margins(0.04, 25.0)
    assert margins["race"] == pytest.approx(1.0)
    assert margins["pace"] == 0.04
