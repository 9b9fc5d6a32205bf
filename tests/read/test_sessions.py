"""Which session and which run a row belongs to."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import CallError
from pipeline.read import Export, ReadOptions, SessionFacts, read_export
from pipeline.read.words import kind_of
from tests.read.heat import hours

KINDS = {
    "practice": "Practice 1; Free practice; P2; FP1; Freies Training; Essais libres 2; "
    "Entrenamiento 1; Prove libere; Vrije training; 練習走行1; フリー走行; practice_3; warm-up",
    "qualifying": "Qualifying 2; Q3; quali; Vorlauf 1; Zeittraining; Qualifs; Clasificación 2; "
    "Qualifiche; Kwalificatie; 公式予選2; Heat 4; Round 2; Manche 3; r2_h3",
    "final": "Final A; A-Main; Race 1; Rennen; Endlauf B; Finale; Course 2; Carrera 1; Gara; "
    "決勝; Wedstrijd 1; semi final",
    "test": "Test 1; Testtag; Pruebas; テスト走行; testing",
    None: "x; 2026; Saturday; morning",
}


@pytest.mark.parametrize("kind", KINDS)
def test_kind_of_a_session_from_its_name(kind: str | None) -> None:
    for name in KINDS[kind].split("; "):
        assert kind_of(name) == kind, name


def write(folder: Path, name: str, lines: list[str]) -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


def read(path: Path, **options: object) -> Export:
    settings = {"date": "2026-03-28", "timezone": "Europe/Berlin", **options}
    return read_export(path, ReadOptions(meeting="Spring Cup", **settings))


def day(starts: list[float], cars: int = 3, laps: int = 5) -> list[tuple[float, str]]:
    """Passings of a day: a stay of each car at each start."""
    crossed = [
        (start + car + 16.0 * k, f"100000{car}")
        for start in starts for car in range(cars) for k in range(laps + 1)
    ]  # fmt: skip
    return sorted(crossed)


def passing_lines(crossed: list[tuple[float, str]]) -> list[str]:
    return ["Time of day\tTransponder", *(f"{hours()(at)}\t{tag}" for at, tag in crossed)]


def test_a_file_of_a_day_is_cut_into_sessions(tmp_path: Path) -> None:
    export = read(write(tmp_path, "practice.txt", passing_lines(day([36_000, 38_000, 41_000]))))
    assert export.sessions["session"].tolist() == ["practice 1", "practice 2", "practice 3"]
    runs = export.laps.groupby(["session", "driver"]).size()
    assert runs.tolist() == [5] * 9
    assert export.rows_in == export.rows_kept == 54


def test_heats_in_which_nobody_runs_twice_stay_one_session(tmp_path: Path) -> None:
    early, late = day([36_000]), [(at, "2" + tag[1:]) for at, tag in day([37_000])]
    export = read(write(tmp_path, "q1.txt", passing_lines(sorted(early + late))))
    assert export.sessions["session"].tolist() == ["q1"]
    assert export.laps.groupby("driver").size().tolist() == [5] * 6


def test_a_short_stop_does_not_end_a_run(tmp_path: Path) -> None:
    crossed = [
        (at + (60 if at > 36_045 and tag == "1000001" else 0), tag) for at, tag in day([36_000])
    ]
    export = read(write(tmp_path, "q1.txt", passing_lines(sorted(crossed))))
    own = export.laps[export.laps["driver"] == "1000001"]
    assert own["lap_s"].tolist() == [16, 16, 76, 16, 16]
    assert own["status"].tolist()[2] == "other"
    assert set(export.laps["session"]) == {"q1"}


def test_a_long_absence_in_an_open_session_opens_another_run(tmp_path: Path) -> None:
    alone = [(36_000 + 16.0 * k, "1000009") for k in range(80)]
    others = [(36_010 + 16.0 * k, "1000001") for k in range(6)]
    others += [(36_700 + 16.0 * k, "1000001") for k in range(6)]
    lines = passing_lines(sorted(alone + others))
    export = read(write(tmp_path, "open practice.txt", lines))
    own = export.laps[export.laps["driver"] == "1000001"]
    assert own["heat"].tolist() == [""] * 5 + ["stay 2"] * 5
    assert own["lap"].tolist() == [1, 2, 3, 4, 5] * 2


def test_laps_that_start_again_without_a_clock_are_runs(tmp_path: Path) -> None:
    lines = ["Driver,Lap,Lap time"]
    lines += [
        f"Ada,{lap},{16 + run / 10 + lap / 100:.3f}" for run in range(3) for lap in range(1, 6)
    ]
    export = read(write(tmp_path, "practice.csv", lines))
    assert export.laps.groupby("session")["lap"].apply(list).tolist() == [[1, 2, 3, 4, 5]] * 3


def test_names_come_from_column_option_title_file(tmp_path: Path) -> None:
    rows = [f"Ada,{lap},16.{lap}00" for lap in range(1, 5)]
    titled = write(tmp_path, "file 1.csv", ["Spring Cup", "Heat 2", "Driver,Lap,Lap time", *rows])
    assert set(read(titled).laps["session"]) == {"Heat 2"}
    assert set(read(titled, session="Q9").laps["session"]) == {"Q9"}
    plain = write(tmp_path, "round_1.csv", ["Spring Cup", "Driver,Lap,Lap time", *rows])
    assert set(read(plain).laps["session"]) == {"round_1"}
    column = ["Heat 2", "Driver,Lap,Lap time,Session", *(f"{row},P1" for row in rows)]
    named = write(tmp_path, "file 2.csv", column)
    assert set(read(named, session="Q9").laps["session"]) == {"P1"}


def test_sessions_csv_gives_kind_start_and_day(tmp_path: Path) -> None:
    rows = [f"Ada,{lap},16.{lap}00" for lap in range(1, 5)]
    path = write(tmp_path, "alpha.csv", ["Driver,Lap,Lap time", *rows])
    facts = {"ALPHA": SessionFacts("final", "2026-03-29", "14:00", "touring")}
    export = read(path, session_facts=facts)
    row = export.sessions.iloc[0]
    assert (row["session_kind"], row["date"], row["class"]) == ("final", "2026-03-29", "touring")
    assert str(row["start"]) == "2026-03-29 12:00:00+00:00"
    assert str(export.laps["at"].iloc[0]) == "2026-03-29 12:00:16.100000+00:00"


def test_start_option(tmp_path: Path) -> None:
    rows = [f"Ada,{lap},16.{lap}00" for lap in range(1, 5)]
    path = write(tmp_path, "q1.csv", ["Driver,Lap,Lap time", *rows])
    assert str(read(path, start="10:32").sessions["start"].iloc[0]) == "2026-03-28 09:32:00+00:00"
    with pytest.raises(CallError, match="--start"):
        read(path, start="soon")


def test_a_kind_that_nothing_tells_is_said(tmp_path: Path) -> None:
    rows = [f"Ada,{lap},16.{lap}00" for lap in range(1, 5)]
    export = read(write(tmp_path, "alpha.csv", ["Driver,Lap,Lap time", *rows]))
    assert set(export.laps["session_kind"]) == {"practice"}
    assert "'alpha'" in export.warnings[0]


def test_sections_and_repeated_headers(tmp_path: Path) -> None:
    block = ["Driver;Lap;Lap time", "Ada;1;17.0", "Ada;2;16.2", "Bo;1;17.4", "Bo;2;16.6"]
    lines = ["Session: Q1", *block, "", "Session: Q2", *block, "Printed: 28.03.2026"]
    export = read(write(tmp_path, "day.csv", lines))
    assert export.laps["session"].tolist() == ["Q1"] * 4 + ["Q2"] * 4
    assert export.rows_in == export.rows_kept == 8


def test_grids_one_below_the_other(tmp_path: Path) -> None:
    lines = ["Heat 1", "Lap;Ada;Bo", "1;17;18", "2;16.2;16.4", "", "Heat 2", "Lap;Cy;Di;Ed"]
    lines += ["1;17;18;19", "2;16.2;16.4;16.6"]
    export = read(write(tmp_path, "day.csv", lines))
    found = export.laps.groupby("session")["driver"].apply(lambda d: sorted(set(d))).to_dict()
    assert found == {"Heat 1": ["Ada", "Bo"], "Heat 2": ["Cy", "Di", "Ed"]}
    assert export.rows_in == export.rows_kept == 10


def test_classes_and_heats_of_one_session(tmp_path: Path) -> None:
    lines = ["Session,Class,Heat,Driver,Lap,Lap time"]
    for racing_class, heat, driver in (("A", "1", "Ada"), ("B", "1", "Ada"), ("A", "2", "Bo")):
        lines += [f"Q1,{racing_class},{heat},{driver},{lap},16.{lap}" for lap in range(1, 5)]
    export = read(write(tmp_path, "day.csv", lines))
    assert export.sessions[["class", "heat"]].to_numpy().tolist() == [
        ["A", "1"],
        ["B", "1"],
        ["A", "2"],
    ]
    assert export.laps["status"].tolist().count("first") == 3


def test_rows_written_twice_are_kept_once(tmp_path: Path) -> None:
    rows = [f"Q1,Ada,{lap},16.{lap}00" for lap in range(1, 5)]
    export = read(write(tmp_path, "day.csv", ["Session,Driver,Lap,Lap time", *rows, *rows]))
    assert export.rows_in == 8 and export.rows_kept == 4
    assert export.set_aside["reason"].tolist() == ["repeated"] * 4
    assert export.set_aside["source_line"].tolist() == [6, 7, 8, 9]


def test_a_transponder_missing_in_some_rows_splits_no_run(tmp_path: Path) -> None:
    lines = ["Driver;Transponder;Lap;Lap time", "Ada;1234567;1;16.2", "Ada;;2;16.3"]
    export = read(write(tmp_path, "q1.csv", [*lines, "Ada;1234567;3;16.4"]))
    assert export.laps["lap_s"].tolist() == [16.2, 16.3, 16.4]
    assert set(export.laps["transponder"]) == {"1234567"}


def test_two_cars_of_one_name_are_two_runs(tmp_path: Path) -> None:
    lines = [f"Sam;{tag};{lap};16.{lap}" for tag in (1111111, 2222222) for lap in (1, 2, 3)]
    export = read(write(tmp_path, "q1.csv", ["Driver;Transponder;Lap;Lap time", *lines]))
    assert export.laps["status"].tolist().count("first") == 2


def test_a_missing_time_of_day_does_not_hide_the_sessions(tmp_path: Path) -> None:
    lines = ["Driver;Lap;Lap time;Time of day"]
    for hour in (10, 11):
        lines += [f"Ada;{k};16.0;{hour}:00:{16 * k:02d}" for k in (1, 2, 3)]
    lines[2] = "Ada;2;16.0;"
    export = read(write(tmp_path, "q1.csv", lines))
    assert export.laps["session"].tolist() == ["q1 1"] * 3 + ["q1 2"] * 3


def lap_lines(*sessions: str, head: str = "Driver,Lap,Lap time") -> list[str]:
    """Five laps of two drivers in each session; a first cell names it where it is not empty."""
    return [
        head,
        *(
            f"{name + ',' if name else ''}{driver},{lap},{16 + lap / 10 + place}"
            for place, name in enumerate(sessions or ("",))
            for driver in ("Ann Arbor", "Bo Burg")
            for lap in range(1, 6)
        ),
    ]


@pytest.mark.parametrize("head", ["Heat", "Heat name", "Name of heat", "Vorlaufgruppe / Heat"])
def test_a_column_of_heats_may_name_sessions(tmp_path: Path, head: str) -> None:
    lines = lap_lines("Practice 1", "Qualifying 2", head=f"{head},Driver,Lap,Lap time")
    found = read(write(tmp_path, "day.csv", lines)).sessions
    assert found["session"].tolist() == ["Practice 1", "Qualifying 2"]
    assert found["session_kind"].tolist() == ["practice", "qualifying"]


@pytest.mark.parametrize("cells", [("1", "2"), ("A", "B"), ("Heat 1", "Heat 2"), ("R1", "R2")])
def test_a_column_of_heats_that_only_counts_them_tells_heats(
    tmp_path: Path, cells: tuple[str, ...]
) -> None:
    lines = ["Qualifying 3", *lap_lines(*cells, head="Heat,Driver,Lap,Lap time")]
    found = read(write(tmp_path, "day.csv", lines)).sessions
    assert set(found["session"]) == {"Qualifying 3"} and found["heat"].tolist() == list(cells)


def test_a_session_column_or_option_goes_before_the_heats(tmp_path: Path) -> None:
    lines = lap_lines("Final A,Race", "Final B,Race", head="Heat,Session,Driver,Lap,Lap time")
    assert set(read(write(tmp_path, "a.csv", lines)).sessions["session"]) == {"Race"}
    path = write(tmp_path, "b.csv", lap_lines("Final A", head="Heat,Driver,Lap,Lap time"))
    found = read(path, session="Last").sessions
    assert (found["session"].tolist(), found["heat"].tolist()) == (["Last"], ["Final A"])


@pytest.mark.parametrize(
    ("title", "start"),
    [
        ("Qualifying 2 14:05", "14:05:00"),
        ("14:05 Heat 3", "14:05:00"),
        ("Final, Sat 28.03.2026 14:05:30", "14:05:30"),
        ("Practice 1 - 2:05 PM", "14:05:00"),
        ("Final 16h30", "16:30:00"),
    ],
)
def test_a_title_with_a_clock_is_the_start_if_nothing_else_is(
    tmp_path: Path, title: str, start: str
) -> None:
    export = read(write(tmp_path, "x.csv", [title, *lap_lines()]), timezone="UTC")
    assert f"{export.sessions['start'].iloc[0]:%H:%M:%S}" == start
    assert export.laps["at"].notna().all()
    assert [w for w in export.warnings if "from its title" in w and "sessions.csv" in w]


@pytest.mark.parametrize(
    "title",
    ["Printed 19:05", "28.03.2026 19:05", "Final 5:00", "Final 20:00 min", "Practice 1.10",
     "Final 10:00 to 10:05", "Race 01:30"],
)  # fmt: skip
def test_other_clocks_are_no_start(tmp_path: Path, title: str) -> None:
    assert read(write(tmp_path, "x.csv", [title, *lap_lines()])).sessions["start"].isna().all()


def test_a_title_that_says_how_long_it_lasted_is_no_start(tmp_path: Path) -> None:
    lines = ["Final 08:00", "Driver,Lap,Lap time"]
    lines += [f"Ann Arbor,{lap},{15 + lap / 100}" for lap in range(1, 33)]
    assert read(write(tmp_path, "x.csv", lines)).sessions["start"].isna().all()


def test_what_else_says_the_start_goes_before_a_title_with_a_clock(tmp_path: Path) -> None:
    lines = ["Qualifying 2 14:05", *lap_lines()]
    told = [
        read(write(tmp_path, "a.csv", ["Start: 15:10", *lines])),
        read(write(tmp_path, "b.csv", lines), start="15:10"),
    ]
    timed = [f"{line},15:1{n // 6}:{n % 6}0" for n, line in enumerate(lines[2:])]
    told.append(read(write(tmp_path, "c.csv", [lines[0], lines[1] + ",Time of day", *timed])))
    for export in told:
        assert export.laps["at"].min().tz_convert("Europe/Berlin").hour == 15
        assert not [w for w in export.warnings if "title" in w]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_quoted_cells_may_go_on_in_the_next_lines(tmp_path: Path, delimiter: str) -> None:
    head = ['"Driver\nname"', '"Lap\n\nno"', '"Lap time\n(""s"")"', '"Remark\nof the day"']
    rows = [
        [f'"{driver}\nof ""X"""', str(lap), str(16 + lap / 10), '"hit\nthe wall"']
        for driver in ("Ann Arbor", "Bo Burg")
        for lap in range(1, 6)
    ]
    lines = ['"A title\nin two lines"', *(delimiter.join(row) for row in [head, *rows])]
    export = read(write(tmp_path, "x.csv", lines))
    assert sorted(set(export.laps["driver"])) == ['Ann Arbor of "X"', 'Bo Burg of "X"']
    assert export.laps["lap_s"].tolist() == [16 + lap / 10 for lap in range(1, 6)] * 2
    assert export.laps["source_line"].tolist() == list(range(9, 39, 3))


def test_a_quote_that_nobody_closes_takes_no_lines_with_it(tmp_path: Path) -> None:
    lines = ['"Qualifying 2', *lap_lines()]
    assert len(read(write(tmp_path, "x.csv", lines)).laps) == 10
