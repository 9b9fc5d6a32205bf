"""The commands on the demo team: files, words, exit statuses, and nobody else's data."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import html5lib
import pandas as pd
import pytest

from pipeline.store.parquet import open_store
from pipeline.store.records import lettered_stem
from pipeline.tables.schema import EFFECTS, GRIP, RUNS
from pipeline.team.folder import load_team
from tests.commands import Said, run

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Said]]:
    """The demo's folder, and what it said."""
    folder = tmp_path_factory.mktemp("demo") / "team"
    yield folder, run("demo", "--out", str(folder))


def test_the_demo_ends_with_the_report(demo: tuple[Path, Said]) -> None:
    folder, said = demo
    assert said.status == 0, said.err
    last = Path(said.out.splitlines()[-1].removeprefix("Season's report: "))
    assert last == (folder / "reports" / "season" / "index.html").resolve()
    assert last.read_text("utf-8").startswith("<!doctype html>")
    assert "High grip: three to fit" in said.out
    assert "set aside" in said.err and "Traceback" not in said.err


def test_the_result_tables_have_the_promised_columns(demo: tuple[Path, Said]) -> None:
    folder, _ = demo
    out = folder / "reports" / "season"
    with (out / "effects.csv").open(encoding="utf-8", newline="") as file:
        written = list(csv.reader(file))
    effects = pd.read_parquet(out / "effects.parquet")
    assert written[0] == EFFECTS.names == list(effects.columns)
    assert len(written) - 1 == len(effects) > 50
    runs = pd.read_parquet(out / "runs.parquet")
    factors = [factor.name for factor in load_team(folder).factors]
    assert list(runs.columns)[: len(RUNS.names) + len(factors)] == [*RUNS.names, *factors]
    assert list(pd.read_parquet(out / "grip.parquet").columns) == GRIP.names


def test_the_runs_beside_the_page_are_the_teams(demo: tuple[Path, Said]) -> None:
    """Pages get sent on with the folder they lie in: no file of it names a rival."""
    folder, _ = demo
    out, team = folder / "reports" / "season", load_team(folder).team_drivers
    assert set(pd.read_parquet(out / "runs.parquet")["driver"]) == set(team)
    rivals = set(everybody(folder)) - set(team)
    assert len(rivals) > 30
    for file in (p for p in out.iterdir() if p.suffix != ".parquet"):
        text = file.read_text("utf-8")
        assert [name for name in rivals if name in text] == []


def test_refused_contrasts_have_rows_without_numbers(demo: tuple[Path, Said]) -> None:
    effects = pd.read_parquet(demo[0] / "reports" / "season" / "effects.parquet")
    refused = effects[effects["verdict"] == "not separable"]
    numbers = ["estimate", "std_error", "df", "ci_low", "ci_high", "p_value", "q_value"]
    assert len(refused) and refused[numbers].isna().all(axis=None)


def numbers_in(frame: pd.DataFrame) -> set[str]:
    values = [frame[c].dropna().astype(float) for c in frame.select_dtypes("number")]
    return {f"{v:.6g}" for column in values for v in column}


def test_each_effect_of_the_page_is_in_effects_csv(demo: tuple[Path, Said]) -> None:
    out = demo[0] / "reports" / "season"
    known = numbers_in(pd.read_csv(out / "effects.csv"))
    tree = html5lib.parse((out / "index.html").read_text("utf-8"), namespaceHTMLElements=False)
    shown: list[str] = []
    for table in tree.iter("table"):
        if table.get("id", "").startswith(("effects", "options-", "race-data", "trade")):
            shown += [v for e in table.iter() for v in (e.get("data-value") or "").split()]
    assert len(shown) > 200
    assert [value for value in shown if value not in known] == []


def everybody(folder: Path) -> dict[str, set[str]]:
    """Driver (as drivers.csv or the export says) → names and transponders in any export."""
    team = load_team(folder)
    found: dict[str, set[str]] = {}
    laps = open_store(folder).read("laps", columns=["driver", "transponder", "name_as_given"])
    for row in laps.drop_duplicates().itertuples(index=False):
        words = {w for w in (row.transponder, row.name_as_given) if isinstance(w, str)}
        found.setdefault(row.driver, {row.driver}).update(words)
    for row in team.drivers.itertuples(index=False):
        found.setdefault(row.driver, {row.driver}).add(row.transponder)
    return found


def test_a_drivers_file_names_nobody_else(demo: tuple[Path, Said]) -> None:
    folder, _ = demo
    team, people = load_team(folder), everybody(folder)
    drivers = team.team_drivers
    files = sorted((folder / "reports" / "share").glob("*.html"))
    assert [f.stem for f in files] == sorted(map(lettered_stem, drivers))
    assert len(people) > 30
    for driver in drivers:
        content = (folder / "reports" / "share" / f"{lettered_stem(driver)}.html").read_bytes()
        assert driver.encode() in content and len(content) < 1_500_000
        allowed = {driver, *(d for d in drivers if team.shares(d))}
        hidden = {w for name, words in people.items() if name not in allowed for w in words}
        numbers = {w for words in people.values() for w in words if w.isdigit()}
        leaked = [w for w in (hidden | numbers) - allowed if w and w.encode() in content]
        assert leaked == []


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["season", "--class", "nonsense"], 2, "no class 'nonsense'"),
        (["season", "--class", "touring", "--strict"], 1, "with --strict"),
        (["meeting", "nowhere", "--class", "touring"], 2, "no meeting 'nowhere'"),
        (["share", "--class", "touring"], 2, "--driver NAME or --all"),
        (["share", "--driver", "Nobody", "--class", "touring"], 2, "no team driver 'Nobody'"),
    ],
)
def test_wrong_calls_say_what_is_wrong(
    demo: tuple[Path, Said], arguments: list[str], status: int, words: str
) -> None:
    said = run("--team", str(demo[0]), *arguments)
    assert (said.status, said.out) == (status, "")
    assert words in said.err and "Traceback" not in said.err


def test_a_meeting_in_any_case_and_folder(demo: tuple[Path, Said], tmp_path: Path) -> None:
    arguments = ["meeting", "AUTUMN-opener", "--class", "touring", "--out", str(tmp_path)]
    said = run("--team", str(demo[0]), *arguments)
    assert said.status == 0, said.err
    assert said.out.splitlines()[-1] == f"Run sheet: {tmp_path / 'autumn-opener.html'}"
    page = (tmp_path / "autumn-opener.html").read_text("utf-8")
    rivals = set(everybody(demo[0])) - set(load_team(demo[0]).team_drivers)
    assert [name for name in rivals if name in page] == []


def test_the_demo_does_not_overwrite_what_is_not_its_own(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    said = run("demo", "--out", str(tmp_path))
    assert said.status == 2 and "holds something else" in said.err
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_without_a_team_folder(tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.chdir(tmp_path)
    for arguments in (["season"], ["meeting", "x"], ["share", "--all"]):
        said = run(*arguments)
        assert said.status == 1 and "team.toml" in said.err
    assert list(tmp_path.iterdir()) == []
