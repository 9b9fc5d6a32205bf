"""Several files of a team folder changed as one: all of them or none, whenever the process dies.

New files are written into `.new` of the store. Renaming that folder to `.commit` is the one moment
at which the change counts; after it the files are moved into place, and whoever opens the store
next finishes that if the process died in between. What such a record says is looked at first:
anybody may have put it there.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import UserError, system_words
from pipeline.tables.moment import counting

Writer = Callable[[Path], None]
_LOCK_SECONDS = 120.0
_LIST = "moves.json"


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the store's lock, with an unfinished change of someone else finished first.

    Raises UserError if another process holds it for two minutes, or it cannot be made.
    """
    from filelock import FileLock, Timeout

    _refuse_links(folder, [folder])
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with FileLock(folder / ".lock", timeout=_LOCK_SECONDS):
            _finish(folder)
            yield
    except Timeout:
        raise UserError(
            f"another import is still writing to '{folder}'; nothing was changed. Try again when "
            "it has ended"
        ) from None
    except OSError as error:
        raise UserError(f"the store cannot be written: {system_words(error)}") from None


@dataclass(frozen=True)
class _Moves:
    """Paths below the store, or by '../' in the team folder about it.

    move: the targets of the staged files 0, 1, …; remove: files that go; rename: folders (from,
    to), before anything else.
    """

    move: list[str]
    remove: list[str]
    rename: list[tuple[str, str]]

    def paths(self) -> list[str]:
        return [*self.move, *self.remove, *(name for pair in self.rename for name in pair)]


def change(
    folder: Path,
    write: Mapping[str, Writer],
    remove: Iterable[str] = (),
    rename: Iterable[tuple[str, str]] = (),
) -> None:
    """Write, remove and rename files of a store and its team folder as one change.

    The lock must be held. `write` maps a path (see _Moves) to a function that makes that file.
    """
    moves = _Moves(list(write), list(remove), list(rename))
    _refuse_links(folder, [_place(folder, path) for path in moves.paths()])
    staged = folder / ".new"
    shutil.rmtree(staged, ignore_errors=True)
    try:
        _stage(staged, moves, write.values())
        with counting(folder):
            staged.rename(folder / ".commit")
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    _flush(folder)
    _finish(folder)


def _stage(staged: Path, moves: _Moves, writers: Iterable[Writer]) -> None:
    staged.mkdir()
    for number, writer in enumerate(writers):
        writer(staged / str(number))
        _flush(staged / str(number))
    (staged / _LIST).write_text(json.dumps(asdict(moves)))
    _flush(staged / _LIST)
    _flush(staged)


def settle(folder: Path) -> None:
    """Before reading: finish a change that counts but whose files are not all in place."""
    if os.path.lexists(folder / ".commit"):
        with locked(folder):
            pass


def _finish(folder: Path) -> None:
    """Idempotent: a second call after any interruption ends in the same files."""
    commit = folder / ".commit"
    moves = _unfinished(folder)
    if moves is None:
        # Without the list, all moves of that change were made: it is the first thing to go.
        shutil.rmtree(commit, ignore_errors=True)
        return
    for old, new in moves.rename:
        if _place(folder, old).exists():
            _place(folder, old).rename(_place(folder, new))
    for number, path in enumerate(moves.move):
        target = _place(folder, path)
        target.parent.mkdir(exist_ok=True)
        if (commit / str(number)).exists():
            (commit / str(number)).replace(target)
    for path in moves.remove:
        _place(folder, path).unlink(missing_ok=True)
    for parent in {_place(folder, path).parent for path in moves.move}:
        _flush(parent)
    (commit / _LIST).unlink()
    shutil.rmtree(commit, ignore_errors=True)


def _unfinished(folder: Path) -> _Moves | None:
    """What is still to be moved; None for nothing.

    Raises UserError where the record is not of this module's making, or leads elsewhere.
    """
    commit = folder / ".commit"
    if commit.is_symlink() or any(path.is_symlink() for path in commit.glob("*")):
        raise _foreign(commit, "a link")
    try:
        raw = json.loads((commit / _LIST).read_text("utf-8"))
        moves = _Moves(
            _texts(raw["move"]),
            _texts(raw["remove"]),
            [(old, new) for old, new in map(_texts, raw.get("rename", []))],
        )
    except FileNotFoundError:
        return None
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise _foreign(commit, f"a {_LIST} that nobody can follow") from None
    for path in moves.paths():
        if _place(folder, "..") not in _place(folder, path).parents:
            raise _foreign(commit, f"'{path}', outside the team folder,")
    _refuse_links(folder, [_place(folder, path) for path in moves.paths()])
    return moves


def _texts(raw: Any) -> list[str]:
    """Raises TypeError, ValueError for anything but a list of texts that a path can hold."""
    if not isinstance(raw, list) or any(b"\0" in os.fsencode(each) for each in raw):
        raise TypeError
    return list(raw)


def _foreign(commit: Path, what: str) -> UserError:
    return UserError(
        f"'{commit}' is no unfinished import of this tool: {what} stands in it; nothing was "
        "changed. Remove it"
    )


def _place(folder: Path, path: str) -> Path:
    """By the names alone: a link on the way is another matter, see _refuse_links."""
    return Path(os.path.abspath(folder / path))  # noqa: PTH100 (resolve() would follow links)


def _refuse_links(folder: Path, targets: Iterable[Path]) -> None:
    """A link in place of a folder on the way would lead the change out of the team folder."""
    team = folder.parent
    for parent in {folder, *(target.parent for target in targets)} - {team}:
        if not Path(os.path.realpath(parent)).is_relative_to(os.path.realpath(team)):
            raise UserError(
                f"'{parent}' is a link to another place; nothing was changed. Remove it"
            )


def _flush(path: Path) -> None:
    """To the disk, so that a power cut is no worse than a kill."""
    if os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
