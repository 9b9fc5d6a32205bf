"""A planned day from the plan to the run sheet's answers, by the commands."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import pytest

from tests.commands import run
from tests.plan.planned_days import drive, planned, read, settings, sheet


def bar(effect: float):
    """A thicker bar costs `effect` s a lap; grip gains 0.03 s a run; Bo is slower."""

    def pace(driver: str, number: int, setting: Mapping[str, str]) -> float:
        slower = 0.3 * (driver == "Bo Burg")
        return 16 + slower - 0.03 * number + effect * (setting["rear_bar"] == "1.4")

    return pace


BROKEN = {
    "order": [[0, 99] * 4, [0, 1] * 4],
    "best": [[0, 1]],
    "ends": [8, 9],
    "done": [[], [5]],
    "hours": [["x"] * 8] * 2,
    "at_most": [0.1, 0.1],
    "seed": None,
    "tolerance": [],
}


def words(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A day that went as planned, with an effect of 0.1 s."""
    folder = tmp_path_factory.mktemp("whole")
    drive(folder, settings(planned(folder, 8)), bar(0.1))
    return folder


def test_the_file_holds_what_json_prints_and_more(tmp_path: Path) -> None:
    plan = planned(
        tmp_path, 6, "--first", "9:40", "--minutes", 30, "--hold", "ride_height=5.2", "--seed", 7
    )
    printed = run(
        "--team", tmp_path, "plan", "--factor", "rear_bar", "--levels", "rear_bar=1.3,1.4",
        "--drivers", 2, "--runs", 6, "--seed", 7, "--minutes", 30, "--meeting", "spring", "--json",
        "--first", "9:40",
    )  # fmt: skip
    same = json.loads(printed.out)
    assert [{k: v for k, v in one.items() if k != "start"} for one in plan["runs"]] == same["runs"]
    assert plan["contrasts"] == same["contrasts"]
    assert (plan["meeting"], plan["seed"]) == ("spring", 7)
    assert plan["held"] == {"ride_height": "5.2"}
    assert [one["start"] for one in plan["runs"][:3]] == ["09:40", "10:10", "10:40"]
    log = (tmp_path / "day" / "plan-changes.csv").read_text()
    assert "spring,Ann Arbor,1,ride_height,5.2" in log


def test_without_a_number_the_same_call_gives_the_same_day(tmp_path: Path) -> None:
    assert planned(tmp_path / "a", 6) == planned(tmp_path / "b", 6)


def test_the_run_sheet_answers_the_plan(whole: Path) -> None:
    said = sheet(whole)
    assert said.status == 0, said.err
    text = words(said.out)
    assert "What the plan asked (16 of 16 planned runs driven)" in text
    assert "Settled: 0.1" in text and "s a lap slower" in text
    assert "orders that could have been drawn show as much: p = 0.0" in text
    assert "The plan of the day is day/plan.json" in said.err
    assert "not as planned" not in said.err
    page = (whole / "reports/meetings/spring.html").read_text("utf-8")
    assert "What the plan asked" in page


def test_the_plan_may_be_named_and_must_be_one(whole: Path, tmp_path: Path) -> None:
    said = sheet(whole, "--plan", whole / "day/plan.json")
    assert said.status == 0 and "What the plan asked" in said.out
    assert "The plan of the day" not in said.err
    other = tmp_path / "plan.json"
    other.write_text((whole / "day/plan.json").read_text().replace('"spring"', '"summer"'))
    said = sheet(whole, "--plan", other)
    assert said.status == 1 and "a plan for 'summer'" in said.err
    assert sheet(whole, "--plan", tmp_path / "none.json").status == 2


def test_a_file_that_was_changed_gives_no_p_value(whole: Path, tmp_path: Path) -> None:
    plan = read(whole)
    plan["drawn"][0]["order"] = [[0, 1] * 4, [0, 1] * 4]
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(plan))
    text = words(sheet(whole, "--plan", path).out)
    assert "no p value from the draws: the order in the plan's file is not one" in text.lower()
    for part, broken in BROKEN.items():
        path.write_text(json.dumps(plan | {"drawn": [plan["drawn"][0] | {part: broken}]}))
        said = sheet(whole, "--plan", path)
        assert said.status == 1 and "nothing that can be drawn again" in said.err, part


def test_no_difference_is_not_called_one(tmp_path: Path) -> None:
    drive(tmp_path, settings(planned(tmp_path, 8)), bar(0.0), rivals=3)
    text = words(sheet(tmp_path).out)
    assert "What the plan asked" in text
    assert "Settled: 0." not in text


def test_runs_that_departed_are_said_and_used_all_the_same(tmp_path: Path) -> None:
    fitted = settings(planned(tmp_path, 8))
    other = {"1.3": "1.4", "1.4": "1.3"}
    for run_number in (5, 6):
        was = fitted["Bo Burg", run_number]["rear_bar"]
        fitted["Bo Burg", run_number] = {"rear_bar": other[was]}
    fitted["Ann Arbor", 9] = {"rear_bar": "1.4"}
    drive(tmp_path, fitted, bar(0.1))
    said = sheet(tmp_path)
    err, out = words(said.err), words(said.out)
    assert "Bo Burg, run 5: not as planned (Rear anti-roll bar" in err
    assert "Ann Arbor, run 9: not in the plan" in err
    assert "used as on other days" in err
    assert "of 999 orders drawn anew show as much: p = 0.0" in out


def test_who_drops_out_is_planned_around_and_the_sheet_still_answers(tmp_path: Path) -> None:
    plan = planned(tmp_path, 8)
    morning = {key: one for key, one in settings(plan).items() if key[1] <= 4}
    drive(tmp_path, morning, bar(0.1))
    said = run(
        "--team", tmp_path, "plan", "--resume", tmp_path / "day/plan.json",
        "--without", "Bo Burg", "--first", "13:00", "--out", tmp_path / "day",
    )  # fmt: skip
    assert said.status == 0, said.err
    text = words(said.out)
    assert "Bo Burg runs no more; the 4 runs driven count." in text
    assert "going on as planned" in text and "The next runs start at 13:00." in text
    new = read(tmp_path)
    assert len(new["drawn"]) == 2 and new["drawn"][0] == plan["drawn"][0]
    fitted = settings(new)
    assert {key: fitted[key] for key in morning} == morning
    assert [run for driver, run in fitted if driver == "Bo Burg"] == [1, 2, 3, 4]
    drive(tmp_path, fitted, bar(0.1))
    out = words(sheet(tmp_path).out)
    assert "(12 of 12 planned runs driven)" in out
    assert "of 999 orders drawn anew show as much: p = 0.0" in out


def test_runs_of_a_logbook_count_before_their_laps_come(tmp_path: Path) -> None:
    fitted = settings(planned(tmp_path, 8))
    drive(tmp_path, {key: one for key, one in fitted.items() if key[1] <= 2}, bar(0.1))
    rows = [
        f"spring,Ann Arbor,{n},{8 + n * 45 // 60:02d}:{n * 45 % 60:02d},"
        f"{fitted['Ann Arbor', n]['rear_bar']}"
        for n in (1, 2, 3)
    ]
    book = tmp_path / "logbooks" / "spring" / "Ann-Arbor.csv"
    book.parent.mkdir(parents=True)
    book.write_text("\n".join(["meeting,driver,run,start,rear_bar", *rows]) + "\n")
    said = run("--team", tmp_path, "plan", "--resume", tmp_path / "day/plan.json")
    assert said.status == 0, said.err
    assert "Bo Burg has 2 runs where others have 3" in words(said.out)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--factor", "rear_bar"], "--factor"),
        (["--minutes", "20"], "it is in the file"),
        (["--without", "Cy"], "one of Ann Arbor, Bo Burg"),
    ],
)
def test_with_a_file_nothing_else_is_asked(whole: Path, arguments: list[str], said: str) -> None:
    found = run("--team", whole, "plan", "--resume", whole / "day/plan.json", *arguments)
    assert found.status == 2 and said in found.err


def test_a_day_that_is_over_has_nothing_left_to_plan(whole: Path) -> None:
    found = run("--team", whole, "plan", "--resume", whole / "day/plan.json")
    assert found.status == 2 and "nothing left to plan" in found.err
    assert (
        run("--team", whole, "plan", "--without", "Bo Burg", "--drivers", 2, "--runs", 6).status
        == 2
    )


def test_what_is_held_must_be_something_else_of_the_team(tmp_path: Path) -> None:
    planned(tmp_path, 6)
    call = ["--team", tmp_path, "plan", "--factor", "rear_bar", "--drivers", 2, "--runs", 6]
    for held, said in [
        ("rear_bar=1.3", "not tried on this day"),
        ("oil=thin", "a factor of team.toml"),
        ("ride_height=low", "--hold ride_height"),
        ("ride_height", "NAME=LEVEL"),
    ]:
        found = run(*call, "--hold", held)
        assert found.status == 2 and said in found.err
