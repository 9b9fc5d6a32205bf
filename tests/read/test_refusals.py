"""Files that are no export, or that could mean two things: one clear message, nothing guessed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.errors import CallError, UserError
from pipeline.read import REASONS, Export, ReadOptions, read_export, understand
from pipeline.read.reasons import STATUSES
from pipeline.tables.schema import LAP_STATUSES
from tests.read.fuzz import case, check

OPTIONS = ReadOptions(meeting="spring", date="2026-03-28", timezone="Europe/Berlin")
NO_EXPORT = {
    "empty": (b"", "empty file"),
    "only a mark": (b"\xef\xbb\xbf\r\n", "empty file"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 9, "picture"),
    "photo": (b"\xff\xd8\xff\xe0" + bytes(range(256)) * 9, "picture"),
    "document": (b"%PDF-1.7\n1 0 obj\n", "PDF"),
    "archive": (b"PK\x03\x04" + bytes(200), "no spreadsheet"),
    "old spreadsheet, damaged": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(200), "damaged"),
    "bytes": (bytes(range(256)) * 99, "not text"),
    "one long line": (b"a" * 2_500_000, "one line"),
    "very many columns": (b",".join([b"x"] * 5_000) + b"\n1,2\n", "columns"),
    "a letter": (b"Dear all,\nit was a nice meeting.\nSee you soon, bye.\n", "no column"),
    "a web page": (b"<html><body><p>Results</p></body></html>", "expected rows"),
    "header alone": (b"Driver,Lap,Lap time\n", "holds no lap"),
    "no time": (b"Driver,Lap,Lap time\nAda,1,--\nAda,2,DNF\n", "no_time"),
    "one passing": (b"Time of day,Transponder\n10:00:00,1234567\n", "two passings"),
}


def read(data: bytes | str, folder: Path, name: str = "export.csv", **options: object) -> Export:
    path = folder / name
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return read_export(path, ReadOptions("spring", date="2026-03-28", **options))


@pytest.mark.parametrize("name", NO_EXPORT)
def test_no_export(name: str, tmp_path: Path) -> None:
    data, words = NO_EXPORT[name]
    with pytest.raises(UserError) as caught:
        read(data, tmp_path)
    assert caught.value.exit_status == 1
    assert words in str(caught.value)
    assert "export.csv" in str(caught.value)
    assert len(str(caught.value)) < 600


def test_what_is_no_file(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "missing.csv", Path("/dev/zero"), Path("bad\x00name.csv")):
        with pytest.raises(UserError):
            read_export(path, OPTIONS)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(UserError, match="pipe"):
        read_export(tmp_path / "pipe", OPTIONS)


def test_two_columns_that_could_be_the_lap_time(tmp_path: Path) -> None:
    text = "Driver;Lap;Rundenzeit;Lap time\n" + "".join(
        f"Ada;{i};16,{i}00;17,{i}00\n" for i in range(1, 6)
    )
    with pytest.raises(UserError) as caught:
        read(text, tmp_path)
    assert "--map lap_s='Rundenzeit' or --map lap_s='Lap time'" in str(caught.value)
    export = read(text, tmp_path, mapping={"lap_s": "Lap time"})
    assert export.laps["lap_s"].tolist() == [17.1, 17.2, 17.3, 17.4, 17.5]


def test_a_header_nobody_knows_is_asked_about(tmp_path: Path) -> None:
    text = "wer;was;wie\n" + "".join(f"Ada;x;{i}\n" for i in range(1, 6))
    with pytest.raises(UserError, match="--map"):
        read(text, tmp_path)


def test_map_names_what_is_not_there(tmp_path: Path) -> None:
    text = "Driver;Lap;Lap time\nAda;1;16.2\nAda;2;16.3\n"
    with pytest.raises(CallError, match="speed") as caught:
        read(text, tmp_path, mapping={"speed": "Lap"})
    assert "lap_s" in str(caught.value)
    with pytest.raises(CallError, match="Zeit"):
        read(text, tmp_path, mapping={"lap_s": "Zeit"})
    with pytest.raises(CallError, match="layout"):
        read(text, tmp_path, layout="columns")
    with pytest.raises(UserError, match="passings"):
        read(text, tmp_path, layout="passings")


def test_columns_of_a_file_without_header_by_number(tmp_path: Path) -> None:
    text = "".join(f"Ada;Bo;{i};16.{i}\n" for i in range(1, 6))
    export = read(text, tmp_path, mapping={"driver": "2", "lap": "3", "lap_s": "4"})
    assert set(export.laps["driver"]) == {"Bo"}


def test_a_decimal_comma_between_commas(tmp_path: Path) -> None:
    text = "Driver,Lap,Lap time\nAda,1,16,234\nAda,2,16,301\n"
    with pytest.raises(UserError, match="decimal mark"):
        read(text, tmp_path)


# One row of each reason, in a file that is sound otherwise.
ASIDE = {
    "wrong_columns": ("Driver;Lap;Lap time", "Ada;4;16.2;x;y"),
    "no_car": ("Driver;Lap;Lap time", ";4;16.234"),
    "no_time": ("Driver;Lap;Lap time", "Ada;4;--"),
    "unreadable_time": ("Driver;Lap;Lap time", "Ada;4;16.2x4"),
    "impossible_time": ("Driver;Lap;Lap time", "Ada;4;0.000"),
    "unreadable_lap": ("Driver;Lap;Lap time", "Ada;four;16.234"),
    "line_too_long": ("Driver;Lap;Lap time", "Ada;4;" + "1" * 100_001 + ";"),
    "repeated": ("Driver;Lap;Lap time", "Ada;3;16.3"),
    "clock_back": ("Driver;Lap;Elapsed", "Ada;4;12.0"),
}


@pytest.mark.parametrize("reason", [reason.code for reason in REASONS])
def test_each_reason_has_an_example(reason: str, tmp_path: Path) -> None:
    header, row = ASIDE[reason]
    rows = [f"Ada;{i};{16 + i / 10 if 'time' in header else 16 * i}" for i in (1, 2, 3)]
    export = read("\n".join([header, *rows, row, "Ada;5;85.0", ""]), tmp_path, session="Q1")
    assert export.set_aside["reason"].tolist() == [reason]
    assert export.set_aside["source_line"].tolist() == [5]
    assert export.set_aside["raw"].tolist() == [row[:2000]]
    assert export.rows_in == 5 and export.rows_kept == 4


def test_statuses_are_those_of_the_schema() -> None:
    assert tuple(status.code for status in STATUSES) == LAP_STATUSES


def test_hostile_names_are_data(tmp_path: Path) -> None:
    names = ["<script>alert(1)</script>", '=HYPERLINK("x")', "../../etc/passwd", "a\u202eb\x07c"]
    rows = [f"'{n}';{i};16.{i}".replace("'", "") for n in names for i in range(1, 4)]
    export = read("\n".join(["Driver;Lap;Lap time", *rows]), tmp_path, session="Q1")
    assert sorted(set(export.laps["driver"])) == sorted([*names[:3], "a b c"])


def test_understanding_is_text_for_people(tmp_path: Path) -> None:
    path = tmp_path / "q1.csv"
    rows = [f"Ada;{i};16,{i};x" for i in range(1, 5)]
    path.write_text("\n".join(["Start: 10:32:05", "Fahrer;Runde;Rundenzeit;Bemerkung", *rows]))
    told = understand(path, OPTIONS)
    assert told.columns == {"driver": "Fahrer", "lap": "Runde", "lap_s": "Rundenzeit"}
    assert told.unused == ("Bemerkung",)
    text = str(told)
    for words in (
        "semicolon",
        "comma",
        "laps",
        "line 2",
        "'Rundenzeit'",
        "Ada, lap 1, 16.100 s",
        "--map",
    ):
        assert words in text


def test_broken_files_end_in_rows_that_add_up_or_in_one_message(tmp_path: Path) -> None:
    import random

    chance = random.Random(20260328)
    outcomes = [check(case(chance), tmp_path) for _ in range(200)]
    assert 0.3 < outcomes.count("read") / len(outcomes) < 0.95


def test_a_table_of_results_is_not_taken_for_laps(tmp_path: Path) -> None:
    text = (
        "Pos;Name;Laps;Time;Best\n1;Ada;19;5:02.3;15.9\n2;Bo;19;5:04.3;15.9\n3;Cy;18;5:02.3;16.1\n"
    )
    with pytest.raises(UserError, match="results, not laps"):
        read(text, tmp_path)


RESULTS = {
    "with the time of the finish": """
        Pos;Name;Laps;Time;Time of day
        1;Ada;19;5:02.3;10:05:02.3
        2;Bo;19;5:04.3;10:05:04.3
        3;Cy;18;5:06.0;10:05:06.0
    """,
    "of a heat stopped in its second lap": """
        Pos;Name;Laps;Time
        1;Ada;2;34.3
        2;Bo;2;36.4
        3;Cy;1;20.1
    """,
    "of such a heat, with the time of the finish": """
        Pos;Name;Laps;Time;Time of day
        1;Ada;2;34.3;10:00:34.3
        2;Bo;2;36.4;10:00:36.4
        3;Cy;1;20.1;10:00:20.1
    """,
    "after four laps that did not begin together": """
        Pos;Name;Laps;Time;Time of day
        1;Ada;4;66.3;10:05:02.3
        2;Bo;4;67.3;10:06:04.3
        3;Cy;4;69.0;10:07:06.0
    """,
    "of starts within a second and a half": """
        Name;Lap;Time;Time of day
        Ada;2;16.2;10:00:34.3
        Bo;2;16.4;10:00:35.9
        Cy;2;16.3;10:00:35.1
    """,
}
STOPPED_HEATS = {
    "one lap each": """
        Driver;Lap;Lap time;Time of day
        Ada;1;18.2;10:00:18.2
        Bo;1;18.9;10:00:18.9
        Cy;1;19.3;10:00:19.3
    """,
    "the second laps alone": """
        Driver;Lap;Lap time
        Ada;2;16.2
        Bo;2;16.4
        Cy;2;16.3
    """,
    "the second laps alone, by the clock": """
        Name;Lap;Time;Time of day
        Ada;2;16.2;10:00:34.3
        Bo;2;16.4;10:00:36.2
        Cy;2;16.3;10:00:35.1
    """,
    "one lap or two": """
        Driver;Lap;Lap time;Time of day
        Ada;1;18.2;10:00:18.2
        Ada;2;16.3;10:00:34.5
        Bo;1;18.9;10:00:18.9
        Cy;1;19.3;10:00:19.3
    """,
    "the last lap of a stint": """
        Driver;Lap;Lap time;Time of day
        Ada;41;95.1;10:00:34.3
        Bo;40;96.2;10:00:36.4
        Cy;41;95.0;10:00:20.1
    """,
}


def drawn(picture: str) -> str:
    return "\n".join(line.strip() for line in picture.strip().splitlines()) + "\n"


@pytest.mark.parametrize("name", RESULTS)
def test_results_are_no_laps(name: str, tmp_path: Path) -> None:
    with pytest.raises(UserError, match="results, not laps"):
        read(drawn(RESULTS[name]), tmp_path)


@pytest.mark.parametrize("name", STOPPED_HEATS)
def test_a_heat_stopped_in_its_first_laps_is_one(name: str, tmp_path: Path) -> None:
    text = drawn(STOPPED_HEATS[name])
    export = read(text, tmp_path)
    assert len(export.laps) == export.rows_kept == text.count("\n") - 1
    assert export.laps["lap_s"].max() < 100
    assert export.laps["status"].tolist().count("first") == 3


def test_a_column_that_only_counts_is_no_time(tmp_path: Path) -> None:
    rows = [f"{k};{1234567 + k % 2};10:0{k}:00" for k in range(8)]
    export = read("\n".join(["Passing;Transponder;Time", *rows]), tmp_path)
    assert export.understood.columns["at"] == "Time"
    assert set(export.laps["lap_s"]) == {120.0}
