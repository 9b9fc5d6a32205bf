import pandas as pd
import pytest

from pipeline.team.folder import load_team
from pipeline.team.people import People, resolve, suggestions, unseen_numbers
from tests.folders import team_folder

DRIVERS = """\
driver,transponder,team,from,until,class
Ann Arbor,101,yes,,,
Ann Arbor,A. Arbor,yes,,,
Bo Burg,102,yes,,2026-05-31,
Di Dahl,102,no,2026-06-01,,
Eve Ek,103,yes,2026-01-01,2026-04-30,
Flo Fux,104,yes,,,touring
Flo Fux,105,yes,,,formula
Gus Gant,,yes,,,
"""


@pytest.fixture(scope="module")
def team(tmp_path_factory):
    return load_team(team_folder(tmp_path_factory.mktemp("team"), drivers=DRIVERS))


# transponder, name in the export, day, class -> driver, of the team, class, known by
CASES = [
    ("101", "", "2026-04-18", "", "Ann Arbor", True, "", "transponder"),
    ("0101", "", "2026-04-18", "", "Ann Arbor", True, "", "transponder"),
    ("101", "Arbor A", "2026-04-18", "", "Ann Arbor", True, "", "transponder"),
    ("", "ann  ARBOR", "2026-04-18", "", "Ann Arbor", True, "", "name"),
    ("", "A. Arbor", "2026-04-18", "", "Ann Arbor", True, "", "transponder"),
    ("999", "Ann Arbor", "2026-04-18", "", "Ann Arbor", True, "", "name"),
    # Lent: who drove is a matter of the day, whatever name the export still shows.
    ("102", "Bo Burg", "2026-05-31", "", "Bo Burg", True, "", "transponder"),
    ("102", "Bo Burg", "2026-06-01", "", "Di Dahl", False, "", "transponder"),
    # Listed, but for other days: known, and not of the team.
    ("103", "Eve Ek", "2026-04-30", "", "Eve Ek", True, "", "transponder"),
    ("103", "Eve Ek", "2026-05-01", "", "Eve Ek", False, "", "other_day"),
    ("", "Bo Burg", "2026-07-01", "", "Bo Burg", False, "", "other_day"),
    # Two classes, two transponders: the number says the class, or must fit the export's.
    ("104", "", "2026-04-18", "", "Flo Fux", True, "touring", "transponder"),
    ("105", "", "2026-04-18", "Formula", "Flo Fux", True, "Formula", "transponder"),
    ("105", "", "2026-04-18", "touring", "105", False, "touring", "field"),
    ("", "Gus Gant", "2026-04-18", "", "Gus Gant", True, "", "name"),
    # Not listed: one of the field, by name, else by number.
    ("7", "Cy Coe", "2026-04-18", "", "Cy Coe", False, "", "field"),
    ("8", "", "2026-04-18", "", "8", False, "", "field"),
    ("", "Ann Arber", "2026-04-18", "", "Ann Arber", False, "", "field"),
]


@pytest.mark.parametrize("case", CASES)
def test_who_drove(team, case):
    transponder, name, date, racing_class, *expected = case
    person = People(team.drivers).find(transponder, name, date, racing_class)
    assert [person.driver, person.team, person.racing_class, person.by] == expected


def test_all_rows_are_resolved_as_one_by_one(team):
    columns = ["transponder", "name_as_given", "date", "class"]
    streams = pd.DataFrame([case[:4] for case in CASES], columns=columns, index=range(5, 23))
    streams = streams.assign(driver="").replace({"transponder": {"": None}})
    found = resolve(People(team.drivers), streams)
    assert found.index.to_list() == list(range(5, 23))
    assert found.to_numpy().tolist() == [list(case[4:]) for case in CASES]


def test_a_car_known_by_its_number_only_keeps_it():
    drivers = pd.DataFrame(columns=["driver", "transponder", "team", "from", "until", "class"])
    streams = pd.DataFrame(
        [[None, None, "#12", "", ""]],
        columns=["transponder", "name_as_given", "driver", "date", "class"],
    )
    assert resolve(People(drivers), streams)["driver"].to_list() == ["#12"]


def test_the_field_is_one_driver_by_name_and_by_number(team):
    seen = [("7", "Cy Coe"), ("8", "Al"), ("8", "Bea"), ("9", "Gus Gant"), ("", "Zed"), ("6", "")]
    people = People(team.drivers, seen)
    found = [people.find(n, "", "2026-04-18", "").driver for n in ("7", "8", "9", "6")]
    # 8 stood with two names, and a driver of the team is known by drivers.csv alone.
    assert found == ["Cy Coe", "8", "9", "6"]
    assert people.find("", "CY COE", "2026-04-18", "").driver == "Cy Coe"


def streams(*rows):
    columns = ["meeting", "transponder", "name_as_given", "driver", "by"]
    return pd.DataFrame(rows, columns=columns)


def test_like_names_are_suggested_with_the_row_to_add_and_never_applied(team):
    rows = streams(
        ("spring", "7", "Anne Arbor", "Anne Arbor", "field"),
        ("spring", "8", "Burg, Bo", "Burg, Bo", "field"),
        ("spring", "9", "Cy Coe", "Cy Coe", "field"),
        ("spring", "6", None, "6", "field"),
    )
    first, second = suggestions(team, rows)
    assert first.endswith("add the row: Ann Arbor,Anne Arbor,yes")
    assert second.endswith('add the row: Bo Burg,"Burg, Bo",yes')


def test_a_number_under_another_name_and_a_day_outside_are_told(team):
    lent, outside = suggestions(
        team,
        streams(
            ("spring", "101", "Max Moritz", "Ann Arbor", "transponder"),
            ("spring", "101", "Arbor Ann", "Ann Arbor", "transponder"),
            ("summer", "103", "Eve Ek", "Eve Ek", "other_day"),
        ),
    )
    assert "transponder 101 counts as 'Ann Arbor', but spring names it 'Max Moritz'" in lent
    assert outside.startswith("'Eve Ek' at summer: no row of the drivers table holds")


def test_transponders_in_no_export_are_told_with_the_nearest_that_ran(team):
    rows = streams(
        ("spring", "0101", "Ann Arbor", "Ann Arbor", "transponder"),
        ("spring", "102", None, "Bo Burg", "transponder"),
        ("spring", "130", "Eve Ek", "Eve Ek", "name"),
        ("spring", "1055", "Max Moritz", "Max Moritz", "field"),
        ("spring", None, "A. Arbor", "Ann Arbor", "transponder"),
    )
    third, fourth, fifth = unseen_numbers(team, rows)
    assert third.startswith("transponder 103 of 'Eve Ek' in the drivers table is in no export")
    assert "Flo Fux" in fourth and "104" in fourth
    assert "transponder 105 of 'Flo Fux'" in fifth and "Is it '1055'?" in fifth


def test_without_numbers_in_the_exports_none_is_missed(team):
    rows = streams(("spring", None, "Ann Arbor", "Ann Arbor", "name"))
    assert unseen_numbers(team, rows) == []
