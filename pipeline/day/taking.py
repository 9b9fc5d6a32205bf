"""`log`: what logbooks hand on, into the team folder; nothing of a person's own is written over."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.day.disagreeing import Disagreement, Typed
from pipeline.errors import CallError, Problem, UserError
from pipeline.runs.logbooks import FOLDER, BookFile, read_books, replacing_lines
from pipeline.runs.setup_places import RESET, UNKNOWN
from pipeline.store.commit import Writer, change, locked
from pipeline.store.parquet import file_stem
from pipeline.tables.safecsv import neutralise
from pipeline.team.sheets import nearest
from pipeline.team.tables import plain

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.runs.setups import Book
    from pipeline.team.folder import Team

LIST = ".backtoback.json"


@dataclass(frozen=True)
class Taken:
    """What was done: a line a logbook; notes on what was found on the way."""

    lines: tuple[str, ...]
    notes: tuple[str, ...] = ()
    changed: bool = True


@dataclass(frozen=True, eq=False)
class _Logbook:
    """A logbook to take in: rows as they will stand in the folder, text, without a header line."""

    book: Book
    frame: pd.DataFrame

    @property
    def target(self) -> str:
        """Its place below logbooks/."""
        return f"{file_stem(self.book.meeting)}/{file_stem(self.book.driver)}.csv"

    @property
    def name(self) -> str:
        return f"{self.book.meeting}, {self.book.driver}"

    def text(self, found: Sequence[Disagreement] = ()) -> bytes:
        table = neutralise(self.frame).to_csv(index=False, lineterminator="\n").encode()
        return replacing_lines(each.replaced for each in found) + table


def take_logbooks(team: Team, paths: Sequence[Path], replace: bool = False) -> Taken:
    """Take files of logbooks into logbooks/, all of them or none.

    The same file again changes nothing; a later one of the same driver and meeting takes the
    place of what the earlier brought. Raises CallError for a file that is not there, UserError,
    with the folder as it was, for faults (all of them at once), and where a typed row says
    otherwise than a logbook and `replace` does not let the logbook count.
    """
    notes: list[str] = []
    given = _once(_read_all(team, paths, notes))
    here = {each.target: _Here.of(team, each) for each in given}
    new = [each for each in given if replace or not here[each.target].is_same(each)]
    _refuse_mended(new, here, replace)
    typed = Typed.of(team) if new else None
    found = {each.target: typed.disagreements(each.book, notes) for each in new if typed}
    asked = [d for target, all_ in found.items() for d in all_ if not here[target].settles(d)]
    if asked and not replace:
        raise UserError(_side_by_side(asked))
    texts = {each.target: each.text(found[each.target]) for each in new}
    texts = {target: text for target, text in texts.items() if text != here[target].content}
    if texts:
        with locked(team.folder / FOLDER):
            change(team.folder / FOLDER, _writers(team, texts))
    lines = [_line(each, here[each.target], each.target in texts) for each in given]
    overruled = [d for all_ in found.values() for d in all_]
    notes += [f"{d.typed_place} is overruled by the logbook: {d.words}" for d in overruled]
    return Taken(tuple(lines), tuple(dict.fromkeys(notes)), bool(texts))


def _read_all(team: Team, paths: Sequence[Path], notes: list[str]) -> list[_Logbook]:
    """The logbooks of all files. Raises UserError for the faults of all of them."""
    files = [_read(team, path) for path in paths]
    problems = [
        problem for file in files for problem in (*file.log.problems, *_strangers(team, file))
    ]
    if problems:
        names = ", ".join(f"'{path}'" for path in paths)
        raise UserError(f"{names}: cannot be taken in; nothing was changed:", problems)
    for file in files:
        notes += file.log.warnings
        notes += [] if file.books else [f"{file.log.name} holds no run; it changes nothing"]
    return [_Logbook(book, _rows(file, book)) for file in files for book in file.books]


def _read(team: Team, path: Path) -> BookFile:
    if not path.exists():
        raise CallError(f"there is no file '{path}'")
    try:
        return read_books(team, path, str(path))
    except OSError as error:
        raise UserError(f"'{path}' cannot be read: {error.strerror or error}") from None


def _strangers(team: Team, file: BookFile) -> Iterator[Problem]:
    """Rows of people who are not of the team: a logbook is nobody else's."""
    members = {plain(driver): driver for driver in team.team_drivers}
    listed = {plain(driver) for driver in team.drivers["driver"]}
    if "driver" not in file.frame:
        return
    for line, driver in zip(map(int, file.frame.index), file.frame["driver"], strict=True):
        if plain(driver) in listed - set(members):
            advice = nearest(driver, members.values())
            expected = "a driver with `yes` in the column team of drivers.csv"
            yield Problem(f"'{driver}'", expected, file.log.name, line, "driver", advice)


def _rows(file: BookFile, book: Book) -> pd.DataFrame:
    """The rows of one logbook, in the order of runs: known columns first, the others kept."""
    import pandas as pd

    values = {(entry.line, entry.factor): entry.value for entry in book.entries}
    of_book = file.frame[
        (file.frame["meeting"].map(plain) == plain(book.meeting))
        & (file.frame["driver"].map(plain) == plain(book.driver))
    ]
    rows = []
    for line, cells in zip(map(int, of_book.index), of_book.to_dict("records"), strict=True):
        own = {str(name): str(cell) for name, cell in cells.items()}
        row: dict[str, Any] = {"meeting": book.meeting, "driver": book.driver}
        row |= {"run": file.rows.numbers[line], "start": _clock(file.rows.starts[line])}
        for name, column in file.columns.items():
            value = values.get((line, name), "")
            row[name] = UNKNOWN if value == RESET else value
            own.pop(column)
        rows.append({**row, **{name: cell for name, cell in own.items() if name not in row}})
    return pd.DataFrame(rows).drop_duplicates("run").sort_values("run", ignore_index=True)


def _clock(hour: float | None) -> str:
    if hour is None:
        return ""
    seconds = round(hour * 3600)
    clock = f"{seconds // 3600:02}:{seconds // 60 % 60:02}"
    return f"{clock}:{seconds % 60:02}" if seconds % 60 else clock


def _once(given: list[_Logbook]) -> list[_Logbook]:
    """One logbook for each driver and meeting. Raises UserError for two that differ."""
    first: dict[str, _Logbook] = {}
    for each in given:
        other = first.setdefault(each.target, each)
        if not other.frame.equals(each.frame):
            raise UserError(
                f"'{other.book.name}' and '{each.book.name}' are both of {each.name}, and differ; "
                "nothing was changed. Give the later one alone"
            )
    return list(first.values())


@dataclass(frozen=True, eq=False)
class _Here:
    """What lies in the folder in a logbook's place: bytes, as read, and as listed when made."""

    content: bytes = b""
    book: Book | None = None
    by_hand: bool = False

    @staticmethod
    def of(team: Team, each: _Logbook) -> _Here:
        path = team.folder / FOLDER / each.target
        if not path.is_file():
            return _Here()
        content = path.read_bytes()
        known = listed(team.folder).get(each.target, {})
        books = read_books(team, path, f"{FOLDER}/{each.target}").books
        return _Here(content, books[0] if books else None, known != mark(content))

    def is_same(self, each: _Logbook) -> bool:
        before = self.book.replaces if self.book else ()
        return self.content.removeprefix(replacing_lines(before)) == each.text()

    def settles(self, found: Disagreement) -> bool:
        """Whether somebody has let the logbook count there before, by --replace."""
        return self.book is not None and found.replaced in self.book.replaces


def _refuse_mended(new: list[_Logbook], here: dict[str, _Here], replace: bool) -> None:
    """A logbook in the folder that somebody has mended by hand is that person's."""
    for each in new:
        if here[each.target].by_hand and not replace:
            raise UserError(
                f"{FOLDER}/{each.target} was changed by hand since it was taken in; nothing was "
                "changed. Put the same change into the logbook, or write over it with --replace"
            )


def _side_by_side(asked: Sequence[Disagreement]) -> str:
    """Both readings of each run, in columns."""
    head = ("driver", "meeting", "run", "what", "typed", "logbook")
    rows = [head, *(each.cells for each in asked)]
    widths = [max(len(row[place]) for row in rows) for place in range(len(head))]
    table = (
        "  " + "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip()
        for row in rows
    )
    return "\n".join(
        [
            "typed rows and logbooks say different things; nothing was changed:",
            *table,
            "Mend the one that is wrong, or let the logbooks count with --replace: the typed rows",
            "stay in their file, and `check` names them.",
        ]
    )


def _line(each: _Logbook, here: _Here, is_new: bool) -> str:
    """'spring, Ann Arbor: 6 runs; new: 5, 6; changed: 3 (rear_bar 1.3 to 1.4)'."""
    count = len(each.frame)
    text = f"{each.name}: {count} run{'s' * (count != 1)}"
    if not is_new:
        return f"{text}; taken in already, nothing was changed"
    before = _by_run(here.book) if here.book else {}
    after = _by_run(each.book)
    added = [str(run) for run in after if run not in before]
    gone = [str(run) for run in before if run not in after]
    changes = [
        f"{run} ({name} {before[run].get(name, 'blank')} to {value})"
        for run, cells in after.items()
        for name, value in cells.items()
        if run in before and before[run].get(name) != value
    ]
    for word, runs in (("new", added), ("no longer in it", gone), ("changed", changes)):
        text += f"; {word}: {', '.join(runs)}" if runs and before else ""
    return text


def _by_run(book: Book) -> dict[int, dict[str, str]]:
    found: dict[int, dict[str, str]] = {run: {} for run in book.starts}
    for entry in book.entries:
        found[int(entry.run)][entry.factor] = UNKNOWN if entry.value == RESET else entry.value
    return found


def _writers(team: Team, texts: dict[str, bytes]) -> dict[str, Writer]:
    """Writers of the logbooks, and of the list of what this tool made."""
    made = listed(team.folder) | {target: mark(text) for target, text in texts.items()}
    return {name: writer(text) for name, text in {**texts, LIST: list_of(made)}.items()}


def list_of(made: Mapping[str, Mapping[str, Any]]) -> bytes:
    """The list of the logbooks that this tool made, as a file."""
    files = [{"name": name, **each} for name, each in sorted(made.items())]
    return (json.dumps({"format": 1, "files": files}, indent=1, ensure_ascii=False) + "\n").encode()


def writer(text: bytes) -> Writer:
    """Writes that text into a file of a change."""

    def write(path: Path) -> None:
        path.write_bytes(text)

    return write


def mark(content: bytes) -> dict[str, Any]:
    """By what a file is known to be as this tool made it."""
    return {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}


def listed(folder: Path) -> dict[str, dict[str, Any]]:
    """The logbooks that this tool made, as it made them; none where the list cannot be read."""
    try:
        files = json.loads((folder / FOLDER / LIST).read_text("utf-8"))["files"]
        return {each.pop("name"): each for each in files}
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return {}
