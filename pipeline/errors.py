"""What the user did or has that cannot be worked with: one problem a record, one exception."""

from __future__ import annotations

import errno
import os
import shlex
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

_SHOWN = 10  # lines named of one fault


@dataclass(frozen=True)
class Problem:
    """One fault in the user's input, with all that is needed to mend it.

    `where` is a file (relative to the team folder where possible), `line` counts from 1 as a
    text editor or spreadsheet does; either may be unknown.
    """

    found: str
    expected: str
    where: str = ""
    line: int | None = None
    column: str = ""
    advice: str = ""

    def __str__(self) -> str:
        line = f"line {self.line}" if self.line is not None else ""
        column = f"column '{self.column}'" if self.column else ""
        place = ", ".join(filter(None, (self.where, line, column)))
        text = f"{place}: " if place else ""
        text += f"found {self.found}; expected {self.expected}"
        return text + (f". {self.advice}" if self.advice else "")


def once_each(problems: Sequence[Problem]) -> list[Problem]:
    """One problem for the same fault in several lines: the first, which names the others."""
    lines: dict[Problem, list[int]] = {}
    for problem in problems:
        lines.setdefault(replace(problem, line=None), []).append(problem.line or 0)
    return [_with_lines(problem, where) for problem, where in lines.items()]


def _with_lines(problem: Problem, lines: Sequence[int]) -> Problem:
    first, *others = lines
    if others:
        shown = ", ".join(map(str, others[:_SHOWN])) + (", …" if others[_SHOWN:] else "")
        so = f"So in {len(others)} more line{'s' * (len(others) > 1)}: {shown}"
        stop = " " if problem.advice.endswith(("?", ".")) else ". "
        problem = replace(problem, advice=stop.join(filter(None, (problem.advice, so))))
    return replace(problem, line=first or None)


class UserError(Exception):
    """It could not be done. Shown without traceback; exit status 1."""

    exit_status = 1

    def __init__(self, message: str, problems: Sequence[Problem] = ()) -> None:
        super().__init__(message)
        self.message = message
        self.problems = tuple(problems)

    def __str__(self) -> str:
        return "\n".join([self.message, *(f"  {problem}" for problem in self.problems)])


class CallError(UserError):
    """The call itself is wrong (an unknown name, a missing option). Exit status 2."""

    exit_status = 2


def pasteable(team_folder: Path, *words: str) -> str:
    """A command as it can be pasted: quoted, with --team where the team folder is not this one."""
    here = team_folder.resolve() == Path.cwd()
    team = [] if here else ["--team", str(team_folder)]
    command = ["backtoback", *words, *team]
    return subprocess.list2cmdline(command) if os.name == "nt" else shlex.join(command)


class AmbiguousError(UserError):
    """It can be read in more than one way, and the user must say in which."""


# What the system calls its refusals, as a person would say it.
_REFUSALS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "your share of the disk is used up",
    errno.EFBIG: "a file may not be as large as that here",
    errno.EROFS: "this disk can only be read",
    errno.EACCES: "you have no right to this",
    errno.EPERM: "you have no right to this",
    errno.EISDIR: "that is a folder, not a file",
    errno.ENOTDIR: "a file stands where a folder should be",
    errno.ENOENT: "there is no such file or folder",
    errno.EEXIST: "something of that name is there already",
    errno.ENAMETOOLONG: "the name is too long for this disk",
    errno.ELOOP: "links lead round in a circle",
    errno.EIO: "the disk cannot be read or written: it may be failing",
    errno.EMFILE: "too many files are open",
    errno.ENOTEMPTY: "the folder is not empty",
}


def refusal(error: OSError) -> str:
    """Why the system refused, in words."""
    return _REFUSALS.get(error.errno or 0) or error.strerror or str(error)


def system_words(error: OSError) -> str:
    """What the system refused, in words, with the file where it says which."""
    words = refusal(error)
    name = error.filename2 or error.filename
    return f"'{os.fsdecode(name)}': {words}" if isinstance(name, str | bytes) else words
