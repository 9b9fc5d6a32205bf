"""imports.toml: what was said once about exports, so that it need not be said again.

`import` writes it, a person may edit it. [[header]]: the columns that --map named, for every
export with that header. [[file]]: the options of a single file.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from pipeline.errors import Problem, UserError
from pipeline.team.sheets import nearest

FILE = "imports.toml"
_HEAD = """\
# What was once said about exports. `backtoback import` keeps it here for the next time; a person
# may edit it: [[header]] names the columns of all exports with that header, [[file]] the options
# of one file.
"""
_TABLE = re.compile(r"^(?=[ \t]*\[\[)", re.MULTILINE)


@dataclass(frozen=True)
class FileOptions:
    """The options of a file, '' where nothing was said; by sha256 it is known under any name.

    Without a meeting they hold for any. replaces: the files that this one corrects.
    """

    source: str
    sha256: str = ""
    meeting: str = ""
    session: str = ""
    start: str = ""
    layout: str = ""
    replaces: Sequence[str] = ()

    @property
    def key(self) -> tuple[str, str]:
        return self.meeting, self.source

    @property
    def says_something(self) -> bool:
        return bool(self.session or self.start or self.layout or self.replaces)


@dataclass(frozen=True)
class Remembered:
    """mappings: fingerprint of a header -> our field -> column. files: in the file's order."""

    mappings: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    files: tuple[FileOptions, ...] = ()

    def of(self, meeting: str, source: str, sha256: str) -> FileOptions:
        """What was said about a file: under its name, or under another that the file had."""
        here = [file for file in self.files if file.meeting in ("", meeting)]
        own = [file for file in here if file.source == source]
        moved = [file for file in here if file.sha256 == sha256]
        return (own or moved or [FileOptions(source, sha256, meeting)])[-1]


# table -> key -> type of its value.
_KEYS: dict[str, dict[str, type]] = {
    "header": {"fingerprint": str, "map": dict},
    "file": {each.name: list if each.name == "replaces" else str for each in fields(FileOptions)},
}
_EXPECTED: dict[type, str] = {str: "text", list: '["TEXT", …]', dict: '{ FIELD = "COLUMN" }'}
_NEEDED = {"header": ("fingerprint", "map"), "file": ("source",)}


def read_imports(folder: Path) -> Remembered:
    """What imports.toml says, nothing if there is none. Raises UserError with all its faults."""
    text = _text(folder)
    problems: list[Problem] = []
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"line (\d+)", str(error))
        line = int(found[1]) if found else None
        problems, raw = [Problem(str(error), "TOML as `import` writes it", FILE, line)], {}
    entries = list(_entries(raw, text.splitlines(), problems))
    if problems:
        raise UserError(f"{FILE} cannot be used; nothing was changed:", problems)
    mappings = {entry["fingerprint"]: entry["map"] for kind, entry in entries if kind == "header"}
    return Remembered(
        mappings, tuple(FileOptions(**entry) for kind, entry in entries if kind == "file")
    )


def _text(folder: Path) -> str:
    try:
        return (folder / FILE).read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except FileNotFoundError:
        return ""
    except UnicodeDecodeError:
        problem = Problem("bytes that are not UTF-8", "text in UTF-8", FILE)
        raise UserError(f"{FILE} cannot be used; nothing was changed:", [problem]) from None


def _entries(
    raw: Mapping[str, Any], lines: list[str], problems: list[Problem]
) -> Iterator[tuple[str, dict[str, Any]]]:
    """(kind, entry) of each table that is as it should be; faults are added to the problems."""
    for kind, found in raw.items():
        if kind not in _KEYS or not isinstance(found, list):
            advice = nearest(kind, _KEYS)
            problems.append(Problem(f"'{kind}'", "[[header]] or [[file]]", FILE, advice=advice))
            continue
        heads = [n for n, line in enumerate(lines, 1) if re.match(rf"\s*\[\[\s*{kind}\b", line)]
        for place, entry in enumerate(found):
            before = len(problems)
            _check(kind, entry, heads[place] if place < len(heads) else 0, lines, problems)
            if len(problems) == before:
                yield kind, entry


def _check(kind: str, entry: Any, head: int, lines: list[str], problems: list[Problem]) -> None:
    known = _KEYS[kind]
    for key in _NEEDED[kind]:
        if key not in entry:
            problems.append(Problem("nothing", "a value", FILE, head or None, key))
    for key, value in entry.items():
        line = _line_of(key, head, lines)
        if key not in known:
            advice = nearest(key, known)
            problems.append(Problem(f"'{key}'", "a known key", FILE, line, advice=advice))
        elif not _is_of(value, known[key]):
            problems.append(Problem(repr(value)[:60], _EXPECTED[known[key]], FILE, line, key))


def _is_of(value: Any, kind: type) -> bool:
    texts = value.values() if isinstance(value, dict) else value
    return isinstance(value, kind) and all(isinstance(text, str) for text in texts)


def _line_of(key: str, head: int, lines: list[str]) -> int | None:
    for number, line in enumerate(lines[head:], head + 1):
        if re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line):
            return number
    return head or None


def updated(
    folder: Path,
    mappings: Mapping[str, Mapping[str, str]],
    files: Iterable[FileOptions],
    forget: Iterable[tuple[str, str]] = (),
) -> str | None:
    """The file's text with this said too, and these (meeting, source) forgotten; None where that
    changes nothing. Comments and what was said of others stay as they stand."""
    new = {
        fingerprint: _written("header", {"fingerprint": fingerprint, "map": dict(mapping)})
        for fingerprint, mapping in mappings.items()
    } | {file.key: _written("file", asdict(file)) for file in files if file.says_something}
    gone, old = set(forget), _text(folder)
    parts = []
    for part in _TABLE.split(old):
        key = _key_of(part)
        if key in new or key in gone:
            part = new.pop(key, "") + _remarks(part)
        parts.append(part)
    text = "".join(parts)
    for entry in new.values():
        text = (text.rstrip("\n") + "\n\n" if text else _HEAD + "\n") + entry
    return None if text == old else text


def with_other_names(folder: Path, renamed: Callable[[FileOptions], FileOptions]) -> str | None:
    """The file's text with the entries of files by other names; None where that changes nothing."""
    old = _text(folder)
    parts = []
    for part in _TABLE.split(old):
        file = _file_of(part)
        if file is not None and renamed(file) != file:
            part = _written("file", asdict(renamed(file))) + _remarks(part)
        parts.append(part)
    text = "".join(parts)
    return None if text == old else text


def _remarks(part: str) -> str:
    return "".join(line for line in part.splitlines(True) if re.match(r"\s*(#|$)", line))


def _file_of(part: str) -> FileOptions | None:
    kind, entry = _entry_of(part)
    return FileOptions(**entry) if kind == "file" else None


def _key_of(part: str) -> Any:
    """What a part of the file is about, None for what stands above the first table."""
    kind, entry = _entry_of(part)
    return entry["fingerprint"] if kind == "header" else kind and FileOptions(**entry).key


def _entry_of(part: str) -> tuple[str | None, Mapping[str, Any]]:
    try:
        ((kind, (entry,)),) = tomllib.loads(part).items()
    except (tomllib.TOMLDecodeError, ValueError):
        return None, {}
    return kind, entry


def _written(kind: str, entry: Mapping[str, Any]) -> str:
    lines = [f"{key} = {_value(value)}" for key, value in entry.items() if value]
    return "\n".join([f"[[{kind}]]", *lines]) + "\n"


def _value(value: str | Sequence[str] | Mapping[str, str]) -> str:
    """TOML of a text (JSON's but for one sign), of a list or of a table of texts."""
    if isinstance(value, str):
        text = value.encode("utf-8", "replace").decode("utf-8")
        return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
    if not isinstance(value, Mapping):
        return "[" + ", ".join(map(_value, value)) + "]"
    return "{ " + ", ".join(f"{_value(k)} = {_value(v)}" for k, v in value.items()) + " }"
