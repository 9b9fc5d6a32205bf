"""Title, comment and section lines: what they say about the rows below them."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from pipeline.read.clocks import NO_DAY, iso_day, read_one
from pipeline.read.words import compact, field_of, is_summary, names_a_session

FACTS = frozenset(
    {"session", "start", "date", "class", "heat", "round", "driver", "transponder", "car_number"}
)
_OF_SESSION = frozenset({"session", "round", "heat", "start"})
_MOST_BREAKS = 20  # lines that a cell may have; more is a quote that nobody closed
_OPENS = re.compile(r'(?:^|[;,\t|])\s*"[^"]*$')
# Nobody starts before (common practice, no published source): '5:00' is how long it lasts.
_FIRST_HOUR = 6
_LEAD = re.compile(r"^[\s#;/*'!%=\-]+|[\s;,\t|*=]+$")
_CLOCK = re.compile(
    r"\d{1,2}[:h.時]\s?\d{2}(?:[:.m分]\s?\d{2}(?:[.,]\d{1,6})?)?秒?(?:\s?[AaPp][Mm])?"
)
_DATE = re.compile(
    r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}|\d{4}年\d{1,2}月\d{1,2}日"
    r"|\d{1,2}\.? [^\W\d_]{3,9}\.? \d{4}"
)


@dataclass(frozen=True)
class Titles:
    """facts: our field -> text as written. bare: lines without a label, in order."""

    facts: Mapping[str, str] = field(default_factory=dict)
    bare: tuple[str, ...] = ()

    def updated(self, later: Titles) -> Titles:
        """These titles where a later section says nothing else; a new session starts afresh."""
        facts = dict(self.facts)
        if later.names_session:
            facts = {k: v for k, v in facts.items() if k not in _OF_SESSION}
        return Titles({**facts, **later.facts}, later.bare or self.bare)

    @property
    def names_session(self) -> bool:
        """A label or a word says which session follows."""
        return "session" in self.facts or any(names_a_session(title) for title in self.bare)


def cells_of(line: str, delimiter: str) -> list[str]:
    """The cells of one line, spaces around them removed."""
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
    except csv.Error:
        return [cell.strip() for cell in line.split(delimiter)]


def whole_records(lines: list[str]) -> list[str]:
    """The lines, with each quoted cell that goes on in the next lines brought into the last of
    these; the lines before it are left blank, so that all keep their numbers."""
    out, first = list(lines), -1
    for place, line in enumerate(lines):
        text = line.replace('""', "")
        odd = text.count('"') % 2
        if first < 0:
            first = place if odd and _OPENS.search(text) else -1
        elif odd:
            out[first : place + 1] = [*[""] * (place - first), " ".join(lines[first : place + 1])]
            first = -1
        elif place - first > _MOST_BREAKS:
            first = -1
    return out


def is_comment(line: str) -> bool:
    return line.lstrip().startswith(("#", "//", "%", "REM "))


def read_titles(lines: Iterable[str], delimiter: str) -> Titles:
    """What the lines say; a line may hold several labelled facts."""
    facts: dict[str, str] = {}
    bare: list[str] = []
    for line in lines:
        found, rest = _of_line(line, delimiter)
        if is_comment(line):
            rest = [text for text in rest if names_a_session(text) and len(text.split()) <= 5]
        clock = _clock_of(" ".join(rest))
        if clock:
            facts.setdefault("clock", clock)
        for name, text in found.items():
            facts.setdefault(name, text)
        bare.extend(rest)
    return Titles(facts, tuple(bare))


def is_section(cells: list[str]) -> bool:
    """True for a line among the rows that starts a section: 'Session: Q2', 'Driver;Ada Quill'."""
    filled = [cell for cell in cells if cell]
    if not filled or len(filled) > 4:
        return False
    found, _ = _facts_of_cells(filled)
    return bool(found.keys() & {"session", "driver", "transponder", "heat", "start", "class"})


def _of_line(line: str, delimiter: str) -> tuple[dict[str, str], list[str]]:
    text = _LEAD.sub("", line).strip('" ')
    if not text or re.fullmatch(r"sep=.", text):
        return {}, []
    cells = [_LEAD.sub("", cell) for cell in cells_of(text, delimiter)]
    filled = [cell for cell in cells if cell]
    return _facts_of_cells(filled)


def _facts_of_cells(filled: list[str]) -> tuple[dict[str, str], list[str]]:
    """Labels may stand in a cell of their own, or before ':' or '=' in the same cell."""
    facts: dict[str, str] = {}
    bare: list[str] = []
    skip = False
    for place, cell in enumerate(filled):
        if skip:
            skip = False
            continue
        following = filled[place + 1] if place + 1 < len(filled) else ""
        own = field_of(cell.rstrip(":= "))
        if own is not None and following and (own in FACTS or own == ""):
            facts.setdefault(own, following)
            skip = True
            continue
        _of_cell(cell, facts, bare)
    facts.pop("", None)
    return facts, bare


def _of_cell(cell: str, facts: dict[str, str], bare: list[str]) -> None:
    for piece in re.split(r"\s+[-–|/]\s+|\s{3,}", cell):
        if not piece or _labelled(piece, facts):
            continue
        start = _start_within(piece, facts)
        day = _DATE.search(start)
        if day and is_summary(start[: day.start()].strip(" :,")):
            continue  # when it was printed
        if day:
            facts.setdefault("date", day.group())
            start = (start[: day.start()] + start[day.end() :]).strip(" ,;-")
        if start and not is_summary(start):
            bare.append(start)


def _clock_of(title: str) -> str:
    """The one time of day in a title that names a session; '' where it may be a duration."""
    found = list(_CLOCK.finditer(title))
    if len(found) != 1 or not names_a_session(_CLOCK.sub(" ", title)):
        return ""
    clock, after = found[0].group(), title[found[0].end() :]
    by_day = _FIRST_HOUR <= int(re.match(r"\d+", clock).group()) <= 23  # type: ignore[union-attr]
    is_clock = re.match(r"\d+[:h時]", clock) and (by_day or clock.casefold().endswith("m"))
    return clock if is_clock and not re.match(r"\s*(?:m\b|min|')", after.casefold()) else ""


def _labelled(piece: str, facts: dict[str, str]) -> bool:
    label, mark, value = re.match(r"([^:：=]*)([:：=]?)(.*)", piece, re.S).groups()  # type: ignore[union-attr]
    if not mark or not value.strip() or re.search(r"\d\s*$", label):
        return False
    own = field_of(label)
    if own is None:
        return not names_a_session(label) and not _ends_with_start(label)
    if own in FACTS:
        facts.setdefault(own, value.strip(' "'))
    elif own == "at":
        facts.setdefault("start", value.strip(' "'))
    return True


def _start_within(piece: str, facts: dict[str, str]) -> str:
    """Take 'Start 10:32:05' out of a line; what is left of it."""
    clock = _CLOCK.search(_DATE.sub(lambda m: " " * len(m.group()), piece))
    if not clock:
        return piece
    before = piece[: clock.start()]
    if not _ends_with_start(before):
        return piece
    facts.setdefault("start", piece[clock.start() : clock.end()].strip())
    left = re.split(r"[\s,;(]+[^\s,;(]*$", before.rstrip(" :：="), maxsplit=1)[0]
    return "" if _ends_with_start(left) or left == before.rstrip(" :：=") else left.strip(" ,;-(")


def _ends_with_start(text: str) -> bool:
    """The last one to three words before a time of day mean 'start'."""
    words = text.rstrip(" :：=").split()
    return any(field_of(" ".join(words[-n:])) == "start" for n in (1, 2, 3) if words[-n:])


def title_day(text: str, month_first: bool | None) -> str:
    """ISO day of a date in a title; '' where there is none."""
    found = _DATE.search(text)
    clocks = read_one(found.group() if found else text.strip(), month_first)
    return iso_day(clocks.day[0]) if clocks.day[0] != NO_DAY and not clocks.swap else ""


def session_name(titles: Titles, stem: str, meeting: str) -> str:
    """The session's name where no column and no option gives it.

    A labelled title comes first, then one with a word for a session, then a file name with such
    a word, then any title that is not the meeting's name, then the file's name.
    """
    if titles.facts.get("session"):
        return _with_round(titles.facts["session"], titles.facts.get("round", ""))
    telling = [title for title in titles.bare if names_a_session(title)]
    if telling:
        return " ".join(telling) if len(telling) < 3 else telling[0]
    if titles.facts.get("round"):
        return f"Round {titles.facts['round']}"
    others = [title for title in titles.bare if not _same(title, meeting) and len(title) < 60]
    if names_a_session(stem) or not others:
        return stem
    return others[-1]


def _with_round(session: str, number: str) -> str:
    return f"{session} {number}" if number and not re.search(r"\d", session) else session


def _same(title: str, meeting: str) -> bool:
    first, second = compact(title), compact(meeting)
    return not first or first in second or second in first
