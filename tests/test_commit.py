"""Records of unfinished changes are looked at before anything is moved, whoever wrote them."""

import json
import os
from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.store.commit import change, locked, settle

FORGED = {
    "up and out": {"move": ["../../outside.csv"], "remove": []},
    "an absolute path": {"move": ["{outside}"], "remove": []},
    "something outside removed": {"move": [], "remove": ["../../outside.csv"]},
    "in and out again": {"move": [], "remove": ["laps/../../../outside.csv"]},
    "a folder moved in": {"move": [], "remove": [], "rename": [["../../outside.csv", "laps"]]},
    "a folder moved out": {"move": [], "remove": [], "rename": [["../team.toml", "../../x"]]},
    "the team folder itself": {"move": [".."], "remove": []},
    "no list": {"move": "laps/spring.parquet", "remove": []},
    "no names": {"move": [1, None], "remove": []},
    "no object": ["laps/spring.parquet"],
    "nothing": {},
    "no path": {"move": ["laps/\0x"], "remove": []},
    "no text": {"move": ["laps/\ud800"], "remove": []},
}


@pytest.fixture
def store(tmp_path):
    folder = tmp_path / "team/store"
    (folder / "laps").mkdir(parents=True)
    (folder.parent / "team.toml").write_text("as it was")
    (tmp_path / "outside.csv").write_text("as it was")
    return folder


def forged(store, moves, staged="new"):
    commit = store / ".commit"
    commit.mkdir()
    text = json.dumps(moves).replace("{outside}", str(store.parents[1] / "outside.csv"))
    (commit / "moves.json").write_text(text)
    (commit / "0").write_text(staged)


def everything(folder):
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != ".lock")
    return {path: path.read_text() for path in files}


@pytest.mark.parametrize("name", FORGED)
@pytest.mark.parametrize("where", ["absolute", "here"])
def test_no_record_touches_what_lies_outside_the_team_folder(store, name, where, monkeypatch):
    forged(store, FORGED[name])
    before = everything(store.parents[1])
    monkeypatch.chdir(store.parent)
    folder = store if where == "absolute" else Path("store")
    for opens in (settle, take_lock):
        with pytest.raises(UserError, match=r"\.commit'.* nothing was changed\. Remove it"):
            opens(folder)
    assert everything(store.parents[1]) == before


def take_lock(store):
    with locked(store):
        pass


@pytest.mark.parametrize("raw", [b"\xff{", b"", b"[" * 200_000, b"null"])
def test_a_record_that_is_no_json_is_one_message(store, raw):
    forged(store, {})
    (store / ".commit/moves.json").write_bytes(raw)
    with pytest.raises(UserError, match="Remove it"):
        settle(store)


def test_links_lead_no_record_out(store, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (store / "sessions").symlink_to(tmp_path / "elsewhere")
    forged(store, {"move": ["sessions/x"], "remove": []})
    with pytest.raises(UserError, match="is a link to another place"):
        settle(store)
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_a_record_that_is_a_link_is_not_followed(store, tmp_path):
    forged(store, {"move": ["laps/x"], "remove": []})
    (store / ".commit").rename(tmp_path / "planted")
    (store / ".commit").symlink_to(tmp_path / "planted")
    with pytest.raises(UserError, match="Remove it"):
        settle(store)
    assert not (store / "laps/x").exists()


def test_a_staged_link_is_not_moved_into_place(store, tmp_path):
    forged(store, {"move": ["laps/x"], "remove": []})
    (store / ".commit/0").unlink()
    (store / ".commit/0").symlink_to(tmp_path / "outside.csv")
    with pytest.raises(UserError, match="Remove it"):
        settle(store)
    assert not (store / "laps/x").is_symlink()


def test_a_store_that_is_a_link_is_not_written(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "team").mkdir()
    (tmp_path / "team/store").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(UserError, match="is a link to another place"):
        take_lock(tmp_path / "team/store")
    assert list((tmp_path / "elsewhere").iterdir()) == []


def write(text):
    return lambda path: path.write_text(text)


def test_a_change_reaches_the_team_folder_and_renames_folders(store):
    team = store.parent
    (team / "exports/old").mkdir(parents=True)
    (team / "exports/old/q1.csv").write_text("laps")
    (team / "setups.csv").write_text("old")
    with locked(store):
        change(
            store,
            {"../setups.csv": write("new"), "laps/x": write("x")},
            ["../team.toml"],
            [("../exports/old", "../exports/new")],
        )
    left = {path.relative_to(team).as_posix(): text for path, text in everything(team).items()}
    assert left == {"setups.csv": "new", "store/laps/x": "x", "exports/new/q1.csv": "laps"}


@pytest.mark.parametrize("done", range(4))
def test_a_rename_that_was_interrupted_is_finished(store, done):
    """As a process leaves it that dies after some of the steps."""
    team = store.parent
    (team / "exports").mkdir()
    moves = {"move": ["laps/x"], "remove": ["../team.toml"]}
    forged(store, {**moves, "rename": [["../exports/old", "../exports/new"]]})
    (team / "exports" / ("new" if done else "old")).mkdir()
    if done > 1:
        os.replace(store / ".commit/0", store / "laps/x")  # noqa: PTH105
    if done > 2:
        (team / "team.toml").unlink()
    settle(store)
    assert (store / "laps/x").read_text() == "new"
    assert [path.name for path in (team / "exports").iterdir()] == ["new"]
    assert not (team / "team.toml").exists()
    assert not (store / ".commit").exists()
