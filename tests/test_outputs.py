"""What the tool writes: sets as a whole, nothing of a person's, no link out, the user's mask."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.tables import outputs
from pipeline.tables.moment import recording
from pipeline.tables.outputs import LIST, write_files

SET = {"a.csv": b"one", "b.html": b"<p>two", "in/c.csv": b"three"}
PAGE = b'<!doctype html>\n<meta name="generator" content="backtoback">\n<p>'


def found(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != LIST
    }


def test_a_set_is_written_and_replaced(tmp_path: Path) -> None:
    paths = write_files(tmp_path / "new" / "out", SET)
    assert [path.relative_to(tmp_path / "new/out").as_posix() for path in paths] == list(SET)
    assert found(tmp_path / "new/out") == SET
    again = {name: raw + b" again" for name, raw in SET.items()}
    write_files(tmp_path / "new/out", again)
    assert found(tmp_path / "new/out") == again


@pytest.mark.parametrize("fails", range(8))
def test_a_set_that_cannot_be_written_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: int
) -> None:
    """The disk fills up, or a move fails, at each step in turn."""
    write_files(tmp_path, {"a.csv": b"old", "b.html": b"old"})
    before = {**found(tmp_path), LIST: (tmp_path / LIST).read_bytes()}
    steps = iter(range(100))

    def failing(step):  # type: ignore[no-untyped-def]
        def call(*arguments):  # type: ignore[no-untyped-def]
            if next(steps) == fails:
                raise OSError(28, "No space left on device", "somewhere")
            return step(*arguments)

        return call

    monkeypatch.setattr(outputs, "_write", failing(outputs._write))
    monkeypatch.setattr(Path, "replace", failing(Path.replace))
    with recording() as places, pytest.raises(UserError, match="the disk is full; nothing was wr"):
        write_files(tmp_path, SET)
    monkeypatch.undo()
    assert {**found(tmp_path), LIST: (tmp_path / LIST).read_bytes()} == before
    assert not (tmp_path / "in").exists() and places == []


def test_what_counts_is_known_to_the_command(tmp_path: Path) -> None:
    with recording() as places:
        write_files(tmp_path / "out", SET)
    assert places == [str(tmp_path / "out")]


@pytest.mark.parametrize("name", SET)
def test_a_persons_file_is_left_alone(tmp_path: Path, name: str) -> None:
    (tmp_path / name).parent.mkdir(exist_ok=True)
    (tmp_path / name).write_text("mine")
    with pytest.raises(UserError, match="not made by backtoback, or changed since"):
        write_files(tmp_path, SET)
    assert found(tmp_path) == {name: b"mine"}
    write_files(tmp_path, SET, force=True)
    assert found(tmp_path) == SET


def test_a_file_of_the_tool_that_was_changed_is_a_persons(tmp_path: Path) -> None:
    write_files(tmp_path, {"b.html": PAGE, "a.csv": b"1"})
    (tmp_path / "b.html").write_bytes(PAGE + b"with a note of mine")
    with pytest.raises(UserError, match=r"b\.html"):
        write_files(tmp_path, {"b.html": PAGE, "a.csv": b"2"})
    assert (tmp_path / "a.csv").read_bytes() == b"1"


def test_pages_without_a_list_are_known_by_their_generator(tmp_path: Path) -> None:
    (tmp_path / "b.html").write_bytes(PAGE)
    (tmp_path / "other.html").write_bytes(b"<meta name='generator' content='something else'>")
    write_files(tmp_path, {"b.html": b"new"})
    with pytest.raises(UserError, match=r"other\.html"):
        write_files(tmp_path, {"other.html": b"new"})


def test_a_list_of_someone_elses_is_a_persons_file(tmp_path: Path) -> None:
    (tmp_path / LIST).write_text("shopping")
    with pytest.raises(UserError, match="backtoback"):
        write_files(tmp_path, SET)
    assert (tmp_path / LIST).read_text() == "shopping"
    write_files(tmp_path, SET, force=True)
    assert found(tmp_path) == SET


def test_the_list_outlives_a_stop_between_two_moves(tmp_path: Path) -> None:
    """The list goes first, so a set that a power cut tore is still the tool's own."""
    write_files(tmp_path, {"a.csv": b"old", "b.csv": b"old"})
    entries = outputs._new_list(
        tmp_path, {"a.csv": b"new", "b.csv": b"new"}, outputs._read_list(tmp_path)
    )
    (tmp_path / LIST).write_bytes(entries)
    (tmp_path / "a.csv").write_bytes(b"new")
    write_files(tmp_path, {"a.csv": b"newer", "b.csv": b"newer"})
    assert found(tmp_path) == {"a.csv": b"newer", "b.csv": b"newer"}
    names = [each["name"] for each in json.loads((tmp_path / LIST).read_text())["files"]]
    assert sorted(names) == ["a.csv", "a.csv", "b.csv", "b.csv"]


@pytest.mark.parametrize("link", ["reports", "reports/season"])
def test_no_link_leads_out_of_the_team_folder(tmp_path: Path, link: str) -> None:
    team, elsewhere = tmp_path / "team", tmp_path / "elsewhere"
    (team / link).parent.mkdir(parents=True)
    elsewhere.mkdir()
    (team / "team.toml").write_text("")
    (team / link).symlink_to(elsewhere)
    with pytest.raises(UserError, match="leads out of the team folder by a link"):
        write_files(team / "reports" / "season", SET, force=True)
    assert list(elsewhere.iterdir()) == []


def test_links_inside_and_to_the_team_folder_are_followed(tmp_path: Path) -> None:
    team = tmp_path / "real"
    (team / "kept").mkdir(parents=True)
    (team / "team.toml").write_text("")
    (team / "reports").symlink_to(team / "kept")
    (tmp_path / "team").symlink_to(team)
    write_files(tmp_path / "team" / "reports" / "season", SET)
    assert found(team / "kept" / "season") == SET


def test_a_link_in_place_of_a_file_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "precious").write_text("mine")
    out = tmp_path / "out"
    out.mkdir()
    (out / "a.csv").symlink_to(tmp_path / "precious")
    with pytest.raises(UserError, match=r"a\.csv"):
        write_files(out, SET)
    write_files(out, SET, force=True)
    assert (tmp_path / "precious").read_text() == "mine" and not (out / "a.csv").is_symlink()


@pytest.mark.skipif(os.name == "nt", reason="a mask of rights is a matter of POSIX")
@pytest.mark.parametrize(("mask", "rights"), [(0o077, 0o600), (0o027, 0o640), (0o022, 0o644)])
def test_the_users_mask_is_respected(tmp_path: Path, mask: int, rights: int) -> None:
    before = os.umask(mask)
    try:
        write_files(tmp_path / "out", SET)
        write_files(tmp_path / "out", SET)
    finally:
        os.umask(before)
    for path in (tmp_path / "out").rglob("*"):
        more = 0o111 & ~mask if path.is_dir() else 0
        assert path.stat().st_mode & 0o777 == rights | more, path
