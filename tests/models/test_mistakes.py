"""Mistakes by meeting and by condition, beside plain Poisson regressions of the same counts."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from pipeline.models.counts import CountFit
from pipeline.models.design import build_design
from pipeline.models.effects import Effect, effects_table
from pipeline.models.identify import standings
from pipeline.models.mistakes import mistake_effects
from pipeline.models.notes import season_notes
from pipeline.models.results import components_table, fits_table
from pipeline.models.verdicts import Margins
from pipeline.tables.records import SeasonData
from tests.models.counts_worlds import BAR, OIL, World, draw

MANY = World("many", (3, 3), (4, 4), (8, 8), (8, 8), (0.6, 0.6), (0.5, 0.5))
MARGINS = Margins(0.03, 20.0)


def season(seed: int = 1, world: World = MANY, **incidents: object) -> pd.DataFrame:
    """Grip: low at the first meeting, high at the others."""
    runs = draw(world, np.random.default_rng(seed)).runs
    grip = np.where(runs["meeting"] == "meeting 0", "low", "high")
    return runs.assign(grip=grip, **incidents)


def found(
    runs: pd.DataFrame,
    conditions: tuple[str, ...] = ("all", "grip=low", "grip=high"),
    without: str = "nothing",
) -> tuple[dict[str, Effect], dict[str, CountFit]]:
    """The bar's effects by condition, and the fits; without the fixed columns of such a name."""
    design = build_design(SeasonData(runs, pd.DataFrame(), (BAR, OIL)), np.arange(len(runs)))
    asked = []
    for condition in conditions:
        value = condition.partition("=")[2]
        here = (runs["grip"] == value).to_numpy() if value else np.ones(len(runs), bool)
        asked += standings(design, (BAR, OIL), condition, here)
    kept = [i for i, name in enumerate(design.fixed_names) if without not in name]
    names = tuple(design.fixed_names[i] for i in kept)
    laps = SimpleNamespace(
        timed=runs["laps"].to_numpy(float), incidents=runs["incidents"].to_numpy(float)
    )
    design = replace(design, fixed=design.fixed[:, kept], fixed_names=names)
    effects, fits = mistake_effects(design, laps, asked)
    assert [effect.standing for effect in effects] == asked
    own = [effect for effect in effects if effect.standing.contrast.factor == "bar"]
    by_condition = {effect.standing.condition: effect for effect in own}
    return by_condition, {name: one.fit for name, one in fits.items()}


def alone(runs: pd.DataFrame, meeting: str) -> float:
    """The bar's log ratio at one meeting by statsmodels' Poisson regression of its cars, each with
    a level and, all together, a line over the day."""
    own = runs[(runs["meeting"] == meeting) & runs["team"]]
    dummies = pd.get_dummies(own[["driver", "session_kind", "oil"]], drop_first=True)
    X = np.column_stack([np.ones(len(own)), own["bar"] == "thick", own["hour"], dummies])
    fit = sm.GLM(
        own["incidents"], X.astype(float), sm.families.Poisson(), exposure=own["laps"]
    ).fit()
    return float(fit.params.iloc[1])


def test_these_meetings_are_the_mean_of_each_alone() -> None:
    runs = season()
    effects, _ = found(runs)
    these = effects["all"].these
    assert these is not None
    one_by_one = np.mean([alone(runs, f"meeting {m}") for m in range(3)])
    assert these.estimate == pytest.approx(one_by_one, abs=0.5 * these.std_error)


def test_a_condition_of_one_meeting_speaks_of_that_one() -> None:
    runs = season(2)
    low = found(runs)[0]["grip=low"]
    assert low.estimate is not None
    assert low.estimate == low.these
    assert low.estimate.estimate == pytest.approx(
        alone(runs, "meeting 0"), abs=0.75 * low.estimate.std_error
    )


def test_the_next_meeting_is_less_sure_than_these() -> None:
    """Their effects differ by 0.5 of the log, which the counts show plainly."""
    effects, fits = found(season(3))
    everything = effects["all"]
    assert everything.estimate is not None and everything.these is not None
    assert everything.estimate.std_error > 1.5 * everything.these.std_error
    assert everything.estimate.df < 8  # two factors at four meetings
    assert dict(zip(fits["all"].names, fits["all"].sigma, strict=True))["setup by meeting"] > 0.15


def test_what_one_meeting_tried_has_no_deviation() -> None:
    runs = season(4)
    runs.loc[(runs["meeting"] != "meeting 2") & runs["team"], "bar"] = "thin"
    effects, fits = found(runs)
    assert fits["all"].names == ("driver", "driver at meeting", "setup by meeting")
    assert effects["all"].estimate == effects["all"].these


def test_the_lines_of_the_day_stay_in() -> None:
    """What falls over the day for the team alone is not billed to the bar, which came late and does
    nothing: without the lines it seems to halve the mistakes."""
    flat = (0.0, 0.0)
    world = replace(MANY, meetings=(1, 1), own_fall=(2.0, 2.0), slope_sd=flat, order="semi")
    days = [season(seed, replace(world, null_share=1.0)) for seed in range(8)]
    mean = {}
    for without in ("nothing", "trend"):
        effects = [found(day, ("all",), without)[0]["all"] for day in days]
        mean[without] = np.mean([effect.estimate.estimate for effect in effects])
    assert abs(mean["nothing"]) < 0.2
    assert mean["trend"] < -0.4


def test_a_level_that_a_condition_cannot_tell_is_not_taken_for_the_reference() -> None:
    """At high grip the bar changed with the meeting alone; its many incidents are its own."""
    runs = season(5)
    high = (runs["grip"] == "high") & runs["team"]
    runs.loc[high, "bar"] = np.where(runs.loc[high, "meeting"] == "meeting 1", "thick", "thin")
    runs.loc[high & (runs["bar"] == "thick"), "incidents"] *= 5
    _, fits = found(runs)
    counted = len(fits["grip"].beta) - len(fits["all"].beta)
    assert counted >= 3  # one for the bar, two for the oil's levels at the other grip


def test_a_level_without_incident_has_a_finite_ratio_and_says_so() -> None:
    runs = season(6, replace(MANY, rate=(0.02, 0.02)))
    thick = (runs["bar"] == "thick").to_numpy()
    runs["incidents"] = np.where(thick, 0, runs["incidents"])
    effects, _ = found(runs)
    table = effects_table(list(effects.values()), MARGINS)
    assert np.isfinite(table[["estimate", "ci_low", "ci_high"]].to_numpy(float)).all()
    assert (table["estimate"] < 1).all()
    assert (table["ci_low"] > 0).all()
    assert table["remark"].str.startswith("no incident in").all()
    assert f"{thick.sum()} runs with it" in table["remark"].iloc[0]


def test_a_reference_without_incident_says_so() -> None:
    runs = season(7, replace(MANY, rate=(0.02, 0.02)))
    runs["incidents"] = np.where(runs["bar"] == "thin", 0, runs["incidents"])
    effects, _ = found(runs, ("all",))
    assert "runs with thin" in effects["all"].remark
    assert effects["all"].estimate is not None
    assert effects["all"].estimate.estimate > 0


def test_where_there_are_incidents_nothing_is_remarked() -> None:
    assert {effect.remark for effect in found(season(8))[0].values()} == {""}


def test_nothing_ever_happened() -> None:
    effects, fits = found(season(9, incidents=0))
    assert fits == {}
    assert all(effect.estimate is None and effect.these is None for effect in effects.values())


def test_a_fit_that_did_not_converge_is_said_for_every_condition() -> None:
    runs = season(10)
    _, fits = found(runs)
    table = fits_table({}, {"mistakes": fits})
    assert list(table["condition"]) == ["all", "grip"]
    assert table["converged"].all()
    assert (table["penalised"] == 9).all()  # a level of the bar and two of the oil, three meetings
    broken = {**fits, "grip": replace(fits["grip"], converged=False, message="it did not settle")}
    assert list(fits_table({}, {"mistakes": broken})["converged"]) == [True, False]
    data = SeasonData(runs.assign(hour_known=True), pd.DataFrame(), (BAR, OIL))
    design = build_design(data, np.arange(len(runs)))
    said = season_notes(design, {}, {"mistakes": broken}, SimpleNamespace(incidents=np.ones(1)))
    assert said == ("The mistakes model: it did not settle. Read it with care.",)


def test_components_are_named() -> None:
    _, fits = found(season(11), ("all",))
    names = list(components_table({}, {"mistakes": fits})["component"])
    assert names == ["driver", "driver at meeting", "setup by meeting", "between runs"]
