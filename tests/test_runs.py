import numpy as np
import pandas as pd
import pytest

from pipeline.errors import CallError, UserError
from pipeline.runs.gathering import gather, load_season, run_table, stream_season
from pipeline.team.folder import load_team
from tests.folders import DRIVERS, team_folder
from tests.laps import heat, stored

LAPS = [18.0, 16.0, 16.2, 16.1, 40.0]
CARS = {"101 Ann Arbor": LAPS, "102 Bo Burg": LAPS, "7 Cy Coe": [19.0, 17.0, 17.1]}


def season(folder, *heats, **files):
    team_folder(folder, **files)
    stored(folder, *heats)
    return gather(load_team(folder))


def data_of(folder, *heats, **files):
    return season(folder, *heats, **files).of_class(None).data


def test_a_run_is_one_drivers_laps_in_one_heat(tmp_path):
    data = data_of(tmp_path, heat("Q1", "08:00", CARS), heat("Q2", "09:30", CARS))
    runs = data.runs
    assert len(runs) == 6
    ann = runs[runs["driver"] == "Ann Arbor"]
    assert ann["run_no"].to_list() == [1, 2]
    # 08:00 UTC is 10:00 in Berlin only by the zone of the import, which was UTC here.
    assert ann["start"].to_list() == ["2026-04-18T08:00:00", "2026-04-18T09:30:00"]
    assert ann["hour"].to_list() == pytest.approx([8 + 53.15 / 3600, 9.5 + 53.15 / 3600])
    assert ann["hour_known"].all()
    assert ann["team"].all()
    assert not runs.loc[runs["driver"] == "Cy Coe", "team"].any()
    assert set(runs["surface"]) == {"carpet"}
    assert set(runs["grip"]) == {"high"}
    assert runs["excluded"].isna().all()
    assert len(data.laps) == 2 * 13
    assert data.laps.groupby("run").size().to_list() == [5, 5, 3, 5, 5, 3]
    assert (data.race_seconds, data.worthwhile_s) == (300, 0.03)


def test_numbers_of_a_run():
    laps = pd.DataFrame(
        {
            "run": [0] * 6 + [2] * 2 + [3] * 3,
            "lap": [1, 2, 3, 4, 5, 6, 1, 2, 1, 2, 3],
            "lap_s": [18.0, 16.0, 16.3, 16.2, 21.0, 32.4, 16.0, 16.5, 16.0, 1.2, 15.0],
            "status": [
                *["first", "clean", "clean", "clean", "incident", "missed"],
                *["clean", "clean", "clean", "double", "other"],
            ],
        }
    )
    runs = pd.DataFrame({"total_s": [120.0, np.nan, 32.5, np.nan]}, index=[7, 8, 9, 10])
    table = run_table(runs, laps)
    slope, _ = np.polyfit([2, 3, 4], [16.0, 16.3, 16.2], 1)
    rest = np.polyfit([2, 3, 4], [16.0, 16.3, 16.2], 1, full=True)[1][0]
    first = table.loc[7]
    assert first["laps"] == 5
    assert first["clean_laps"] == 3
    assert first["mean_s"] == pytest.approx(16.5 - 1 / 3)
    assert first["fade"] == pytest.approx(slope)
    assert first["spread_s"] == pytest.approx(np.sqrt(rest / 1))
    assert first["mistakes"] == 1
    assert first["total_s"] == 120.0
    assert first["best_s"] == 16.0
    nothing = table.loc[8]
    assert nothing[["laps", "clean_laps", "mistakes"]].to_list() == [0, 0, 0]
    assert nothing[["mean_s", "spread_s", "fade", "best_s"]].isna().all()
    assert table.loc[9, "fade"] == pytest.approx(0.5)
    assert np.isnan(table.loc[9, "spread_s"])
    assert table.loc[10, "laps"] == 2
    assert table.loc[10, "total_s"] == pytest.approx(32.2)


def test_statistics_equal_those_of_each_run_by_itself():
    rng = np.random.default_rng(3)
    run = rng.integers(0, 40, 900)
    laps = pd.DataFrame({"run": run, "lap_s": rng.normal(16, 0.3, 900), "status": "clean"})
    laps["lap"] = laps.groupby("run").cumcount() + 1
    table = run_table(pd.DataFrame(index=range(40)), laps)
    for number, rows in laps.groupby("run"):
        (slope, _), (rest,), *_ = np.polyfit(rows["lap"], rows["lap_s"], 1, full=True)
        assert table.loc[number, "fade"] == pytest.approx(slope)
        assert table.loc[number, "spread_s"] == pytest.approx(np.sqrt(rest / (len(rows) - 2)))


def test_sessions_csv_counts_after_the_import_too(tmp_path):
    sessions = (
        "meeting,session,kind,date,start,class,exclude\n"
        "spring,q1,final,2026-04-19,,touring,rain\nspring,Q2,,,13:45,,\n"
    )
    heats = heat("Q1", "08:00", CARS), heat("Q2", None, CARS, racing_class="Touring")
    runs = data_of(tmp_path, *heats, sessions=sessions).runs
    # The session has the name that sessions.csv gives it.
    q1, q2 = runs[runs["session"] == "q1"].iloc[0], runs[runs["session"] == "Q2"].iloc[0]
    assert (q1["session_kind"], q1["date"], q1["excluded"]) == ("final", "2026-04-19", "rain")
    assert q1["start"] == "2026-04-19T08:00:00"
    assert q1["class"] == q2["class"]
    assert (q2["start"], q2["hour_known"]) == ("2026-04-18T13:45:00", True)
    assert (q2["run_no"], q1["run_no"]) == (1, 2)


def test_drivers_csv_counts_after_the_import_too(tmp_path):
    before = data_of(tmp_path, heat("Q1", "08:00", CARS)).runs
    assert before["team"].sum() == 2
    (tmp_path / "drivers.csv").write_text(DRIVERS.replace("Bo Burg,102,yes", "Bo B,102,no"))
    after = gather(load_team(tmp_path)).runs
    assert after.loc[after["team"], "driver"].to_list() == ["Ann Arbor"]
    assert "Bo B" in set(after["driver"])


def test_without_any_time_the_order_of_sessions_stands_for_it(tmp_path):
    names = [("Final", "final"), ("Q10", "qualifying"), ("Q9", "qualifying"), ("P1", "practice")]
    heats = [heat(name, None, CARS, kind=kind) for name, kind in names]
    found = season(tmp_path, *heats)
    ann = found.runs[found.runs["driver"] == "Ann Arbor"].sort_values("run_no")
    assert ann["session"].to_list() == ["P1", "Q9", "Q10", "Final"]
    assert ann["hour"].to_list() == [0.0, 0.5, 1.0, 1.5]
    assert not ann["hour_known"].any()
    assert ann["start"].isna().all()
    (note,) = found.notes
    assert "the order of the sessions stands for it" in note


def test_sessions_of_one_file_keep_its_order_and_sessions_csv_overrules(tmp_path):
    heats = [heat(name, None, CARS, order=n) for n, name in enumerate(["Zulu", "Alpha"])]
    part = [heats[0].laps, heats[1].laps.assign(source=heats[0].records[0].source)]
    sessions = [heats[0].sessions, heats[1].sessions.assign(source=heats[0].records[0].source)]
    both = type(heats[0])(
        heats[0].records, pd.concat(part), heats[0].set_aside, pd.concat(sessions)
    )
    runs = data_of(tmp_path / "a", both).runs
    assert runs.groupby("session")["hour"].first().to_dict() == {"Zulu": 0.0, "Alpha": 0.5}
    listed = "meeting,session\nspring,Alpha\nspring,Zulu\n"
    runs = data_of(tmp_path / "b", both, sessions=listed).runs
    assert runs.groupby("session")["hour"].first().to_dict() == {"Zulu": 0.5, "Alpha": 0.0}


def test_a_session_without_a_time_stands_between_its_neighbours(tmp_path):
    heats = heat("Q1", "08:00", CARS), heat("Q2", None, CARS), heat("Q3", "10:00", CARS)
    runs = data_of(tmp_path, *heats).runs
    q2 = runs[runs["session"] == "Q2"].iloc[0]
    assert q2["hour"] == pytest.approx(9.0)
    assert not q2["hour_known"]
    assert q2["run_no"] == 2


def test_two_transponders_in_a_car_are_one_run(tmp_path):
    drivers = DRIVERS + "Ann Arbor,111,yes,,\n"
    cars = {**CARS, "111 Ann Arbor": LAPS[:4]}
    found = season(tmp_path, heat("Q1", "08:00", cars), drivers=drivers)
    ann = found.runs[found.runs["driver"] == "Ann Arbor"]
    assert len(ann) == 1
    assert (found.laps["run"] == ann.index[0]).sum() == 5
    (note,) = found.notes
    assert "kept 5 laps of exports/spring/Q1.csv, transponder 101" in note
    assert "left out 4 laps of exports/spring/Q1.csv, transponder 111" in note


def test_a_transponder_changed_within_the_heat_is_one_run_too(tmp_path):
    drivers = DRIVERS + "Ann Arbor,111,yes,,\n"
    first = heat("Q1", "08:00", {"101": [18.0, 16.0, 16.1]}, source="a.csv")
    second = heat("Q1", "08:01", {"111": [18.0, 16.2]}, source="b.csv")
    found = season(tmp_path, first, second, drivers=drivers)
    assert len(found.runs) == 1
    assert found.laps["lap"].to_list() == [1, 2, 3, 4, 5]
    assert found.laps["lap_s"].to_list() == [18.0, 16.0, 16.1, 18.0, 16.2]
    assert found.runs["total_s"].to_list() == pytest.approx([94.2])
    assert found.notes == ()


def test_a_file_in_two_parts_is_the_file(tmp_path):
    whole = data_of(tmp_path / "a", heat("Q1", "08:00", CARS))
    parts = [heat("Q1", "08:00", {car: times}, source=f"{n}.csv")
             for n, (car, times) in enumerate(CARS.items())]  # fmt: skip
    split = data_of(tmp_path / "b", *parts)
    pd.testing.assert_frame_equal(whole.runs, split.runs)
    pd.testing.assert_frame_equal(whole.laps, split.laps)


def test_two_exports_of_one_heat_are_one_run(tmp_path):
    short = {car: times[:2] for car, times in CARS.items()}
    heats = heat("Q1", None, CARS, source="a.csv"), heat("Q1", None, short, source="b.csv")
    found = season(tmp_path, *heats)
    assert len(found.laps) == 13
    assert len([note for note in found.notes if "the same run twice" in note]) == 3


def test_two_files_of_one_title_hours_apart_are_two_runs(tmp_path):
    late = {car: [lap + 0.3 for lap in laps] for car, laps in CARS.items()}
    early, later = (
        heat("Practice", start, cars, source=source)
        for start, cars, source in (("08:00", CARS, "b.csv"), ("12:30", late, "a.csv"))
    )
    found = season(tmp_path, early, later)
    assert len(found.laps) == 26
    ann = found.runs[found.runs["driver"] == "Ann Arbor"]
    assert ann["start"].to_list() == ["2026-04-18T08:00:00", "2026-04-18T12:30:00"]
    assert (ann["run_no"].to_list(), ann["heat"].to_list()) == ([1, 2], ["", "stay 2"])
    assert (found.runs["total_s"] < 120).all()
    (note,) = found.notes
    assert "a.csv" in note
    assert "b.csv" in note
    assert "--session" in note


def test_two_files_of_one_title_without_times_and_with_other_laps_are_two_runs(tmp_path):
    other = {"101 Ann Arbor": [17.9, 16.4, 16.6, 16.7], "8 Di": [18.0, 16.9]}
    heats = heat("Q", None, CARS, source="q1.csv"), heat("Q", None, other, source="q2.csv")
    found = season(tmp_path, *heats)
    assert len(found.laps) == 19
    assert found.runs.groupby("driver").size().to_dict() == {
        "Ann Arbor": 2, "Bo Burg": 1, "Cy Coe": 1, "Di": 1,
    }  # fmt: skip
    assert len([note for note in found.notes if "q1.csv, q2.csv tell of other runs" in note]) == 1


def test_a_file_a_driver_is_one_heat(tmp_path):
    parts = [heat("Q", None, {car: times}, source=f"{car}.csv") for car, times in CARS.items()]
    found = season(tmp_path, *parts)
    assert set(found.runs["heat"]) == {""}
    assert not [note for note in found.notes if "tell of other runs" in note]


def test_classes_are_never_mixed(tmp_path):
    heats = (
        heat("Q1", "08:00", CARS, racing_class="Touring"),
        heat("Q2", "09:00", CARS, racing_class="touring"),
        heat("Q1", "10:00", {"102 Bo Burg": LAPS, "9 Zed": LAPS}, racing_class="Formula"),
    )
    team_folder(tmp_path)
    stored(tmp_path, *heats)
    team = load_team(tmp_path)
    with pytest.raises(
        CallError, match=r"Touring: 6 runs, Formula: 2 runs\), .* none of them\. Name one"
    ):
        load_season(team)
    with pytest.raises(CallError, match="Did you mean 'Formula'"):
        load_season(team, "formla")
    touring, formula = load_season(team, "TOURING"), load_season(team, "formula")
    assert (len(touring.runs), len(formula.runs)) == (6, 2)
    assert formula.runs["driver"].to_list() == ["Bo Burg", "Zed"]
    assert formula.runs["run_no"].to_list() == [1, 1]
    assert sorted(formula.laps["run"].unique()) == [0, 1]
    assert touring.runs.loc[touring.runs["driver"] == "Bo Burg", "run_no"].to_list() == [1, 2]


def test_exports_without_a_class_belong_to_the_only_one_where_that_is_safe(tmp_path):
    named = heat("Q1", "08:00", CARS, racing_class="Touring")
    other_day = heat("Q1", "08:00", CARS, meeting="summer", date="2026-07-04")
    assert set(data_of(tmp_path / "a", named, other_day).runs["class"]) == {"Touring"}
    strangers = {"7 X": LAPS, "8 Y": LAPS, "9 Z": LAPS}
    others = heat("Q1", "08:00", strangers, meeting="summer", date="2026-07-04")
    for name, second in {"b": others, "c": heat("Q2", "09:00", CARS)}.items():
        with pytest.raises(CallError, match=r"\(none named\)"):
            data_of(tmp_path / name, named, second)


def test_a_meeting_of_two_days_counts_runs_through(tmp_path):
    heats = heat("Q1", "15:00", CARS), heat("Final", "08:00", CARS, date="2026-04-19")
    runs = data_of(tmp_path, *heats).runs
    ann = runs[runs["driver"] == "Ann Arbor"]
    assert ann["date"].to_list() == ["2026-04-18", "2026-04-19"]
    assert ann["run_no"].to_list() == [1, 2]


def test_past_midnight_the_hour_goes_on(tmp_path):
    runs = data_of(tmp_path, heat("Q1", "23:59:40", CARS)).runs
    assert runs["hour"].iloc[0] == pytest.approx(24 + (53.15 - 20) / 3600)
    assert runs["date"].iloc[0] == "2026-04-18"


def test_meetings_can_be_streamed_one_by_one(tmp_path):
    heats = (
        heat("Q1", "08:00", CARS),
        heat("Q1", "08:00", CARS, meeting="summer", date="2026-07-04"),
    )
    whole = data_of(tmp_path, *heats)
    parts = list(stream_season(load_team(tmp_path)))
    columns = parts[0].runs.columns
    together = pd.concat([part.runs for part in parts], ignore_index=True)
    pd.testing.assert_frame_equal(together, whole.runs[columns])
    assert sum(len(part.laps) for part in parts) == len(whole.laps)


def test_nothing_to_analyse_is_said_plainly(tmp_path):
    team = load_team(team_folder(tmp_path))
    with pytest.raises(UserError, match="the store is empty"):
        load_season(team)
    stored(tmp_path, heat("Q1", "08:00", {"7 Cy": LAPS}))
    with pytest.raises(UserError, match="no run of a driver of the team"):
        load_season(team)


def test_a_wrong_setup_log_stops_the_season_with_all_faults(tmp_path):
    setups = (
        "meeting,driver,run,factor,value\nspring,Ann Arbor,1,rear_bar,1.7\n"
        "spring,Ann Abor,1,rear_bar,1.3\nspring,Ann Arbor,9,rear_bar,1.3\n"
    )
    team_folder(tmp_path, setups=setups)
    stored(tmp_path, heat("Q1", "08:00", CARS))
    with pytest.raises(UserError, match="the setup log has 3 faults") as caught:
        load_season(load_team(tmp_path))
    assert [problem.line for problem in caught.value.problems] == [2, 3, 4]
