"""Several files of a folder changed as one: all of them or none, whenever the process dies.

New files are written into `.new`. Renaming that folder to `.commit` is the one moment at which
the change counts; after it the files are moved into place, and whoever opens the folder next
finishes that if the process died in between.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import UserError, system_words
from pipeline.tables.moment import counting

Writer = Callable[[Path], None]
_LOCK_SECONDS = 120.0


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the folder's lock, with an unfinished change of someone else finished first.

    Raises UserError if another process holds it for two minutes, or it cannot be made.
    """
    from filelock import FileLock, Timeout

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


def change(folder: Path, write: Mapping[str, Writer], remove: Iterable[str] = ()) -> None:
    """Write and remove files of `folder` as one change. The lock must be held.

    `write` maps a path below the folder to a function that makes that file.
    """
    _refuse_links(folder, [*write, *remove])
    staged = folder / ".new"
    shutil.rmtree(staged, ignore_errors=True)
    try:
        _stage(staged, write, remove)
        with counting(folder):
            staged.rename(folder / ".commit")
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    _flush(folder)
    _finish(folder)


def _refuse_links(folder: Path, targets: Iterable[str]) -> None:
    """A link in place of one of the folder's own folders would lead the change elsewhere."""
    for parent in {(folder / target).parent for target in targets} - {folder}:
        if parent.is_symlink():
            raise UserError(
                f"'{parent}' is a link to another place; nothing was changed. Remove it"
            )


def _stage(staged: Path, write: Mapping[str, Writer], remove: Iterable[str]) -> None:
    staged.mkdir()
    for number, writer in enumerate(write.values()):
        writer(staged / str(number))
        _flush(staged / str(number))
    moves = {"move": list(write), "remove": list(remove)}
    (staged / "moves.json").write_text(json.dumps(moves))
    _flush(staged / "moves.json")
    _flush(staged)


def settle(folder: Path) -> None:
    """Before reading: finish a change that counts but whose files are not all in place."""
    if (folder / ".commit").exists():
        with locked(folder):
            pass


def _finish(folder: Path) -> None:
    """Idempotent: a second call after any interruption ends in the same files."""
    commit = folder / ".commit"
    try:
        moves = json.loads((commit / "moves.json").read_text())
    except FileNotFoundError:
        # Without the list, all moves of that change were made: it is the first thing to go.
        shutil.rmtree(commit, ignore_errors=True)
        return
    for number, target in enumerate(moves["move"]):
        (folder / target).parent.mkdir(exist_ok=True)
        if (commit / str(number)).exists():
            (commit / str(number)).replace(folder / target)
    for target in moves["remove"]:
        (folder / target).unlink(missing_ok=True)
    for parent in {(folder / target).parent for target in moves["move"]}:
        _flush(parent)
    (commit / "moves.json").unlink()
    shutil.rmtree(commit, ignore_errors=True)


def _flush(path: Path) -> None:
    """To the disk, so that a power cut is no worse than a kill."""
    if os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
