"""imports.toml: what was said once about an export outlives the store."""

import shutil
import tomllib

import pytest

from pipeline.errors import UserError
from pipeline.store.importing import ImportCall, import_exports, undo
from pipeline.store.parquet import open_store
from pipeline.team.folder import load_team
from tests.exports import CARS, laps_csv
from tests.folders import team_folder
from tests.test_store import content


@pytest.fixture
def folder(tmp_path):
    team_folder(tmp_path / "team")
    for name, slower in (("a", 0.0), ("b", 0.25)):
        cars = {car: [lap + slower for lap in laps] for car, laps in CARS.items()}
        path = laps_csv(tmp_path / f"team/exports/spring/{name}.csv", cars)
        path.write_text(path.read_text().split("\n", 1)[1])
    return tmp_path / "team"


def take(folder, *paths, **options):
    paths = paths or (folder / "exports/spring",)
    return import_exports(load_team(folder), ImportCall(paths, "spring", **options))


def test_options_of_a_file_hold_when_the_store_is_made_anew(folder):
    take(folder, folder / "exports/spring/a.csv", session="Qualifying 2", start="13:45")
    take(folder, folder / "exports/spring/b.csv", session='A "main"', start="15:00")
    before = content(open_store(folder))
    assert take(folder).nothing_new
    shutil.rmtree(folder / "store")
    take(folder)
    assert content(open_store(folder)) == before
    assert set(open_store(folder).read("laps")["session"]) == {"Qualifying 2", 'A "main"'}


def test_they_follow_a_file_that_was_given_another_name(folder):
    take(folder, folder / "exports/spring/a.csv", session="Qualifying 2", start="13:45")
    (folder / "exports/spring/a.csv").rename(folder / "exports/spring/z.csv")
    shutil.rmtree(folder / "store")
    take(folder)
    assert set(open_store(folder).read("laps")["session"]) == {"Qualifying 2", "b"}


def test_a_later_word_counts_and_what_it_does_not_say_stays(folder):
    a = folder / "exports/spring/a.csv"
    take(folder, a, session="Qualifying 2", start="13:45")
    take(folder, a, start="14:00")
    sessions = open_store(folder).read("sessions")
    assert sessions["session"].to_list() == ["Qualifying 2"]
    assert str(sessions["start"].iloc[0]) == "2026-04-18 12:00:00+00:00"
    (entry,) = tomllib.loads((folder / "imports.toml").read_text())["file"]
    assert (entry["session"], entry["start"]) == ("Qualifying 2", "14:00")


def test_undo_forgets_them(folder):
    a = folder / "exports/spring/a.csv"
    take(folder, a, session="Qualifying 2")
    undo(load_team(folder), [a], "spring")
    take(folder, a)
    assert set(open_store(folder).read("laps")["session"]) == {"a"}


def test_a_person_may_edit_the_file(folder):
    a = folder / "exports/spring/a.csv"
    take(folder, a, session="Qualifying 2")
    path = folder / "imports.toml"
    text = path.read_text().replace("Qualifying 2", "Qualifying 3") + "# remember the tyres\n"
    path.write_text(text)
    take(folder, a)
    assert set(open_store(folder).read("laps")["session"]) == {"Qualifying 3"}
    take(folder, folder / "exports/spring/b.csv", session="Final")
    assert "# remember the tyres" in path.read_text()


def test_nothing_said_nothing_written(folder):
    take(folder)
    assert not (folder / "imports.toml").exists()
    take(folder, session="x", dry_run=True)
    assert not (folder / "imports.toml").exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[file]\n", "line 1"),
        ("[[file]]\nsource = 3\n", "line 2, column 'source': found 3; expected text"),
        ('[[file]]\nsource = "a"\nsesion = "x"\n', "Did you mean 'session'"),
        ('[[header]]\nfingerprint = "f"\nmap = "x"\n', "line 3, column 'map'"),
        ('[[file]]\nsource = "exports/spring/a.csv"\nlayout = "circle"\n', "'circle'"),
        ("[files]\n", "'files'"),
    ],
)
def test_a_faulty_file_is_named_with_its_line(folder, text, said):
    (folder / "imports.toml").write_text(text)
    with pytest.raises(UserError, match=r"imports\.toml") as caught:
        take(folder)
    assert said in str(caught.value)
    assert not (folder / "store").exists()


def test_names_of_any_kind_come_back_as_they_were(folder):
    for number, name in enumerate(['a "b" \\ c', "ü 時 🏁", "x\x7fy", "[[file]]", "'; #"]):
        path = laps_csv(folder / f"exports/spring/n{number}.csv", CARS, "12:00:00")
        take(folder, path, session=name, dry_run=False)
        entries = tomllib.loads((folder / "imports.toml").read_text("utf-8"))["file"]
        assert entries[-1]["session"] == name
