"""Results kept in the store: never stale, never damaged, never in the way."""

from __future__ import annotations

import datetime
import shutil
import threading
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import pipeline
from pipeline.public import kept as kept_results
from pipeline.public.seasons import TeamSeason
from pipeline.store.results import FOLDER, MOST_FILES, keep, kept
from pipeline.tables import packed
from pipeline.tables.digest import digest_of, season_name
from pipeline.team.folder import load_team
from tests.commands import run
from tests.folders import TOML
from tests.laps import heat, stored
from tests.logbook import days

MORE = """
[[property]]
name = "stiffness"
label = "Stiffness"

[[condition]]
name = "track_temp"
label = "Track temperature"

[[claim]]
text = "Thicker is quicker"
factor = "rear_bar"
from = "1.3"
to = "1.4"
outcome = "pace"
expect = "lower"
"""
SETUPS = days.CHANGES + "".join(
    f"spring,{name},{number},rear_bar,{(1.3, 1.4)[(number + who) % 2]}\n"
    for who, name in enumerate(["Ann Arbor", "Bo Burg"])
    for number in range(1, 9)
)
MEETINGS = (
    "meeting,date,venue,surface,grip,timezone,layout,track_temp\n"
    "spring,2026-04-18,Hall,carpet,high,Europe/Berlin,,21\n"
    "summer,2026-07-04,Park,asphalt,low,Europe/Berlin,,35\n"
)


def heats(rng: np.random.Generator) -> list[Any]:
    """Eight heats of five cars, a quarter of an hour apart."""
    out = []
    for number in range(8):
        cars = {
            car: [18.0, *rng.normal(16, 0.1, 9).round(3)]
            for car in ("101 Ann Arbor", "102 Bo Burg", "7 Cy", "8 Di", "9 Ed")
        }
        clock = datetime.datetime(2026, 4, 18, 10) + datetime.timedelta(minutes=15 * number)
        out.append(heat(f"S{number}", f"{clock:%H:%M}", cars))
    return out


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = days.day(
        tmp_path_factory.mktemp("kept") / "team", starts=(), kept="", typed=SETUPS,
        meetings=MEETINGS,
    )  # fmt: skip
    (folder / "team.toml").write_text(TOML + days.FEELS + MORE)
    stored(folder, *heats(np.random.default_rng(3)))
    return folder


@pytest.fixture
def team(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "team"))


def replaced(name: str, old: str, new: str) -> Callable[[Path], None]:
    """A change of a file of the team folder."""

    def change(folder: Path) -> None:
        text = (folder / name).read_text()
        assert old in text
        (folder / name).write_text(text.replace(old, new, 1))

    return change


def written(name: str, text: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)

    return change


def other_laps(folder: Path) -> None:
    stored(folder, heat("S9", "15:00", {"101 Ann Arbor": days.LAPS}))


# Each thing that a season's numbers or words come from, changed by itself.
CHANGES = {
    "worthwhile": replaced("team.toml", "worthwhile_s = 0.03", "worthwhile_s = 0.04"),
    "worth changing": replaced("team.toml", "[team]\n", "[team]\nworth_changing_s = 0.2\n"),
    "race": replaced("team.toml", "race_seconds = 300", "race_seconds = 310"),
    "label": replaced("team.toml", "Rear anti-roll bar", "Rear roll bar"),
    "reference": replaced("team.toml", 'reference = "1.3"', 'reference = "1.4"'),
    "step": replaced("team.toml", 'reference = "5.2"', 'reference = "5.2"\nstep = 0.4'),
    "property": replaced(
        "team.toml", 'unit = "mm"',
        'unit = "mm"\nproperty = "stiffness"\npositions = { "1.2" = -1, "1.3" = 0, "1.4" = 1 }',
    ),
    "claim": replaced("team.toml", "Thicker is quicker", "Thicker is slower"),
    "condition": replaced("team.toml", "Track temperature", "Temperature of the track"),
    "drivers": replaced("drivers.csv", "102,yes", "102,no"),
    "surface": replaced("meetings.csv", "carpet", "asphalt"),
    "grip": replaced("meetings.csv", "high", "low"),
    "track_temp": replaced("meetings.csv", ",21", ",22"),
    "sessions": written("sessions.csv", "meeting,session,exclude\nspring,S1,yes\n"),
    "kinds": written("sessions.csv", "meeting,session,kind\nspring,S1,final\n"),
    "setting": replaced("setups.csv", "1,rear_bar,1.3", "1,rear_bar,1.4"),
    "further setting": replaced("setups.csv", "factor,value\n",
                                "factor,value\nspring,Bo Burg,2,ride_height,5.4\n"),
    "logbook": written("logbooks/spring/Ann-Arbor.csv",
                       days.HEAD + "spring,Ann Arbor,1,,,5.4,,,\n"),
    "feel": written("feel.csv", "meeting,driver,run,rear_grip\nspring,Ann Arbor,1,2\n"),
    "laps": other_laps,
}  # fmt: skip


def name_of(folder: Path) -> str:
    return season_name(pipeline.open_team(folder).join().data)


@pytest.mark.parametrize("change", CHANGES)
def test_whatever_is_changed_the_kept_result_no_longer_counts(team: Path, change: str) -> None:
    before = name_of(team)
    assert before == name_of(team)
    CHANGES[change](team)
    if change == "feel" and "rear_grip" not in pipeline.open_team(team).join().data.runs:
        pytest.skip("feels are no part of the analysis")
    assert name_of(team) != before


def test_options_and_the_tools_code_count(
    team: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = pipeline.open_team(team).join().data
    names = {season_name(data), season_name(data, alone=True), season_name(data, name="2026")}
    assert len(names) == 3
    assert season_name(data, alone=False, name=None, without=()) == season_name(data)
    from pipeline.tables import digest

    (tmp_path / "code.py").write_text("changed = True\n")
    monkeypatch.setattr(digest, "PACKAGE", tmp_path)
    digest._tool.cache_clear()
    try:
        names |= {season_name(data)}
        monkeypatch.setattr("importlib.metadata.version", lambda name: "0.0")
        digest._tool.cache_clear()
        names |= {season_name(data)}
    finally:
        digest._tool.cache_clear()
    assert len(names) == 5


def season(folder: Path, **options: Any) -> TeamSeason:
    return pipeline.open_team(folder).season(**options)


def assert_same(one: TeamSeason, other: TeamSeason) -> None:
    """The same tables to the last digit, the same words."""
    ours, theirs = kept_results.replace(one.result, timings={}), other.result
    assert packed.pack(ours) == packed.pack(kept_results.replace(theirs, timings={}))


@pytest.mark.slow
def test_what_is_kept_is_what_is_made_anew(team: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert not (team / FOLDER).exists()
    season(team)
    assert not (team / FOLDER).exists()  # nothing is written unasked
    first = season(team, keep=True)
    assert [path.stem for path in (team / FOLDER).iterdir()] == [name_of(team)]
    monkeypatch.setattr("pipeline.models.season.estimate", None)
    again = season(team)  # nothing is fitted
    assert_same(first, again)
    monkeypatch.undo()
    fresh = season(team, fresh=True)
    assert_same(fresh, again)
    for _, table in fresh.decisions.tables():
        assert isinstance(table, pd.DataFrame)
    CHANGES["setting"](team)
    changed = season(team, keep=True)
    assert_same(changed, season(team, fresh=True))
    assert not changed.effects.equals(first.effects)


@pytest.mark.slow
def test_the_commands_say_and_write_the_same(team: Path, tmp_path: Path) -> None:
    def said(*call: object) -> str:
        done = run("--team", team, *call)
        assert done.status == 0, done.err
        return done.out.replace(str(tmp_path), "")

    def files(folder: Path) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in folder.iterdir() if path.suffix}

    calls = {
        "season": ["season", "--out", tmp_path / "out"],
        "share": ["share", "--all", "--out", tmp_path / "out"],
        "guide": ["share", "--guide", "--out", tmp_path / "out"],
        "choose": ["choose", "--json"],
        "plan": ["plan", "--factor", "rear_bar", "--drivers", "2", "--runs", "6", "--json"],
    }
    first = {name: said(*call) for name, call in calls.items()}
    before = files(tmp_path / "out")
    shutil.rmtree(tmp_path / "out")
    assert {name: said(*call) for name, call in calls.items()} == first
    assert files(tmp_path / "out") == before
    shutil.rmtree(tmp_path / "out")
    assert {name: said(*call, "--fresh") for name, call in calls.items()} == first
    assert files(tmp_path / "out") == before


@pytest.mark.parametrize("place", [0, 70, -10])
def test_what_was_damaged_is_not_read(tmp_path: Path, place: int) -> None:
    keep(tmp_path, "season-a", b"content of a result" * 9)
    assert kept(tmp_path, "season-a") == b"content of a result" * 9
    path = tmp_path / FOLDER / "season-a.kept"
    raw = bytearray(path.read_bytes())
    raw[place] ^= 1
    path.write_bytes(raw)
    assert kept(tmp_path, "season-a") is None
    path.write_bytes(raw[:40])
    assert kept(tmp_path, "season-a") is None


def test_what_is_no_result_is_not_taken_for_one(tmp_path: Path) -> None:
    for content in (b"", b"no zip", packed.pack(load_team_of(tmp_path / "team"))):
        keep(tmp_path, "season-a", content)
        assert kept_results.kept_season(tmp_path, "season-a") is None


@dataclass(frozen=True)
class Strange:
    held: object


def load_team_of(folder: Path) -> Strange:
    """A record that is none of a season's."""
    return Strange((str(load_team(days.day(folder, starts=(), kept="")).folder), {"a": 1.5}))


def test_only_so_many_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(MOST_FILES + 5):
        keep(tmp_path, f"season-{number}", b"x" * 100)
    stray = tmp_path / FOLDER / ".season-0.kept.00aa"
    stray.write_bytes(b"half")
    assert len(list((tmp_path / FOLDER).glob("*.kept"))) == MOST_FILES
    assert kept(tmp_path, f"season-{MOST_FILES + 4}") and not kept(tmp_path, "season-0")
    monkeypatch.setattr("pipeline.store.results.MOST_BYTES", 400)
    monkeypatch.setattr("pipeline.store.results._STALE_S", -1.0)
    keep(tmp_path, "season-last", b"x" * 100)
    left = [path.name for path in (tmp_path / FOLDER).iterdir()]
    assert "season-last.kept" in left and len(left) == 2


def test_a_store_that_cannot_be_written_keeps_nothing(tmp_path: Path) -> None:
    (tmp_path / "store").write_text("a file where the folder should be")
    keep(tmp_path, "season-a", b"content")
    assert kept(tmp_path, "season-a") is None


def test_commands_at_once_do_not_meet(tmp_path: Path) -> None:
    """Each reads whole content or none, whoever writes and removes meanwhile."""
    whole = {bytes([65 + who]) * 50_000 for who in range(4)}
    wrong: list[bytes] = []

    def work(content: bytes) -> None:
        for number in range(30):
            keep(tmp_path, "season-shared", content)
            keep(tmp_path, f"season-{content[:1].decode()}-{number}", content)
            found = kept(tmp_path, "season-shared")
            if found is not None and found not in whole:
                wrong.append(found[:20])

    threads = [threading.Thread(target=work, args=(content,)) for content in sorted(whole)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not wrong and kept(tmp_path, "season-shared") in whole


def test_a_digest_tells_apart_what_is_different() -> None:
    frame = pd.DataFrame({"a": [1, 2], "b": ["x", None]})

    def named(bound: float) -> Callable[[], float]:
        return lambda: bound

    different = [
        ("ab", "c"), ("a", "bc"), 1, 1.0, "1", True, None, (), {}, {"a": 1}, {"a": 2},
        frame, frame.rename(columns={"a": "c"}), frame.iloc[::-1], frame.astype({"a": float}),
        np.arange(3), np.arange(3.0), named(1.0), named(2.0), partial(named, 1.0),
        partial(named, bound=1.0), Strange(1), Strange(2), Strange(Strange(1)),
    ]  # fmt: skip
    names = [digest_of(one) for one in different]
    assert len(set(names)) == len(different)
    assert names[-4:] == [digest_of(one) for one in different[-4:]]
    with pytest.raises(TypeError, match="nothing to go by"):
        digest_of(Strange(object()))


def test_a_record_comes_back_as_it_was() -> None:
    table = pd.DataFrame({
        "text": pd.Series(["a", None, "b"], dtype="str"), "number": [0.1, np.nan, -np.inf],
        "count": pd.array([1, None, 3], dtype="Int64"), "sure": [True, False, True],
    })  # fmt: skip
    held = (table, table.iloc[:0], {"x": 0.1 + 0.2, "y": (None, "ü", Strange(np.float64(2.5)))})
    back = packed.unpack(packed.pack(Strange(held)), [Strange])
    pd.testing.assert_frame_equal(back.held[0], table, check_exact=True)
    pd.testing.assert_frame_equal(back.held[1], table.iloc[:0])
    assert back.held[2] == held[2]
    for strange in (object(), {1, 2}, datetime.date(2026, 1, 1)):
        with pytest.raises(TypeError, match="cannot be packed"):
            packed.pack(Strange(strange))
    mixed = pd.DataFrame({"a": [1, "x"]}, dtype=object)
    with pytest.raises(ValueError, match=r"."):
        packed.pack(Strange(mixed))
    with pytest.raises(ValueError, match="not a packed record"):
        packed.unpack(packed.pack(Strange(1)), [])
