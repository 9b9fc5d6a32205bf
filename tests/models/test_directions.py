"""Claims on a property: what a direction of change does over the factors that share it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm

import pipeline
from pipeline.models.directions import _weights, steps_of
from pipeline.models.season import estimate
from pipeline.tables.records import SeasonData
from pipeline.team.factors import Claim, Factor, Property
from tests.api.frames import dicts, frames
from tests.models import small_season

PER_STEP = -0.12
BAR = replace(
    small_season.BAR,
    property="stiffness",
    positions=(("1.2", -1.0), ("1.3", 0.0), ("1.4", 1.0)),
)
SPRING = replace(
    small_season.SPRING, property="stiffness", positions=(("soft", 0.0), ("hard", 1.0))
)
CLAIMS = (
    Claim("stiffer is faster", "", "0", "1", "pace", "lower", property="stiffness"),
    Claim("softer is faster", "", "1", "-1", "pace", "lower", property="stiffness"),
    Claim("stiffer is faster at low grip", "", "0", "1", "pace", "lower", "grip=low", "stiffness"),
    Claim("stiffer brings mistakes", "", "0", "1", "mistakes", "higher", property="stiffness"),
    Claim("nobody shares it", "", "0", "1", "pace", "lower", property="wing"),
)


def season(spring: float = PER_STEP) -> SeasonData:
    """Each step stiffer is 0.12 s faster; `spring` is what the hard spring does."""
    data = small_season.season()
    runs = data.runs
    # Beside what the small season has: -0.1 with the 1.4 bar, +0.05 with the hard spring.
    more = np.select([runs["bar"] == "1.2", runs["bar"] == "1.4"], [-PER_STEP, PER_STEP + 0.1], 0.0)
    more = more + (runs["spring"] == "hard") * (spring - 0.05)
    data = small_season.with_laps(data, data.laps["lap_s"] + more[data.laps["run"]].to_numpy())
    grip = runs["meeting"].map({f"meeting {n}": w for n, w in enumerate(("low", "low", "high"))})
    return replace(
        data, runs=runs.assign(grip=grip).astype({"grip": "str"}), factors=(BAR, SPRING),
        claims=CLAIMS, properties=(Property("stiffness", "Stiffness"),),
    )  # fmt: skip


def test_claims_on_a_property_are_judged_as_the_others() -> None:
    claims = estimate(season(), ["pace", "mistakes"], ["grip"]).claims_table().set_index("text")
    assert claims["factor"].to_list() == ["stiffness"] * 4 + ["wing"]
    stiffer = claims.loc["stiffer is faster"]
    assert stiffer["verdict"] == "supported"
    assert stiffer["ci_low"] < PER_STEP < stiffer["ci_high"]
    assert stiffer["ci_high"] - stiffer["ci_low"] < 0.15
    softer = claims.loc["softer is faster"]
    assert softer["verdict"] == "contradicted"
    assert softer["estimate"] == pytest.approx(-2 * stiffer["estimate"])
    low = claims.loc["stiffer is faster at low grip"]
    assert low["condition"] == "grip=low"
    assert low["ci_low"] < PER_STEP < low["ci_high"]
    mistakes = claims.loc["stiffer brings mistakes"]
    assert mistakes["ci_low"] < 1 < mistakes["ci_high"]
    nobody = claims.loc["nobody shares it"]
    assert nobody["verdict"] == "open" and np.isnan(nobody["estimate"])


def test_options_that_disagree_widen_the_interval() -> None:
    def width(data: SeasonData) -> float:
        row = estimate(data, ["pace"], []).claims_table().set_index("text").loc["stiffer is faster"]
        return float(row["ci_high"] - row["ci_low"])

    assert width(season(spring=-4 * PER_STEP)) > 1.8 * width(season())


def test_weights_and_disagreement_are_those_of_generalised_least_squares() -> None:
    """statsmodels' GLS through the origin: its scale is what the disagreement comes to."""
    rng = np.random.default_rng(4)
    for k in (2, 3, 6):
        root = rng.normal(size=(k, k))
        V, steps, effects = root @ root.T + np.eye(k), rng.normal(size=k), rng.normal(size=k) * 2
        weights, stretch = _weights(effects, V, steps)
        fitted = sm.GLS(effects, steps, sigma=V).fit()
        assert weights @ effects == pytest.approx(fitted.params[0])
        assert stretch == pytest.approx(np.sqrt(max(fitted.scale, 1.0)))
        wanted = fitted.bse[0] / np.sqrt(fitted.scale)
        assert np.sqrt(weights @ V @ weights) == pytest.approx(wanted)


def test_steps_of_levels_and_numbers() -> None:
    turned = replace(BAR, reference="1.2")
    assert [steps_of(turned, level) for level in ("1.3", "1.4")] == [1.0, 2.0]
    oil = Factor("oil", "Oil", "number", property="stiffness", per_step=0.5)
    assert steps_of(oil, "+50") == 0.5


def test_frames_may_have_factors_that_share_a_property() -> None:
    data = season()
    runs, laps = frames(data)
    factors = [
        own | {"property": f.property, "positions": dict(f.positions)}
        for own, f in zip(dicts(data.factors), data.factors, strict=True)
    ]
    claim = {"text": "t", "property": "stiffness", "from": 0, "to": 1, "outcome": "pace",
             "expect": "lower"}  # fmt: skip
    found = pipeline.analyse(
        runs, laps, factors, outcomes=["pace"], conditions=[], claims=[claim], by_driver=False
    )
    assert found.claims["verdict"].to_list() == ["supported"]
