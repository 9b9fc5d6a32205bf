import dataclasses
import json
import threading

import pandas as pd
import pyarrow.dataset
import pytest

from pipeline.errors import UserError
from pipeline.store.parquet import Store, file_stem
from pipeline.store.records import lettered_stem
from pipeline.tables.schema import LAPS, SESSIONS, SET_ASIDE
from tests.laps import heat, stored

CARS = {"101 Ann": [18.0, 16.0, 16.1], "7 Cy": [19.0, 17.0]}


def content(store):
    """Every file of the store but the lock."""
    files = [path for path in store.folder.rglob("*") if path.is_file() and path.name != ".lock"]
    return {path.relative_to(store.folder).as_posix(): path.read_bytes() for path in files}


def test_what_goes_in_comes_out(tmp_path):
    q1 = heat("Q1", "10:00", CARS)
    store = stored(tmp_path, q1)
    pd.testing.assert_frame_equal(LAPS.conform(store.read("laps")), q1.laps)
    pd.testing.assert_frame_equal(SET_ASIDE.conform(store.read("set_aside")), q1.set_aside)
    pd.testing.assert_frame_equal(SESSIONS.conform(store.read("sessions")), q1.sessions)
    assert store.meetings() == ["spring"]
    assert store.imports("spring") == list(q1.records)


def test_any_parquet_reader_sees_one_data_set(tmp_path):
    store = stored(tmp_path, heat("Q1", "10:00", CARS), heat("P1", None, CARS, meeting="summer"))
    whole = pyarrow.dataset.dataset(store.folder / "laps").to_table()
    assert whole.num_rows == 10
    assert whole.schema.equals(LAPS.arrow())


def test_only_the_wanted_meetings_and_columns_are_read(tmp_path):
    store = stored(tmp_path, heat("Q1", "10:00", CARS), heat("P1", None, CARS, meeting="summer"))
    (store.folder / "laps" / "summer.parquet").write_bytes(b"broken")
    found = store.read("laps", ["spring", "never"], ["lap_s"])
    assert found.columns.to_list() == ["lap_s"]
    assert len(found) == 5
    with pytest.raises(UserError, match=r"summer\.parquet of the store cannot be read"):
        store.read("laps")


def test_an_empty_store_reads_as_no_rows(tmp_path):
    store = Store(tmp_path / "store")
    assert store.read("laps").columns.to_list() == LAPS.names
    assert store.read("laps", columns=["lap"]).columns.to_list() == ["lap"]
    assert store.meetings() == store.imports("spring") == store.all_imports() == []
    assert store.remove("spring") == []
    assert not (tmp_path / "store" / "laps").exists()


def test_a_corrected_file_replaces_what_the_old_one_brought(tmp_path):
    store = stored(tmp_path, heat("Q1", "10:00", CARS), heat("Q2", "11:00", CARS))
    store.put("spring", heat("Q1", "10:00", {"101 Ann": [18.0, 16.5]}))
    laps = store.read("laps")
    assert laps.groupby("session").size().to_dict() == {"Q1": 2, "Q2": 5}
    assert len(store.read("set_aside")) == len(store.read("sessions")) == 2


def test_the_order_of_imports_does_not_matter(tmp_path):
    q1, q2 = heat("Q1", "10:00", CARS), heat("Q2", "11:00", CARS)
    one, other = stored(tmp_path / "a", q1, q2), stored(tmp_path / "b", q2, q1, q2)
    assert content(one) == content(other)


def test_taking_out_is_the_opposite_of_putting_in(tmp_path):
    q1, q2 = heat("Q1", "10:00", CARS), heat("Q2", "11:00", CARS)
    store = stored(tmp_path / "a", q1, q2)
    assert store.remove("spring", [q2.records[0].source]) == list(q2.records)
    assert content(store) == content(stored(tmp_path / "b", q1))
    assert store.remove("spring") == list(q1.records)
    assert content(store) == {}


@pytest.mark.parametrize(
    "name",
    ["../../etc/passwd", "a/b", "a\\b", "con", "NUL.txt", "", ".", "..", " x ", "x.", "-x",
     "Große Runde", "第1戦", "<script>", "=HYPERLINK()", "a\nb", "a" * 300, "x:y", "x?*"],
)  # fmt: skip
def test_hostile_names_of_meetings_stay_inside_the_store(tmp_path, name):
    stem = file_stem(name)
    assert stem.replace("-", "").replace(".", "").replace("_", "").isalnum()
    assert stem.isascii()
    assert len(stem) <= 60
    store = stored(tmp_path / "team", heat("Q1", "10:00", CARS, meeting=name))
    assert store.meetings() == [name]
    assert set(store.read("laps", [name])["meeting"]) == {name}
    assert [path.name for path in tmp_path.iterdir()] == ["team"]
    assert sorted(p.name for p in (tmp_path / "team" / "store").iterdir()) == [
        ".lock", "imports", "laps", "sessions", "set_aside",
    ]  # fmt: skip


def test_names_that_differ_have_files_that_differ():
    names = ["a/b", "a-b", "a b", "A/B", "spring", "con"]
    assert len({file_stem(name).casefold() for name in names}) == len(names)
    assert file_stem("spring-round_1.2") == "spring-round_1.2"


def test_a_broken_record_is_one_clear_message(tmp_path):
    store = stored(tmp_path, heat("Q1", "10:00", CARS))
    (store.folder / "imports" / "spring.json").write_text("{")
    with pytest.raises(UserError, match="import the exports again"):
        store.meetings()


def test_a_store_that_cannot_be_made_is_one_clear_message(tmp_path):
    (tmp_path / "store").write_text("in the way")
    with pytest.raises(UserError, match="cannot be written"):
        stored(tmp_path, heat("Q1", "10:00", CARS))


def test_a_wrong_table_changes_nothing(tmp_path):
    q1 = heat("Q1", "10:00", CARS)
    store = stored(tmp_path, q1)
    before = content(store)
    wrong = dataclasses.replace(q1, laps=q1.laps.assign(status="fast"))
    with pytest.raises(ValueError, match="fast"):
        store.put("spring", wrong)
    assert content(store) == before


def test_imports_at_once_all_arrive(tmp_path):
    heats = [heat(f"Q{n}", "10:00", CARS) for n in range(8)]
    store = Store(tmp_path / "store")
    threads = [threading.Thread(target=store.put, args=("spring", each)) for each in heats]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(store.read("laps")) == 40
    assert content(store) == content(stored(tmp_path / "one", *heats))


def test_an_interrupted_move_is_finished_by_the_next_reader(tmp_path):
    """As a process leaves it that dies between two moves after the commit."""
    before = stored(tmp_path / "a", heat("Q1", "10:00", CARS))
    after = stored(tmp_path / "b", heat("Q1", "10:00", CARS), heat("Q2", "11:00", CARS))
    new, commit = content(after), before.folder / ".commit"
    commit.mkdir()
    targets = sorted(new)
    (commit / "moves.json").write_text(json.dumps({"move": targets, "remove": []}))
    for number, target in enumerate(targets):
        moved = number < 2
        place = before.folder / target if moved else commit / str(number)
        place.write_bytes(new[target])
    assert len(before.read("laps")) == 10
    assert content(before) == new


@pytest.mark.parametrize(
    ("name", "start"),
    [
        ("Jürgen Öhlmann", "Jürgen-Öhlmann-"),
        ("Ju\u0308rgen O\u0308hlmann", "Jürgen-Öhlmann-"),
        ("山田 太郎", "山田-太郎-"),
        ("../Ann/Arbor", "Ann-Arbor-"),
        ("Ann", "Ann"),
        ("con", "con-"),
    ],
)
def test_a_driver_s_file_keeps_the_letters_of_the_name(name, start):
    assert lettered_stem(name).startswith(start)


def test_letters_that_the_file_system_cannot_hold_are_left_out(monkeypatch):
    monkeypatch.setattr("os.fsencode", lambda name: name.encode("ascii"))
    assert lettered_stem("Jürgen Öhlmann") == file_stem("Jürgen Öhlmann")
