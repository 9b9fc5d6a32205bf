"""What sessions.csv adds to the sessions of the exports, applied whenever laps are read."""

from __future__ import annotations

import datetime
import re
from collections import defaultdict
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

from pipeline.tables.conditions import CONDITIONS
from pipeline.team.tables import plain

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.team.folder import Team


class Fact(NamedTuple):
    """A row of sessions.csv, or what several agree on; '' where it says nothing."""

    session: str = ""
    kind: str = ""
    date: str = ""
    start: str = ""
    racing_class: str = ""
    heat: str = ""
    exclude: str = ""
    grip: str = ""
    line: int = 0
    numbers: tuple[str, ...] = ()


NOTHING = Fact()
# What rows for one session have to say alike.
_SAID = ("kind", "date", "start", "racing_class", "heat", "exclude", "grip")


@lru_cache(maxsize=100_000)
def plain_session(name: str) -> str:
    """A session's name for comparison: 'Practice_1', from a file's name, is 'practice 1'."""
    return plain(re.sub(r"[_\-\s]+", " ", name))


def with_facts(team: Team, sessions: pd.DataFrame) -> pd.DataFrame:
    """Sessions (schema.SESSIONS) with the words of sessions.csv put in.

    kind, date and exclude of sessions.csv win; class and start fill what the export leaves open.
    Adds `title` (the session's name as sessions.csv spells it), `excluded` (the reason, or ''),
    `fact_start` (HH:MM:SS or ''), `shift_days` (days by which its clock is to be moved, because
    sessions.csv gives another date), `listed` (line of sessions.csv, or null) and `given_class`,
    the export's own.
    """
    table = _by_session(team)
    names = ("meeting", "session", "heat", "class", "session_kind", "date")
    given = {name: sessions[name].astype(object).to_list() for name in names}
    keys = zip(*(given[name] for name in names[:4]), strict=True)
    facts = [_agreed(table, *key) for key in keys]
    columns: dict[str, Any] = {
        "given_class": sessions["class"],
        "title": [f.session or g for f, g in zip(facts, given["session"], strict=True)],
        "session_kind": [f.kind or g for f, g in zip(facts, given["session_kind"], strict=True)],
        "shift_days": [_days(g, f.date) for f, g in zip(facts, given["date"], strict=True)],
        "date": [f.date or g for f, g in zip(facts, given["date"], strict=True)],
        "fact_start": [fact.start for fact in facts],
        "excluded": [fact.exclude for fact in facts],
        "listed": [fact.line or None for fact in facts],
    }
    columns["class"] = [g or f.racing_class for f, g in zip(facts, given["class"], strict=True)]
    return sessions.assign(**columns)


def conditions_of(team: Team, runs: pd.DataFrame) -> pd.DataFrame:
    """Of each run (meeting, session, heat, class): the conditions, as grip, in words, and a column
    a condition that is a number. What sessions.csv says counts before what meetings.csv says."""
    import pandas as pd

    names = ["grip", *(condition.name for condition in team.conditions)]
    meetings = team.meetings.set_index("meeting")[list(dict.fromkeys([*CONDITIONS, *names]))]
    out = meetings.reindex(runs["meeting"]).set_index(runs.index)
    table = _by_session(team)
    keys = runs[["meeting", "session", "heat", "class"]]
    places = keys.groupby(list(keys), sort=False).ngroup().to_numpy()
    unique = keys[~pd.Series(places).duplicated().to_numpy()]
    facts = [_agreed(table, *key) for key in unique.itertuples(index=False, name=None)]
    nothing = ("",) * len(team.conditions)
    said = pd.DataFrame([(f.grip, *(f.numbers or nothing)) for f in facts], columns=names)
    for name in names if len(runs) else ():
        own = said[name].to_numpy()[places]
        out[name] = out[name].where(own == "", own)
    out = out.replace("", None)
    return out.astype(dict.fromkeys(names[1:], "float64"))


def _by_session(team: Team) -> dict[tuple[str, str], list[Fact]]:
    columns = ["meeting", "session", "kind", "date", "start", "class", "heat", "exclude", "grip"]
    numbers = [condition.name for condition in team.conditions]
    found: dict[tuple[str, str], list[Fact]] = defaultdict(list)
    for line, meeting, *cells in team.sessions[columns + numbers].itertuples(name=None):
        said, more = cells[: len(columns) - 1], tuple(cells[len(columns) - 1 :])
        fact = Fact(*said)._replace(line=line, numbers=more)
        found[plain(meeting), plain_session(cells[0])].append(fact)
    return found


def _agreed(
    table: dict[tuple[str, str], list[Fact]],
    meeting: str,
    session: str,
    heat: str,
    racing_class: str,
) -> Fact:
    """What all rows for a session say alike: a row without heat or class is for all of them."""
    rows = table.get((plain(meeting), plain_session(session)), [])
    if not rows:
        return NOTHING
    for place, value in (("heat", heat), ("racing_class", racing_class)):
        mine = [row for row in rows if plain(getattr(row, place)) == plain(value)]
        fitting = [row for row in rows if not value or not getattr(row, place)]
        rows = mine if mine and value else [*mine, *(row for row in fitting if row not in mine)]
    if not rows:
        return NOTHING
    agreed = rows[0]
    for field in _SAID:
        if len({getattr(row, field) for row in rows}) > 1:
            agreed = agreed._replace(**{field: ""})  # type: ignore[arg-type]
    numbers = [set(own) for own in zip(*(row.numbers for row in rows), strict=True)]
    return agreed._replace(numbers=tuple(n.pop() if len(n) == 1 else "" for n in numbers))


def _days(before: str, after: str) -> int:
    if not after or before == after:
        return 0
    first, last = map(datetime.date.fromisoformat, (before, after))
    return (last - first).days
