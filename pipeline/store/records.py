"""What the store knows of each meeting: which files gave which rows, and how large its tables are.

store/imports/*.json, one a meeting.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from pipeline.errors import UserError, pasteable, refusal
from pipeline.store.commit import Writer

# 1: without `tables`. A store of a later format than this is of a newer version of the tool.
FORMAT = 2
_PLAIN_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,59}(?<!\.)")
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


@dataclass(frozen=True)
class ImportRecord:
    """One imported file: what it was, how it was read, what it gave.

    people: (transponder, name) pairs of its laps, '' for what it does not say. place: a mark of
    its folder where that is outside the team folder (`export_files.place_of`). gave_way: (meeting,
    source) of the files that stand for some of its laps.
    """

    source: str
    sha256: str
    bytes: int
    options: Mapping[str, Any]
    rows_in: int
    rows_kept: int
    rows_set_aside: int
    laps: int
    sessions: Sequence[str]
    people: Sequence[Sequence[str]]
    reasons: Mapping[str, int]
    on: str = ""
    place: str = ""
    gave_way: Sequence[Sequence[str]] = field(default_factory=list)


@dataclass(frozen=True)
class MeetingRecord:
    """All imported files of a meeting. tables: name -> rows, bytes and sha256 of its parquet file;
    empty where an older version wrote the record."""

    meeting: str
    files: list[ImportRecord]
    tables: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


def import_again(team_folder: Path, record: MeetingRecord) -> str:
    """The command that reads a meeting's exports again, as it can be pasted."""
    sources = [file.source for file in record.files]
    places = sorted({source.rpartition("/")[0] or source for source in sources})
    return pasteable(team_folder, "import", *places, "--meeting", record.meeting)


class DamagedError(UserError):
    """A file of the store is not what the store wrote; `damage` names it."""

    def __init__(self, damage: str, advice: str = "") -> None:
        super().__init__(f"{damage}. {advice}" if advice else damage)
        self.damage = damage


def file_stem(meeting: str) -> str:
    """A file name for a meeting on any system: the name itself where that is safe."""
    return _stem(meeting, r"[^A-Za-z0-9]+")


def lettered_stem(name: str) -> str:
    """The same with letters of all scripts kept, where the file system can hold them."""
    stem = _stem(unicodedata.normalize("NFC", name), r"[\W_]+")
    try:
        os.fsencode(stem)
    except UnicodeEncodeError:
        return file_stem(name)
    return stem


def _stem(name: str, parted_by: str) -> str:
    if _PLAIN_NAME.fullmatch(name) and not _RESERVED.fullmatch(name):
        return name
    slug = re.sub(parted_by, "-", name).strip("-")[:40]
    return f"{slug or 'meeting'}-{hashlib.sha256(name.encode()).hexdigest()[:10]}"


def load_record(path: Path) -> MeetingRecord:
    """Raises DamagedError where it cannot be read, UserError where a newer version wrote it."""
    try:
        text = path.read_text(encoding="utf-8")
        raw = json.loads(text)
        found, check = raw["format"], raw.pop("check", "")
        if isinstance(found, int) and found > FORMAT:
            raise _newer(path, found)
        if found > 1 and not _is_as_written(text, check) and check != _check_of(raw):
            raise ValueError("its content is not what was written")
        files = [ImportRecord(**file) for file in raw["files"]]
        tables = {name: dict(known) for name, known in raw.get("tables", {}).items()}
        if file_stem(raw["meeting"]) != path.stem:
            raise ValueError(f"it is of {raw['meeting']}")
        return MeetingRecord(str(raw["meeting"]), files, tables)
    except (ValueError, OSError, TypeError, KeyError, AttributeError) as error:
        raise damaged(path, error) from None


def damaged(path: Path, error: Exception) -> UserError:
    """A file that is missing or holds something else; what the system refuses is no damage."""
    if isinstance(error, OSError) and error.errno and not isinstance(error, FileNotFoundError):
        return UserError(f"the store cannot be read: '{path}': {refusal(error)}")
    words = str(error).splitlines() or [type(error).__name__]
    return DamagedError(f"{path} of the store cannot be read ({words[0]})")


def _newer(path: Path, found: int) -> UserError:
    return UserError(
        f"the store is of a newer version of backtoback: {path} has format {found}, this version "
        f"knows {FORMAT} and older. Nothing was changed; install the newer version"
    )


def record_writer(record: MeetingRecord) -> Writer:
    """`record.tables` may still be filled until the writer is called."""

    def write(path: Path) -> None:
        files = [asdict(file) for file in sorted(record.files, key=lambda file: file.source)]
        content = {
            "format": FORMAT, "meeting": record.meeting, "files": files, "tables": record.tables,
        }  # fmt: skip
        text = _as_json({**content, "check": _check_of(content)})
        path.write_text(text, encoding="utf-8")

    return write


def _is_as_written(text: str, check: Any) -> bool:
    """The text is that of the writer, to the letter: told without writing it again."""
    without = text.replace(f' "check": {json.dumps(check)},\n', "", 1)
    return hashlib.sha256(without.encode()).hexdigest() == check


def _check_of(content: Mapping[str, Any]) -> str:
    return hashlib.sha256(_as_json(content).encode()).hexdigest()


def _as_json(content: Mapping[str, Any]) -> str:
    return json.dumps(content, indent=1, ensure_ascii=False, sort_keys=True) + "\n"
