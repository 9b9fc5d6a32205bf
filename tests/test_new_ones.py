"""An outcome, a condition and a layout that the package does not know, from their records alone.

They are added from here as a team's member would add a line to the tables of records; the team
folder, the import, the season, its tables and its page carry them with no other change.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import pipeline
from pipeline.errors import CallError, UserError
from pipeline.read.gathered import Gathered, Harvest
from pipeline.read.instants import NO_TIME
from pipeline.read.labels import Labels, constant
from pipeline.read.layouts import LAYOUTS, Layout
from pipeline.read.records import Table
from pipeline.tables.conditions import CONDITIONS, Condition
from pipeline.tables.outcomes import OUTCOMES, Outcome


def share_of_slow_laps(laps: Any) -> Any:
    return laps.mean_of(laps.slow, laps.clean.n)


def a_lap_in_fifty(worthwhile_s: float, laps_in_race: float) -> float:
    return 0.02


SLOW = Outcome(
    name="slow_laps",
    verdicts=("smoother", "rougher"),
    label="Slow laps",
    meaning="share of the clean laps with a small error",
    response=share_of_slow_laps,
    margin=a_lap_in_fifty,
    axis="laps in one",
    unit=" of the laps",
)
WIND = Condition(name="wind", words="in {} wind", values=("calm", "light", "strong"))
WINDS = ("strong", "calm", "calm", "strong")
TOML = """\
[team]
name = "Outside"

[[factor]]
name = "wing"
label = "Wing"
kind = "category"
levels = ["low", "high"]

[[claim]]
text = "The high wing is smoother when it blows"
factor = "wing"
from = "low"
to = "high"
outcome = "slow_laps"
expect = "lower"
wind = "strong"
"""


@pytest.fixture
def both(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setitem(OUTCOMES, SLOW.name, SLOW)
    monkeypatch.setitem(CONDITIONS, WIND.name, WIND)
    yield


def team_folder(folder: Path, winds: tuple[str, ...] = WINDS) -> Path:
    """Four meetings of six cars, four of them of the team; the wing changes from run to run."""
    rng = np.random.default_rng(7)
    rows, log = [], ["meeting,driver,run,factor,value"]
    for m in range(len(winds)):
        for turn in range(6):
            for d in range(6):
                high = (turn + d + m) % 2
                at = datetime(2026, 5, 2 + 7 * m, 10 + turn, 5 * (d % 2))
                for lap in range(1, 15):
                    slow = rng.random() < (0.04 if high and d < 4 else 0.16)
                    seconds = 15 + 0.1 * rng.normal() + 0.5 * slow - 0.05 * high + 0.1 * d
                    at += timedelta(seconds=seconds)
                    rows.append((m, f"round {turn + 1}", f"Car {d}", lap, f"{seconds:.3f}",
                                 f"{at:%H:%M:%S.%f}"))  # fmt: skip
                if d < 4:
                    log.append(f"m{m},Car {d},{turn + 1},wing,{'high' if high else 'low'}")
    (folder / "exports").mkdir(parents=True)
    (folder / "team.toml").write_text(TOML)
    (folder / "setups.csv").write_text("\n".join(log))
    drivers = [f"Car {d},{100 + d},{'yes' if d < 4 else 'no'}" for d in range(6)]
    (folder / "drivers.csv").write_text("\n".join(["driver,transponder,team", *drivers]))
    meetings = [f"m{m},2026-05-{2 + 7 * m:02},Field,{wind}" for m, wind in enumerate(winds)]
    (folder / "meetings.csv").write_text("\n".join(["meeting,date,venue,wind", *meetings]))
    names = ["m", "Session", "Driver", "Lap", "Lap time", "Time of day"]
    table = pd.DataFrame(rows, columns=names)
    for m, part in table.groupby("m"):
        part.drop(columns="m").to_csv(folder / "exports" / f"m{m}.csv", index=False)
    return folder


def imported(folder: Path) -> Any:
    team = pipeline.open_team(folder)
    for m in range(len(WINDS)):
        team.import_exports(folder / "exports" / f"m{m}.csv", f"m{m}")
    return team


@pytest.mark.usefixtures("both")
def test_the_whole_line_carries_them(tmp_path: Path) -> None:
    team = imported(team_folder(tmp_path / "team"))
    assert {row["wind"] for row in team.check()["meetings"]} == {"calm", "strong"}
    season = team.season(out=tmp_path / "out")
    effects = pd.read_csv(tmp_path / "out" / "effects.csv")
    own = effects[effects["outcome"] == "slow_laps"].set_index("condition")
    assert list(own.index) == ["all", "wind=calm", "wind=strong"]
    assert own.loc["all", "estimate"] == pytest.approx(-0.12, abs=0.08)
    assert own.loc["all", "verdict"] == "smoother"
    assert list(effects["outcome"].unique()) == list(OUTCOMES)
    claim = season.claims.iloc[0]
    assert (claim["condition"], claim["outcome"]) == ("wind=strong", "slow_laps")
    assert claim["estimate"] == pytest.approx(-0.12, abs=0.08)
    page = (tmp_path / "out" / "index.html").read_text("utf-8")
    for words in ("Slow laps, laps in one", "In calm wind", "smoother", "In strong wind, 19"):
        assert words in page


@pytest.mark.usefixtures("both")
def test_faults_name_their_values(tmp_path: Path) -> None:
    folder = team_folder(tmp_path, ("strong", "clam", "calm", "strong"))
    (folder / "team.toml").write_text(TOML.replace("strong", "storm"))
    with pytest.raises(UserError) as caught:
        pipeline.open_team(folder)
    said = [str(problem) for problem in caught.value.problems]
    assert any("'storm'" in each and "'calm', 'light' or 'strong'" in each for each in said)
    assert any("'clam'" in each and "Did you mean 'calm'?" in each for each in said)


@pytest.mark.usefixtures("both")
def test_frames_carry_them_too(tmp_path: Path) -> None:
    joined = imported(team_folder(tmp_path / "team")).join()
    runs, laps = joined.data.runs, joined.data.laps
    wing = {"name": "wing", "kind": "category", "levels": ["low", "high"]}
    found = pipeline.analyse(
        runs.drop(columns=["hour", "hour_known"]), laps, [wing],
        outcomes=["slow_laps"], conditions=["wind"],
    ).effects  # fmt: skip
    assert list(found["condition"]) == ["all", "wind=calm", "wind=strong"]
    alone = pipeline.analyse(runs, laps, [wing], outcomes=["slow_laps"], conditions=[]).effects
    assert list(alone["condition"]) == ["all"]


def test_without_the_records_they_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError) as caught:
        pipeline.open_team(team_folder(tmp_path))
    said = " ".join(str(problem) for problem in caught.value.problems)
    assert ("'slow_laps'" in said and "'wind'" in said) or "wind" in said


def chain_score(cells: Sequence[str], below: Sequence[Sequence[str]]) -> float:
    return 5.0 if list(cells) == ["Car and driver", "Its laps"] and below else 0.0


def gather_chains(table: Table, harvest: Harvest) -> Gathered:
    """A row a car, its lap times one after the other in one cell."""
    names, chains = (table.sheet.columns[place].to_pylist() for place in (0, 1))
    cells = [(row, n, s) for row, c in enumerate(chains) for n, s in enumerate(c.split(), 1)]
    row, lap = (np.array([cell[i] for cell in cells]) for i in (0, 1))
    size, nothing = len(cells), constant("", len(cells))
    harvest.rows_in += size
    return Gathered(
        line=table.sheet.lines[row],
        session=constant(table.session, size),
        racing_class=nothing,
        heat=nothing,
        driver=Labels(row.astype(np.int32), tuple(names)),
        transponder=nothing,
        number=nothing,
        start=constant(table.facts.get("start", ""), size),
        lap=lap,
        lap_s=np.array([float(seconds) for _, _, seconds in cells]),
        local=np.full(size, NO_TIME),
        dated=np.zeros(size, bool),
        utc=np.full(size, NO_TIME),
        elapsed=np.full(size, np.nan),
    )


CHAINS = Layout(
    name="chains",
    words="a row a car, its laps in a cell",
    gather=gather_chains,
    score=chain_score,
    is_one_session=True,
)


@pytest.mark.parametrize("told", [None, "chains"])
def test_an_import_carries_a_layout(
    tmp_path: Path, told: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(LAYOUTS, CHAINS.name, CHAINS)
    folder = tmp_path / "team"
    folder.mkdir()
    (folder / "team.toml").write_text('[team]\nname = "Outside"\n')
    (folder / "meetings.csv").write_text("meeting,date\nspring,2026-05-02\n")
    rng = np.random.default_rng(3)
    drawn = {f"Car {d}": 15 + rng.normal(0, 0.1, 9).round(3) for d in range(4)}
    rows = [f"{name};{' '.join(f'{s:.3f}' for s in laps)}" for name, laps in drawn.items()]
    export = folder / "exports" / "spring" / "final.csv"
    export.parent.mkdir(parents=True)
    export.write_text("\n".join(["Start: 10:00", "Car and driver;Its laps", *rows]))
    team = pipeline.open_team(folder)
    seen = team.import_exports(export, "spring", layout=told, dry_run=True).report
    assert "chains: a row a car, its laps in a cell" in "".join(seen.understood)
    found = team.import_exports(export, "spring", layout=told)
    assert (found["laps"], found["drivers"], found["rows_set_aside"]) == (36, 4, 0)
    joined = team.check()["meetings"][0]
    assert (joined["laps"], joined["runs"]) == (36, 4)


def test_an_unknown_layout_is_refused(tmp_path: Path) -> None:
    (tmp_path / "team.toml").write_text('[team]\nname = "Outside"\n')
    (tmp_path / "meetings.csv").write_text("meeting,date\nspring,2026-05-02\n")
    with pytest.raises(CallError, match="expected laps, passings, grid"):
        pipeline.open_team(tmp_path).import_exports(tmp_path / "a.csv", "spring", layout="chains")
