"""Times of day and dates as written; days, midnights, summer time, clocks that were set back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import CallError, UserError
from pipeline.read import Export, ReadOptions, read_export
from pipeline.read.clocks import NO_DAY, iso_day, read_clocks

TIMES = {
    "10:32:05.123": 37925.123,
    "10:32:05": 37925.0,
    "10:32": 37920.0,
    "1:32:05 PM": 48725.0,
    "01:32:05.5 p.m.": 48725.5,
    "12:00:01 AM": 1.0,
    "12:00:01 PM": 43201.0,
    "10h32m05s": 37925.0,
    "10h32": 37920.0,
    "10.32.05": 37925.0,
    "10:32:05:123": 37925.123,
    "10:32:05,123": 37925.123,
    "10:32 Uhr": 37920.0,
    "10時32分05秒": 37925.0,
    "午後1時32分05秒": 48725.0,
}
DATES = {
    "2026-03-28 10:32:05": "2026-03-28",
    "2026-03-28T10:32:05.5Z": "2026-03-28",
    "20260328T103205": "2026-03-28",
    "28.03.2026 10:32:05": "2026-03-28",
    "28/03/2026 10:32": "2026-03-28",
    "28.3.26, 10:32:05": "2026-03-28",
    "28 Mar 2026 10:32:05": "2026-03-28",
    "28. März 2026": "2026-03-28",
    "Mar 28, 2026": "2026-03-28",
    "28 août 2026": "2026-08-28",
    "Sat 28.03.2026": "2026-03-28",
    "2026年3月28日 10時32分05秒": "2026-03-28",
    "10:32:05 28.03.2026": "2026-03-28",
}


def test_times_of_day() -> None:
    clocks = read_clocks(pa.array(list(TIMES)))
    np.testing.assert_allclose(clocks.micros / 1e6, list(TIMES.values()))


def test_dates() -> None:
    clocks = read_clocks(pa.array(list(DATES)))
    assert [iso_day(d) for d in clocks.day] == list(DATES.values())


@pytest.mark.parametrize(
    "text", ["25:00:00", "10:61:00", "31.02.2026", "x", "", "12.2026", "13:00 PM"]
)
def test_what_is_no_time(text: str) -> None:
    clocks = read_clocks(pa.array([text]))
    assert clocks.micros[0] == -1 and clocks.day[0] == NO_DAY


def test_day_and_month_are_told_by_the_column() -> None:
    assert iso_day(read_clocks(pa.array(["03/04/2026", "03/28/2026"])).day[0]) == "2026-03-04"
    assert iso_day(read_clocks(pa.array(["03/04/2026", "28/03/2026"])).day[0]) == "2026-04-03"
    assert read_clocks(pa.array(["03/04/2026"])).swap
    assert not read_clocks(pa.array(["03.04.2026"])).swap


@settings(deadline=None)
@given(st.lists(st.text(max_size=50), max_size=20))
def test_no_text_is_too_strange(cells: list[str]) -> None:
    clocks = read_clocks(pa.array(cells, pa.string()))
    assert len(clocks.micros) == len(cells)


def passings(times: list[str], folder: Path, header: str = "Time of day", **options: str) -> Export:
    path = folder / "practice.csv"
    lines = [f"{header};Transponder", *(f"{time};1234567" for time in times)]
    path.write_text("\n".join(lines) + "\n", "utf-8")
    settings = {"date": "2026-03-28", "timezone": "Europe/Berlin", **options}
    return read_export(path, ReadOptions(meeting="spring", **settings))


def test_midnight_is_crossed(tmp_path: Path) -> None:
    export = passings(["23:59:40", "23:59:56", "00:00:12", "00:00:28"], tmp_path)
    assert export.laps["lap_s"].tolist() == [16, 16, 16]
    ends = export.laps["at"].dt.tz_convert("Europe/Berlin").dt.strftime("%d %H:%M:%S").tolist()
    assert ends == ["28 23:59:56", "29 00:00:12", "29 00:00:28"]


def test_the_hour_that_summer_time_skips(tmp_path: Path) -> None:
    export = passings(["01:59:40", "01:59:56", "03:00:12"], tmp_path, date="2026-03-29")
    assert export.laps["lap_s"].tolist() == [16, 16]


def test_the_hour_that_winter_time_repeats(tmp_path: Path) -> None:
    times = ["02:59:28", "02:59:44", "02:00:00", "02:00:16"]
    export = passings(times, tmp_path, date="2026-10-25")
    assert export.laps["lap_s"].tolist() == [16, 16, 16]
    assert export.warnings == ()


def test_a_clock_set_back_splits_the_file(tmp_path: Path) -> None:
    times = ["10:00:00", "10:00:16", "10:00:32", "09:30:00", "09:30:16", "09:30:32"]
    export = passings(times, tmp_path)
    assert export.laps["lap_s"].tolist() == [16, 16, 16, 16]
    assert export.laps["session"].tolist() == ["practice 1"] * 2 + ["practice 2"] * 2
    assert "line 5: the clock was set back by 0:30:32" in export.warnings[0]
    assert export.rows_kept == 6


def test_a_passing_out_of_turn_is_set_aside(tmp_path: Path) -> None:
    times = ["10:00:00", "10:00:16", "10:00:14", "10:00:32"]
    export = passings(times, tmp_path)
    assert export.laps["lap_s"].tolist() == [16, 16]
    assert export.set_aside["reason"].tolist() == ["clock_back"]
    assert export.set_aside["source_line"].tolist() == [4]


def test_offsets_and_zones(tmp_path: Path) -> None:
    export = passings(["2026-03-28T10:00:00+05:30", "2026-03-28T10:00:16+05:30"], tmp_path)
    assert str(export.laps["at"].iloc[0]) == "2026-03-28 04:30:16+00:00"
    with pytest.raises(CallError, match="time zone"):
        passings(["10:00:00", "10:00:16"], tmp_path, timezone="Mars/Base")


def test_fractions_of_a_day_and_day_numbers(tmp_path: Path) -> None:
    day = [0.5 + k * 16 / 86400 for k in range(4)]
    export = passings([f"{t:.12f}" for t in day], tmp_path)
    np.testing.assert_allclose(export.laps["lap_s"], 16)
    assert str(export.laps["at"].iloc[0]) == "2026-03-28 11:00:16+00:00"
    serial = passings([f"{46109 + t:.12f}" for t in day], tmp_path)
    assert str(serial.laps["at"].iloc[0]) == "2026-03-28 11:00:16+00:00"


def test_no_date_anywhere_is_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "practice.csv"
    path.write_text("Time of day;Transponder\n10:00:00;1234567\n10:00:16;1234567\n")
    with pytest.raises(UserError, match=r"meetings\.csv"):
        read_export(path, ReadOptions(meeting="spring"))


def dated(day: str, folder: Path, **options: str | None) -> Export:
    path = folder / "q1.csv"
    rows = [f"Ada;{i};16.{i};{day};10:00:{16 * i:02d}" for i in (1, 2, 3)]
    path.write_text("\n".join(["Driver;Lap;Lap time;Date;Time of day", *rows]) + "\n")
    return read_export(path, ReadOptions(meeting="spring", **options))


@pytest.mark.parametrize("meeting", ["2026-03-04", "2026-04-03"])
def test_the_meeting_tells_day_from_month(meeting: str, tmp_path: Path) -> None:
    export = dated("03/04/2026" if meeting < "2026-04" else "04/03/2026", tmp_path, date=meeting)
    assert export.sessions["date"].tolist() == [meeting]


def test_a_date_that_could_be_two_is_asked_about(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="two ways"):
        dated("03/04/2026", tmp_path)


def test_a_day_far_from_the_meeting_is_said(tmp_path: Path) -> None:
    export = dated("2025-03-28", tmp_path, date="2026-03-28")
    assert "the export says 2025-03-28" in export.warnings[0]
