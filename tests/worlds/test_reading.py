"""What is read off made-up records, where the answer is known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.worlds import reading, surface
from tests.worlds.parameters import flat
from tests.worlds.record import make_world
from tests.worlds.study import frame

ROW: dict[str, Any] = {
    "outcome": "pace", "factor": "part_a", "level": "B", "reference": "A", "condition": "all",
    "driver": "", "truth": 0.0, "truth_next": 0.0, "truth_mix": 0.0, "truth_these": 0.0,
    "unseen_s": 0.0,
    "runs_at_level": 16, "estimate": 0.0, "ci_low": -0.1, "ci_high": 0.1, "p_value": 0.5,
    "p_shuffled": np.nan, "anytime_low": np.nan, "anytime_high": np.nan, "scope": "this meeting",
    "verdict": "not enough runs", "row": "both", "failure": "", "kind": "plain", "seed": 1,
    "number": 0, "simple_half_width": 0.08, "simple_covers": 1.0,
}  # fmt: skip
PARAMETERS = {f"w_{k}": v for k, v in flat(make_world("plain", 1, 1).parameters).items()}


def made_up(*rows: dict[str, Any]) -> pd.DataFrame:
    return pd.DataFrame([{**ROW, **PARAMETERS, "number": n, **row} for n, row in enumerate(rows)])


def test_each_row_is_judged() -> None:
    rows = reading.judged(
        made_up(
            {},
            {"verdict": "faster", "ci_low": -0.2, "ci_high": -0.1},
            {"truth": 0.08, "verdict": "faster"},
            {"truth": 0.08, "verdict": "slower"},
            {"truth": 0.01, "verdict": "leaning faster"},
            {"truth": np.nan},
            {"estimate": np.nan, "ci_low": np.nan, "ci_high": np.nan, "verdict": "not separable"},
        )
    )
    assert len(rows) == 6
    assert rows["null"].tolist() == [True, True, False, False, False, True]
    assert rows["real"].tolist() == [False, False, True, True, False, False]
    assert rows["called"].tolist() == [False, True, True, True, False, False]
    assert rows["wrong_way"].tolist() == [False, False, True, False, False, False]
    assert rows["covered"].tolist() == [True, False, True, True, True, False]
    assert rows["got"].tolist() == [True] * 5 + [False]
    assert rows["simple_ratio"].iloc[0] == pytest.approx(1.25)


def test_ratios_are_judged_on_the_log_scale() -> None:
    ratio = {"outcome": "spread", "truth": 0.8, "ci_low": 0.5, "ci_high": 2.0, "verdict": "wilder"}
    row = reading.judged(made_up(ratio)).iloc[0]
    assert row["half_width"] == pytest.approx(np.log(2)) and row["wrong_way"] and row["covered"]
    assert reading.judged(made_up({**ratio, "truth": 1.0}))["null"].all()


def test_words_that_are_no_verdict_are_noticed() -> None:
    assert reading.claimed_direction("worse with grip") == 1
    assert reading.claimed_direction("same at any grip") == 0
    with pytest.raises(KeyError):
        reading.claimed_direction("quicker")


def test_what_a_row_is_about() -> None:
    about = [{"condition": c} for c in ("all", "grip=low", "surface=carpet", "grip per step")]
    rows = reading.judged(made_up(*about, {"driver": "car 1"}))
    assert rows["about"].tolist() == ["all", "grip", "surface", "per step", "driver"]


def test_worlds_are_the_clusters_of_the_error() -> None:
    rows = made_up(*({"number": n // 4} for n in range(400)))
    hits = pd.Series(np.repeat(np.random.default_rng(1).random(100) < 0.5, 4))
    # Four equal rows a world count as one: the binomial error of 100, not of 400.
    assert reading.monte_carlo_error(rows, hits) == pytest.approx(0.05, abs=0.001)
    none = pd.Series(np.zeros(400, dtype=bool))
    assert 0 < reading.monte_carlo_error(rows, none) < 0.01


def test_shares_and_misses_of_a_fixed_kind() -> None:
    good = [{} for _ in range(190)]
    bad = [{"ci_low": 0.1, "ci_high": 0.2, "verdict": "slower"} for _ in range(10)]
    table = reading.page(made_up(*good, *bad), [])
    assert "95.0 ± 1.6 %" in table and "**95.0" not in table
    assert "200 worlds, 0 on which the analysis failed" in table
    worse = reading.page(made_up(*good[:150], *bad * 5), [])
    assert "**75.0 ± 3.1 %**" in worse and "**25.0 ± 3.1 %**" in worse


def test_failures_are_counted_by_kind_of_failure() -> None:
    failed = {"failure": "ValueError: singular at 3 (a.py:1)", "estimate": np.nan, "row": ""}
    page = reading.page(
        made_up({}, failed, {**failed, "failure": "ValueError: singular at 7.5 (a.py:1)"}), []
    )
    assert "3 worlds, 2 on which the analysis failed" in page
    assert "- 2 × ValueError: singular at # (a.py:#)" in page


def random_worlds(count: int) -> pd.DataFrame:
    """Worlds of which coverage falls with the team's share of the grip and nothing else."""
    rng = np.random.default_rng(5)
    rows = []
    for _ in range(count):
        grip, learning = rng.uniform(0.6, 1.5), rng.uniform(-0.2, 0.3)
        held = rng.random() < 1 / (1 + np.exp(-(3 - 2.5 * (grip - 0.6))))
        word = str(rng.choice(["none", "waves"]))
        low = -0.1 if held else 0.05
        rows.append({
            "kind": "random", "ci_low": low, "w_team_grip": grip, "w_learning_s": learning,
            "w_grip_shape": word,
        })  # fmt: skip
    return made_up(*rows)


def test_the_surface_finds_what_drives_coverage() -> None:
    rows = reading.judged(random_worlds(3000))
    columns = surface.design(rows)
    world = np.arange(len(rows))
    covered = rows["covered"].to_numpy(dtype=float)
    table = surface.drivers(columns, surface.fit(columns.X, covered, world)).splitlines()
    assert table[2].startswith("| team_grip |")
    p_values = [float(line.split("|")[4]) for line in table[2:]]
    assert p_values[0] < 1e-6 and min(p_values[1:]) > 0.001
    worst = surface.cross_fitted(columns.X, covered, world)
    rows_of_worst = worst <= np.quantile(worst, 0.05)
    # Truth there: 1 / (1 + exp(-(3 - 2.5 x 0.88))) = 0.69.
    assert worst[rows_of_worst].mean() == pytest.approx(0.68, abs=0.05)
    assert covered[rows_of_worst].mean() == pytest.approx(0.69, abs=0.1)


def test_the_page_of_random_worlds() -> None:
    page = reading.page(random_worlds(600), ["pace", "race"])
    assert "### Where coverage falls: pace" in page and "The worst hundredth (6 rows" in page
    assert "### race: too few rows" in page
    assert "Of 600 worlds without any effect, something was found in 0.0 %." in page


def test_fit_is_logistic_regression() -> None:
    """Against statsmodels' binomial GLM, where the penalty is weak beside 5,000 rows."""
    import statsmodels.api as sm

    rng = np.random.default_rng(2)
    X = rng.standard_normal((5000, 2))
    hits = (rng.random(5000) < 1 / (1 + np.exp(-(1 + 0.5 * X[:, 0])))).astype(float)
    ours = surface.fit(X, hits, np.arange(5000))
    theirs = sm.GLM(hits, sm.add_constant(X), family=sm.families.Binomial()).fit(cov_type="HC0")
    assert ours.beta == pytest.approx(theirs.params, abs=2e-3)
    assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(theirs.bse, rel=0.02)


def test_the_study_s_table_can_be_read() -> None:
    from tests.worlds.record import Asked, record

    asked = Asked(outcomes=("pace",), analysis="simple")
    table = frame([record("random", 1, n, asked) for n in range(8)])
    assert "## Random worlds" in reading.page(table, ["pace"])
