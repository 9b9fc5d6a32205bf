"""Dates of the team's tables: ISO, with dots as spreadsheets write them, never guessed."""

import pytest

from pipeline.errors import UserError
from pipeline.team.folder import load_team
from pipeline.team.tables import iso_date_or_empty
from tests.folders import MEETINGS, team_folder

READ = {
    "2026-03-28": "2026-03-28",
    "28.03.2026": "2026-03-28",
    "28.3.2026": "2026-03-28",
    "3.4.2026": "2026-04-03",
    "28/03/2026": "2026-03-28",
    "03/28/2026": "2026-03-28",
    "4/4/2026": "2026-04-04",
    "2026/03/04": "2026-03-04",
    "": "",
    "29.02.2028": "2028-02-29",
}
REFUSED = [
    "03/04/2026",
    "31.02.2026",
    "29.02.2026",
    "13/13/2026",
    "28-03-2026",
    "28.03.26",
    "soon",
    "2026-3",
    "20260328",
    "2026-W13-6",
    "0.0.2026",
    "28.03.2026 10:00",
    "2026-03-28T00:00",
]


@pytest.mark.parametrize("text", READ)
def test_read(text):
    assert iso_date_or_empty(text) == READ[text]


@pytest.mark.parametrize("text", REFUSED)
def test_refused(text):
    assert iso_date_or_empty(text) is None


def load(folder, date, **files):
    meetings = MEETINGS.replace("2026-04-18", date)
    return load_team(team_folder(folder, meetings=meetings, **files))


def test_dots_in_every_table(tmp_path):
    team = load(
        tmp_path,
        "18.04.2026",
        drivers="driver,transponder,team,from,until\nAnn Arbor,101,yes,01.02.2026,31.12.2026\n",
        sessions="meeting,session,date\nspring,Q2,19.04.2026\n",
    )
    assert team.meeting("spring").date == "2026-04-18"
    assert team.drivers[["from", "until"]].to_numpy().tolist() == [["2026-02-01", "2026-12-31"]]
    assert team.sessions["date"].to_list() == ["2026-04-19"]


def test_two_readings_are_named(tmp_path):
    with pytest.raises(UserError) as caught:
        load(tmp_path, "03/04/2026")
    assert "It may be 2026-04-03 or 2026-03-04" in str(caught.value)


@pytest.mark.parametrize("date", ["0001-01-01", "0026-04-18", "9999-12-31", "18.04.0026"])
def test_years_of_other_times_are_refused(tmp_path, date):
    with pytest.raises(UserError, match="1970"):
        load(tmp_path, date)
    sessions = f"meeting,session,date\nspring,Q2,{date}\n"
    with pytest.raises(UserError, match="1970"):
        load(tmp_path, "2026-04-18", sessions=sessions)


def test_a_period_may_end_with_the_calendar(tmp_path):
    drivers = "driver,transponder,team,from,until\nAnn,101,yes,,9999-12-31\n"
    assert len(load(tmp_path, "2026-04-18", drivers=drivers).drivers) == 1
