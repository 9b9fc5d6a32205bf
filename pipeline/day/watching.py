"""`watch`: exports are imported as they appear in a folder, and the run sheet is redrawn."""

from __future__ import annotations

import importlib
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.day.files import Mark, hash_of, is_logbook, looks_cut, mark_of
from pipeline.day.handing_out import known_meeting
from pipeline.day.next_runs import next_lines
from pipeline.day.taking import take_logbooks
from pipeline.errors import CallError, UserError
from pipeline.plan.planned import read_plan
from pipeline.store.export_files import find_exports
from pipeline.store.importing import ImportCall, ImportReport, import_exports
from pipeline.team.folder import load_team
from pipeline.team.sheets import SUFFIXES

POLL_S = 0.25
SETTLED_S = 0.5  # a file that did not change for so long is taken for written
CUT_S = 10.0  # the same for one whose last line looks cut off
RETRY_S = (5.0, 10.0, 20.0, 40.0, 60.0)  # what could not be imported is tried again after
# What an import and a run sheet load where they use it: loaded before the first export comes, which
# then is on the page as soon as later ones.
_AHEAD = (
    "pyarrow.parquet", "scipy.stats", "plotnine", "matplotlib.pyplot",
    "matplotlib.backends.backend_svg", "mpl_toolkits.mplot3d",
)  # fmt: skip
_TABLES = ("drivers", "meetings", "sessions", "setups", "feel")


@dataclass(frozen=True)
class WatchCall:
    """What is watched.

    redraw: makes the run sheet anew; its path, and what is to be said about it ('' for nothing).
    """

    team: Path
    folder: Path
    meeting: str
    redraw: Callable[[], tuple[Path, str]]
    plan: Path | None = None


def watch(call: WatchCall, say: Callable[[str], None], stop: threading.Event) -> None:
    """Look at the folder until `stop` is set; `say` gets a line a change.

    Raises CallError for an unknown meeting or a folder that is not there at the start, UserError
    for a team folder or plan with faults. What goes wrong later is said and waited for: a folder
    that is gone, a half-written file, a full disk.
    """
    if not call.folder.is_dir():
        raise CallError(f"there is no folder '{call.folder}'")
    watcher = _Watcher(call, say)
    say(f"watching {call.folder} for {watcher.meeting}; Ctrl-C ends it")
    watcher.redraw("")
    for name in _AHEAD:
        importlib.import_module(name)
    while not stop.is_set():
        watcher.look(stop)
        stop.wait(POLL_S)


@dataclass
class _Seen:
    """A file as it was looked at last."""

    mark: Mark
    since: float
    done: bool = False
    tries: int = 0
    again: float = 0.0
    said: str = ""
    digest: str = ""  # hash of the bytes before they are taken in, and of those that were
    taken: str = ""


@dataclass
class _Watcher:
    """One watched folder."""

    call: WatchCall
    say: Callable[[str], None]
    seen: dict[Path, _Seen] = field(default_factory=dict)
    gone: bool = False

    def __post_init__(self) -> None:
        self.team = load_team(self.call.team)
        self.meeting = known_meeting(self.team, self.call.meeting).meeting
        self.read_plan()
        self.own = self.own_files()
        self.trouble = ""

    def look(self, stop: threading.Event) -> None:
        """Once: take what is new, then redraw if anything changed."""
        changes: list[str | None] = []
        ready = [path for path in self.exports() if self.is_ready(path)]
        for path in [path for path in ready if is_logbook(path)]:
            changes.append(self.attempt([path], self.take))
        exports = [path for path in ready if not is_logbook(path)]
        if exports:
            changes += self.taken_together(exports, stop)
        changes.append(self.own_changes())
        said = joined(*(words or "" for words in changes))
        if said:
            self.redraw(said)

    def exports(self) -> list[Path]:
        """The exports in the folder now; none where it is gone."""
        try:
            found, _ = find_exports(self.team.folder, [self.call.folder])
        except (CallError, OSError):
            self.say_gone(True)
            return []
        except UserError:  # no export in it yet
            found = []
        self.say_gone(False)
        return [file.path for file in found]

    def say_gone(self, gone: bool) -> None:
        if gone != self.gone:
            words = "is gone; waiting for it" if gone else "is there again"
            self.say(f"{self.call.folder} {words}")
        self.gone = gone

    def is_ready(self, path: Path) -> bool:
        """New or changed, and written to its end as far as one can see."""
        now, mark = time.monotonic(), mark_of(path)
        if mark is None:
            return False
        seen = self.seen.get(path)
        if seen is None or seen.mark != mark:
            before = seen or _Seen(mark, now)
            self.seen[path] = _Seen(mark, now, said=before.said, taken=before.taken)
            return False
        if seen.done or now < seen.again or now - seen.since < SETTLED_S:
            return False
        if now - seen.since < CUT_S and looks_cut(path):
            return False
        seen.digest = hash_of(path)
        seen.done = seen.digest == seen.taken  # touched, or written again as it was
        return not seen.done

    def taken_together(self, paths: list[Path], stop: threading.Event) -> Iterator[str]:
        """All in one import; one by one where that does not go, so that one bad file is alone."""
        words = self.attempt(paths, self.import_them, quiet=len(paths) > 1)
        if words is not None:
            yield words
            return
        for path in paths if len(paths) > 1 else []:
            if stop.is_set():
                return
            yield self.attempt([path], self.import_them) or ""

    def attempt(
        self, paths: list[Path], take: Callable[[list[Path]], str], quiet: bool = False
    ) -> str | None:
        """What was taken, in words; None, said once, where it could not be done now."""
        try:
            words = take(paths)
        except Exception as error:  # one file, whatever is wrong with it, does not end the watch
            if not quiet:
                self.put_off(paths[0], first_line(error))
            return None
        for path in paths:
            self.seen[path].done, self.seen[path].taken = True, self.seen[path].digest
        return words

    def put_off(self, path: Path, why: str) -> None:
        seen = self.seen[path]
        seen.again = time.monotonic() + RETRY_S[min(seen.tries, len(RETRY_S) - 1)]
        seen.tries += 1
        if why != seen.said:
            self.say(f"waiting with {path.name}: {why}")
        seen.said = why

    def import_them(self, paths: list[Path]) -> str:
        report = import_exports(self.team, ImportCall(tuple(paths), self.meeting))
        return "" if report.nothing_new else imported_words(paths, report)

    def take(self, paths: list[Path]) -> str:
        taken = take_logbooks(self.team, paths)
        self.own = self.own_files()
        return "; ".join(taken.lines) if taken.changed else ""

    def own_changes(self) -> str:
        """What changed in the team's own files; the folder is read again then."""
        now = self.own_files()
        changed = sorted({path.name for path, _ in set(now.items()) ^ set(self.own.items())})
        if not changed:
            return ""
        self.own = now
        try:
            self.team = load_team(self.call.team)
            self.read_plan()
        except (UserError, OSError) as error:
            self.say(f"{', '.join(changed)}: {first_line(error)}")
            return ""
        return f"{', '.join(changed)} changed"

    def own_files(self) -> dict[Path, Mark]:
        return {path: mark for path in self.own_paths() if (mark := mark_of(path))}

    def own_paths(self) -> Iterator[Path]:
        yield self.call.team / "team.toml"
        yield from (self.call.team / f"{name}{end}" for name in _TABLES for end in SUFFIXES)
        yield from (self.call.team / "logbooks").glob("*/*.csv")
        if self.call.plan:
            yield self.call.plan

    def read_plan(self) -> None:
        plan = self.call.plan
        self.plan = read_plan(self.team, plan, self.meeting) if plan else None

    def redraw(self, why: str) -> None:
        """The run sheet anew; a line that says why, and what comes next."""
        try:
            path, words = self.call.redraw()
            following = next_lines(self.team, self.meeting, self.plan) if self.plan else []
            lines = [joined(why, f"run sheet: {path}", words), *(f"  next: {n}" for n in following)]
            self.trouble = ""
        except Exception as error:  # whatever the cause, no sheet is no reason to stop importing
            trouble = first_line(error)
            lines = [joined(why, f"no run sheet yet: {trouble}")]
            lines = lines if why or trouble != self.trouble else []
            self.trouble = trouble
        for line in lines:
            self.say(line)


def joined(*parts: str) -> str:
    """What there is to say, in one line."""
    return "; ".join(part for part in parts if part)


def first_line(error: Exception) -> str:
    """An error as one line of the terminal: its message, and the first of its faults."""
    lines = str(error).splitlines() or [""]
    if not isinstance(error, UserError | OSError):
        lines[0] = f"a fault of the program ({type(error).__name__}: {lines[0]})"
    more = f" (and {len(lines) - 2} more)" if len(lines) > 2 else ""
    return " ".join(line.strip() for line in lines[:2]) + more


def imported_words(paths: Iterable[Path], report: ImportReport) -> str:
    """'heat 3.csv: 240 laps of 10 drivers, 2 rows set aside'."""
    count = report.as_json()
    names = [path.name for path in paths]
    shown = names[0] if len(names) == 1 else f"{len(names)} files"
    text = f"{shown}: {count['laps']} laps of {count['drivers']} drivers"
    aside = count["rows_set_aside"]
    return text + (f", {aside} row{'s' * (aside != 1)} set aside" if aside else "")
