"""Columns of the models: contrasts, grip basis, random slopes, independence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import BSpline

from pipeline.models.contrasts import setup_contrasts
from pipeline.models.curves import corrected_times
from pipeline.models.design import build_design, condition_blocks, independent, team_lines
from pipeline.models.engine.inference import Estimate
from pipeline.models.fitting import fit_outcome
from pipeline.models.grip import day_basis, equal_knots, penalty_transform
from pipeline.models.identify import usable_runs
from pipeline.models.race import RaceFacts, compose
from pipeline.models.responses import lap_tables, response_of
from pipeline.tables.outcomes import PACE
from pipeline.tables.records import SeasonData
from pipeline.team.folder import Factor
from tests.models.small_season import season


def blocks(data: SeasonData) -> dict[str, int]:
    """Name -> number of columns of each penalised block."""
    design = build_design(data, usable_runs(data))
    return {block.name: block.columns.shape[1] for block in design.blocks}


def by_meeting(data: SeasonData) -> set[str]:
    """The contrasts that have deviations by meeting."""
    design = build_design(data, usable_runs(data))
    found = [block for block in design.blocks if block.name == "setup by meeting"]
    return {label[0] for block in found for label in block.labels}


def test_one_meeting_has_no_slopes_by_meeting() -> None:
    assert set(blocks(season(meetings=1))) == {"grip carpet", "heat", "setup by driver"}


def test_from_two_meetings_all_factors_share_a_variance() -> None:
    found = blocks(season(meetings=2))
    assert found["setup by meeting"] == 2 * 2 + 2
    assert found["setup by driver"] == 3 * 4


def test_heats_of_two_cars_have_no_effect_of_their_own() -> None:
    assert "heat" not in blocks(season(meetings=1, cars=2, team=2))


def test_slopes_are_about_the_means_of_a_driver_at_a_meeting() -> None:
    data = season(meetings=3)
    design = build_design(data, usable_runs(data))
    for block in design.blocks:
        if block.varies:
            sums = np.zeros((int(design.entry.max()) + 1, block.columns.shape[1]))
            np.add.at(sums, design.entry, block.columns.toarray())
            np.testing.assert_allclose(sums, 0, atol=1e-12)


def test_the_team_has_a_line_of_its_own_beside_rivals_alone() -> None:
    for cars, lines in ((12, 2), (4, 0)):
        data = season(meetings=2, cars=cars)
        design = build_design(data, usable_runs(data))
        own = [name for name in design.fixed_names if name.startswith("own trend ")]
        assert len(own) == lines


@pytest.mark.parametrize(("runs", "line"), [(4, True), (3, False)])
def test_a_line_leaves_two_degrees_of_freedom_of_a_day(runs: int, line: bool) -> None:
    team = np.arange(runs + 9) < runs
    hour = np.r_[np.arange(runs), np.arange(9) % 3].astype(float)
    entry = np.r_[np.zeros(runs, int), 1 + np.arange(9) // 3]
    assert bool(team_lines(team, np.zeros(len(team), int), hour, entry)) == line


def test_a_factor_tried_at_one_meeting_alone_has_no_slope() -> None:
    data = season(meetings=4)
    early = data.runs["meeting"] > "meeting 0"
    spring = data.runs["spring"].mask(early & data.runs["team"], "soft")
    found = by_meeting(replace(data, runs=data.runs.assign(spring=spring)))
    assert found == {"bar=1.2", "bar=1.4"}


def test_of_two_factors_always_changed_together_one_has_slopes() -> None:
    data = season(meetings=4)
    bar = data.runs["spring"].map({"soft": "1.3", "hard": "1.4"})
    found = by_meeting(replace(data, runs=data.runs.assign(bar=bar.astype("str"))))
    assert len(found) == 1


def test_one_driver_has_no_slopes_by_driver() -> None:
    assert "setup by driver" in blocks(season(meetings=4, team=2))
    assert "setup by driver" not in blocks(season(meetings=4, team=1))


def test_conditions_need_two_values_in_which_a_factor_was_tried() -> None:
    data = season(meetings=2)
    design = build_design(data, usable_runs(data))
    names = ["meeting 0", "meeting 1"]
    condition = np.array([names.index(m) for m in design.runs["meeting"]])
    both = condition_blocks(design.contrasts, "grip", condition, names, design.entry)
    assert [block.name for block in both] == ["bar by grip", "spring by grip"]
    alone = np.where(condition == 0, 0, -1)
    one = condition_blocks(design.contrasts, "grip", alone, names, design.entry)
    assert one == []


def test_a_number_is_a_slope_about_its_reference() -> None:
    data = season()
    height = Factor(name="height", label="Ride height", kind="number", reference="5.2", unit="mm")
    setting = np.where(data.runs["team"], np.resize(["5.2", "5.4", "5.0"], len(data.runs)), None)
    runs = data.runs.assign(height=setting)
    (contrast,) = setup_contrasts(runs, [height])
    team = data.runs["team"].to_numpy()
    wanted = np.array([float(s) - 5.2 for s in setting[team]])
    np.testing.assert_allclose(contrast.values[team], wanted)
    assert not contrast.values[~team].any()
    assert contrast.scale == pytest.approx(max(2 / 3 * np.ptp(wanted), contrast.step))
    assert contrast.level == f"+{contrast.step:g}"


def test_independent_keeps_the_first_of_equal_columns() -> None:
    rng = np.random.default_rng(0)
    A = rng.normal(size=(30, 3))
    X = np.column_stack([A[:, 0], 1e6 * A[:, 1], A[:, 0] + A[:, 1], A[:, 2], np.zeros(30)])
    assert independent(X).tolist() == [0, 1, 3]


def test_the_grip_basis_spans_the_p_spline() -> None:
    """Currie and Durban 2002 (from memory): 1, t and Z span the B-splines; Z penalises D b."""
    hour = np.linspace(9, 17, 40)
    basis = day_basis(hour)
    span = np.column_stack([np.ones(40), basis.line(hour), basis.curve(hour)])
    B = BSpline.design_matrix(hour, basis.knots, 3).toarray()
    assert span.shape[1] == B.shape[1]
    fitted = span @ np.linalg.lstsq(span, B, rcond=None)[0]
    np.testing.assert_allclose(fitted, B, atol=1e-8)
    k = B.shape[1]
    D = np.diff(np.eye(k), n=2, axis=0)
    np.testing.assert_allclose(D @ penalty_transform(k), np.eye(k - 2), atol=1e-8)


@pytest.mark.parametrize(("times", "line", "curve"), [(2, 0, 0), (4, 1, 0), (6, 1, 1)])
def test_few_times_get_less_than_a_curve(times: int, line: int, curve: int) -> None:
    basis = day_basis(np.linspace(9, 15, times))
    assert basis.line(np.array([10.0])).shape[1] == line
    assert (basis.q > 0) == bool(curve)


def test_outside_the_day_the_curve_stays_where_it_ended() -> None:
    basis = day_basis(np.linspace(9, 17, 20))
    np.testing.assert_allclose(basis.curve(np.array([20.0])), basis.curve(np.array([17.0])))


def test_knots_are_even_and_hold_the_day() -> None:
    knots = equal_knots(9.0, 17.0, 10)
    np.testing.assert_allclose(np.diff(knots), knots[1] - knots[0])
    assert knots[3] < 9.0 < 17.0 < knots[-4]


def test_corrected_intervals_widen_with_fewer_laps() -> None:
    data = season()
    index = usable_runs(data)
    design = build_design(data, index)
    laps = lap_tables(data, design)
    corrected = corrected_times(design, fit_outcome(design, response_of(PACE, laps)), laps)
    half = (corrected.high - corrected.low) / 2
    for driver in range(4):
        own = design.driver == driver
        assert np.corrcoef(half[own], laps.clean.n[own])[0, 1] < -0.5


def test_race_is_composed_of_its_parts() -> None:
    facts = RaceFacts(laps=20, incident_rate=0.05, incident_cost=4.0, mean_lap=10.5)
    rng = np.random.default_rng(3)
    pace = compose({"pace": Estimate(0.05, 0.001, 1e6)}, facts, rng)
    assert pace.estimate == pytest.approx(1.0, abs=0.01)
    assert pace.std_error == pytest.approx(0.02, rel=0.1)
    mistakes = compose({"mistakes": Estimate(np.log(2.0), 0.01, 1e6)}, facts, rng)
    assert mistakes.estimate == pytest.approx(20 * 0.05 * 4.0, rel=0.02)
    # Fade about the middle of the race adds nothing to it.
    fade = compose({"fade": Estimate(0.01, 0.001, 1e6)}, facts, rng)
    assert fade.estimate == pytest.approx(0.0, abs=1e-9)
