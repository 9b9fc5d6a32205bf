"""Dates, years and offsets of an export against those of the meeting: said, and what counts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.public.teams import open_team
from pipeline.read import Export, ReadOptions, read_export
from pipeline.runs.gathering import gather
from pipeline.team.folder import load_team
from tests.commands import run
from tests.exports import laps_csv
from tests.folders import MEETINGS, team_folder


def rows(written: Callable[[str], str]) -> str:
    """Three cars, ten laps from ten o'clock on."""
    lines = ["Driver,Lap,Lap time,Time of day"]
    for car, driver in enumerate(("Ann Arbor", "Bo Burg", "Cy Coe")):
        at = 36_000.0 + car
        for lap in range(1, 11):
            seconds = 16 + (7 * lap + car) % 10 / 10
            at += seconds
            clock = f"{int(at) // 3600:02}:{int(at) // 60 % 60:02}:{at % 60:06.3f}"
            lines.append(f"{driver},{lap},{seconds},{written(clock)}")
    return "\n".join(lines) + "\n"


def read(folder: Path, text: str, zone: str = "Europe/Berlin") -> Export:
    (folder / "q1.csv").write_text(text)
    return read_export(folder / "q1.csv", ReadOptions("spring", date="2026-04-18", timezone=zone))


def dates(export: Export) -> list[str]:
    return export.sessions["date"].astype(str).tolist()


def said(export: Export) -> list[str]:
    return [words for words in export.warnings if "kind of session" not in words]


@pytest.mark.parametrize("title", ["Qualifying 1, 2026-04-11", "Date: 11.04.2026"])
def test_a_title_of_another_week_is_said_and_the_meeting_counts(tmp_path: Path, title: str) -> None:
    export = read(tmp_path, f"{title}\n" + rows(str))
    assert dates(export) == ["2026-04-18"]
    (words,) = said(export)
    assert "title says 2026-04-11" in words and "counts for 2026-04-18" in words
    assert "sessions.csv" in words


def test_rows_go_before_a_title_and_before_the_meeting(tmp_path: Path) -> None:
    export = read(tmp_path, "Date: 2026-04-19\n" + rows(lambda clock: f"2026-04-20 {clock}"))
    assert dates(export) == ["2026-04-20"]
    assert [w for w in said(export) if "title says 2026-04-19" in w and "for 2026-04-20" in w]
    far = read(tmp_path, rows(lambda clock: f"2026-06-20 {clock}"))
    (words,) = said(far)
    assert "2026-06-20, but the meeting began on 2026-04-18; the export's day counts" in words


@pytest.mark.parametrize("head", ["", "Qualifying 1, 2026-04-18\n", "Qualifying, 2026-04-19\n"])
def test_days_that_agree_are_not_said(tmp_path: Path, head: str) -> None:
    assert said(read(tmp_path, head + rows(str))) == []


@pytest.mark.parametrize("head", ["Printed 2026-04-19 08:10", "Exported: 2026-05-02"])
def test_the_day_of_printing_is_not_that_of_the_session(tmp_path: Path, head: str) -> None:
    export = read(tmp_path, f"{head}\n" + rows(str))
    assert (dates(export), said(export)) == (["2026-04-18"], [])


@pytest.mark.parametrize("day", ["0000-04-18", "0001-01-01", "9999-12-31", "2026-02-30"])
def test_dates_that_cannot_be_are_said_and_the_meeting_counts(tmp_path: Path, day: str) -> None:
    export = read(tmp_path, rows(lambda clock: f"{day} {clock}"))
    assert dates(export) == ["2026-04-18"]
    (words,) = said(export)
    assert words.startswith(f"'{day} 10:00:16.") and "no date that can be" in words


@pytest.mark.parametrize("day", ["0000-04-18", "9999-12-31"])
def test_the_same_in_a_column_of_dates(tmp_path: Path, day: str) -> None:
    text = rows(lambda clock: f"{clock},{day}").replace("Time of day", "Time of day,Date", 1)
    export = read(tmp_path, text)
    assert dates(export) == ["2026-04-18"]
    assert [words for words in said(export) if f"'{day}'" in words]


@pytest.mark.parametrize(
    ("offset", "zone", "words"),
    [
        ("-07:00", "Europe/Berlin", "UTC-07:00, but Europe/Berlin is UTC+02:00 then"),
        ("+01:00", "Europe/Berlin", "UTC+01:00, but Europe/Berlin is UTC+02:00 then"),
        ("+02:00", "UTC", "UTC+02:00, but UTC is UTC+00:00 then"),
        ("+05:30", "Europe/Berlin", "UTC+05:30"),
        ("+02:00", "Europe/Berlin", ""),
        ("Z", "Europe/Berlin", ""),
        ("+00:00", "Europe/Berlin", ""),
        ("+05:30", "Asia/Kolkata", ""),
    ],
)
def test_offsets_that_contradict_the_zone_are_said(
    tmp_path: Path, offset: str, zone: str, words: str
) -> None:
    export = read(tmp_path, rows(lambda clock: f"2026-04-18T{clock}{offset}"), zone)
    found = said(export)
    assert len(found) == bool(words) and all(words in each for each in found)
    assert all("timezone" in each and "counts" in each for each in found)


@pytest.mark.parametrize(
    ("column", "old", "new"),
    [("date", "2026-04-18", "2026-04-19"), ("timezone", "Europe/Berlin", "Europe/London")],
)
def test_what_is_corrected_later_is_said_until_it_counts(
    tmp_path: Path, column: str, old: str, new: str
) -> None:
    folder = team_folder(tmp_path / "team", setups="meeting,driver,run,factor,value\n")
    export = laps_csv(folder / "exports/spring/q1.csv")
    open_team(folder).import_exports(export, "spring")
    assert gather(load_team(folder)).about == ()
    (folder / "meetings.csv").write_text(MEETINGS.replace(old, new))
    for answer in (run("--team", folder, "check"), run("--team", folder, "meeting", "spring")):
        words = answer.out + answer.err
        assert f"{column} in the meetings table is {new}, but exports were read with" in words
        assert "import exports/spring --meeting spring" in words
    page = (folder / "reports/meetings/spring.html").read_text("utf-8")
    assert f"{new}, but exports were read with {old}" in page
    open_team(folder).import_exports(export, "spring")
    found = gather(load_team(folder))
    assert found.about == ()
    assert set(found.streams["timezone"]) == {new} or set(found.runs["date"]) == {new}
