import numpy as np
import pytest

from pipeline.errors import CallError
from pipeline.plan.asked import Asked, read_request
from pipeline.plan.output import change_rows, sheet_rows
from pipeline.plan.planner import chance_of, plan_day
from pipeline.plan.request import COMPONENTS_BY_SKILL
from pipeline.plan.trend import bent_covariance, typical_bend
from pipeline.runs.gathering import load_season
from pipeline.tables.safecsv import csv_bytes
from pipeline.team.folder import load_team
from tests.folders import team_folder
from tests.laps import heat, stored

CARS = ["101 Ann Arbor", "102 Bo Burg", *(f"{number} Rival {number}" for number in range(1, 7))]
LAP_SD, RUN_SD, LAPS = 0.2, 0.1, 26


def a_meeting(meeting, date, seed, racing_class=""):
    chance = np.random.default_rng(seed)
    driver = chance.normal(16, 0.3, len(CARS))
    for run in range(10):
        grip = -0.5 * (1 - np.exp(-run / 3))
        means = driver + grip + chance.normal(0, RUN_SD, len(CARS))
        laps = means[:, None] + chance.normal(0, LAP_SD, (len(CARS), LAPS))
        yield heat(
            f"Run {run + 1}",
            f"{7 + run}:00",
            {car: list(times) for car, times in zip(CARS, laps, strict=True)},
            meeting=meeting,
            date=date,
            racing_class=racing_class,
        )


def asked(folder, **more):
    defaults = {"factors": ("rear_bar",), "levels": {}, "slow": (), "drivers": 2, "runs": 8}
    return Asked(**(defaults | more), team=folder)


def test_the_scatter_comes_from_the_store(tmp_path):
    stored(
        team_folder(tmp_path),
        *a_meeting("spring", "2026-04-18", 1),
        *a_meeting("summer", "2026-07-04", 2),
    )
    components = read_request(asked(tmp_path)).components
    assert components.lap_sd_s == pytest.approx(LAP_SD, rel=0.1)
    assert components.run_sd_s == pytest.approx(RUN_SD, rel=0.25)
    assert components.clean_laps == LAPS - 1
    assert 0.005 < components.curve_s < 0.3
    assert components.source == "from 40 runs of the team in the store"
    # 40 of the 160 runs are the team's, of 2 drivers at 2 meetings, with a variance of their own
    assert components.df == 40 - 4


def test_without_a_store_it_is_assumed_and_says_so(tmp_path):
    components = read_request(asked(team_folder(tmp_path), skill="club")).components
    assert components.lap_sd_s == COMPONENTS_BY_SKILL["club"].lap_sd_s
    assert components.source == "assumed, for club drivers; the store is empty"


def test_of_several_classes_one_has_to_be_named(tmp_path):
    stored(
        team_folder(tmp_path),
        *a_meeting("spring", "2026-04-18", 1, "touring"),
        *a_meeting("summer", "2026-07-04", 2, "formula"),
    )
    with pytest.raises(CallError, match="several classes"):
        read_request(asked(tmp_path))
    components = read_request(asked(tmp_path, racing_class="touring")).components
    assert components.source == "from 20 runs of the team in the store"


def test_the_typical_bend_belongs_to_the_hours_planned():
    """A smoothing variance of one bends a longer day more; both scales describe one curve."""
    short, long = 0.75 * np.arange(6), 0.75 * np.arange(12)
    assert typical_bend(long) > 2 * typical_bend(short)
    ratio = bent_covariance(short) * typical_bend(short)
    assert np.mean(np.diag(ratio)) == pytest.approx(typical_bend(short))


@pytest.mark.parametrize("rows", [sheet_rows, change_rows])
def test_the_filled_sheet_goes_back_as_setup_log(tmp_path, rows):
    """What was planned, run as planned and typed back is what the season then reads."""
    folder = team_folder(tmp_path)
    plan = plan_day(
        read_request(asked(folder, runs=10, meeting="spring", levels={"rear_bar": ("1.3", "1.4")})),
        chance_of(1),
    )
    (folder / "setups.csv").write_bytes(csv_bytes(rows(plan)))
    stored(folder, *a_meeting("spring", "2026-04-18", 1))
    runs = load_season(load_team(folder)).runs
    for driver, name in enumerate(plan.request.drivers):
        own = runs[runs["driver"] == name].sort_values("run_no")
        planned = [plan.setting(driver, run)["rear_bar"] for run in range(10)]
        assert own["rear_bar"].to_list() == planned
