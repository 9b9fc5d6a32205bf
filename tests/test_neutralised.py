"""From an export in which the whole field is slow to runs that are left out, and said."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import pipeline
from pipeline.checking import check
from pipeline.models.meeting import analyse_meeting
from pipeline.runs.gathering import load_season
from pipeline.runs.neutralised import REASON, stretches, with_neutralised
from pipeline.store.importing import ImportCall, import_exports
from pipeline.tables.records import SeasonData
from pipeline.team.folder import Team, load_team
from tests.folders import team_folder
from tests.read.heat import hours

CARS = ["Ann Arbor", "Bo Burg", "Cy Coe", "Di Dee", "Ed Ems", "Fay Fox"]
LAPS = 14


def lap_times() -> dict[tuple[str, int], list[float]]:
    """Car and session → laps, s: in Q2 all stand for half a minute, Q3 is slow from end to end."""
    chance = np.random.default_rng(8)
    out = {}
    for session in range(1, 6):
        for place, car in enumerate(CARS):
            times = 16 + place / 10 + chance.normal(0, 0.1, LAPS)
            times[0] += 2
            times[7] += 30 * (session == 2)
            out[car, session] = (times * (1.4 if session == 3 else 1)).tolist()
    return out


def start_of(session: int, place: int) -> float:
    return 36_000.25 + 420 * session + 0.9 * place


@pytest.fixture(scope="module")
def team(tmp_path_factory: pytest.TempPathFactory) -> Team:
    folder = team_folder(
        tmp_path_factory.mktemp("stopped"),
        setups="meeting,driver,run,rear_bar\n"
        + "".join(f"spring,{d},{r},1.{2 + r % 2}\n" for d in CARS[:2] for r in range(1, 6)),
        drivers="driver,transponder,team,from,until\nAnn Arbor,,yes,,\nBo Burg,,yes,,\n",
    )
    lines = ["Session,Driver,Lap,Lap time,Time of day"]
    for (car, session), times in lap_times().items():
        ends = start_of(session, CARS.index(car)) + np.cumsum(times)
        for lap, (seconds, end) in enumerate(zip(times, ends, strict=True), 1):
            lines.append(f"Q{session},{car},{lap},{seconds:.3f},{hours()(end)}")
    path = folder / "exports/spring/day.csv"
    path.parent.mkdir(parents=True)
    path.write_text("\n".join(lines) + "\n")
    import_exports(load_team(folder), ImportCall((path,), "spring"))
    return load_team(folder)


@pytest.fixture(scope="module")
def data(team: Team) -> SeasonData:
    return load_season(team)


def test_runs_that_lie_wholly_in_it_are_left_out(data: SeasonData) -> None:
    out = data.runs[data.runs["excluded"].notna()]
    assert set(out["session"]) == {"Q3"} and len(out) == len(CARS)
    assert set(out["excluded"]) == {REASON}
    status = data.laps["status"].groupby(data.laps["run"]).agg(list)
    assert all(status[run] == ["first", *["neutralised"] * (LAPS - 1)] for run in out.index)
    stopped = data.runs.index[data.runs["session"] == "Q2"]
    assert all(status[run].count("neutralised") == 1 for run in stopped)
    assert data.runs.loc[stopped, "mistakes"].sum() == 0
    assert data.runs.loc[stopped, "spread_s"].max() < 0.3


def test_it_is_said(team: Team, data: SeasonData) -> None:
    report = check(team)
    assert report.statuses["neutralised"] == len(CARS) * LAPS
    assert report.meetings[0]["excluded"] == [REASON]
    sheet = analyse_meeting(data, "spring")
    assert f"Q3: 6 runs stay out of the correction ({REASON})." in sheet.notes
    q2, q3 = sheet.neutralised.itertuples(index=False)
    begin = start_of(2, 0) + 7 * 16
    assert (q2.laps, q2.drivers) == (6, 6)
    assert q2.begin * 3600 == pytest.approx(begin, abs=10)
    assert (q2.end - q2.begin) * 3600 == pytest.approx(46, abs=10)
    assert q3.laps == 6 * (LAPS - 1)


def test_frames_in_memory_are_judged_alike(data: SeasonData) -> None:
    runs = data.runs.copy()
    place = runs["driver"].map(CARS.index)
    moment = [start_of(int(s[1:]), p) for s, p in zip(runs["session"], place, strict=True)]
    runs["start"] = pd.Timestamp("2026-04-18") + pd.to_timedelta(moment, unit="s")
    runs["excluded"] = None
    factor = {"name": "rear_bar", "kind": "ordered", "levels": ["1.2", "1.3"], "reference": "1.2"}
    columns = ["meeting", "date", "session", "session_kind", "driver", "team", "run_no", "start"]
    found = pipeline.analyse(
        runs[[*columns, "excluded", "rear_bar"]], data.laps.drop(columns="status"), [factor],
        outcomes=["pace"], conditions=[],
    )  # fmt: skip
    assert found.found.data.laps["status"].tolist() == data.laps["status"].tolist()
    assert found.found.data.runs["excluded"].fillna("").tolist() == (
        data.runs["excluded"].fillna("").tolist()
    )


def test_a_reason_that_was_given_stays() -> None:
    laps = pd.DataFrame(
        {
            "run": [0, 0, 1, 1, 2, 2, 3],
            "status": [
                *["first", "neutralised"],
                *["first", "neutralised"],
                *["neutralised", "clean"],
                "first",
            ],
        }
    )
    excluded = pd.Series([None, "rain", None, None], dtype="str")
    found = with_neutralised(excluded, laps)
    assert found.fillna("").tolist() == [REASON, "rain", "", ""]


def test_without_a_clock_no_time_is_told() -> None:
    runs = pd.DataFrame(
        {"date": "2026-04-18", "driver": ["a", "b"], "hour": 10.0, "hour_known": [False, True]}
    )
    laps = pd.DataFrame({"run": [0, 1], "lap_s": 36.0, "status": ["neutralised", "neutralised"]})
    assert stretches(runs, laps)["drivers"].tolist() == [1]
    assert not len(stretches(runs, laps.iloc[:1]))
    assert list(stretches(runs, laps.iloc[:0])) == ["date", "begin", "end", "laps", "drivers"]
