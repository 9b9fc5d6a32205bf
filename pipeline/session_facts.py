"""What sessions.csv adds to the sessions of the exports, applied whenever laps are read."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from pipeline.team_tables import plain

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.team import Team

FIELDS = ("kind", "date", "start", "class", "exclude")


def with_facts(team: Team, sessions: pd.DataFrame) -> pd.DataFrame:
    """The sessions of one meeting (schema.SESSIONS) with the words of sessions.csv put in.

    kind, date and exclude of sessions.csv win; class and start fill what the export leaves open.
    Adds `excluded` (the reason, or ''), `fact_start` (HH:MM:SS or ''), `shift_days` (days by
    which its clock is to be moved, because sessions.csv gives another date) and `listed` (line
    of sessions.csv, or null) and `given_class`, the export's own.
    """
    out = sessions.assign(given_class=sessions["class"])
    facts = [_fact(team, *cells) for cells in _keys(sessions)]
    for field in FIELDS:
        out[f"fact_{field}"] = [fact.get(field, "") for fact in facts]
    out["listed"] = [fact.get("line") for fact in facts]
    out["session_kind"] = out["session_kind"].where(out["fact_kind"] == "", out["fact_kind"])
    out["class"] = out["class"].where(out["class"] != "", out["fact_class"])
    days = zip(out["date"], out["fact_date"], strict=True)
    out["shift_days"] = [_days(before, after) for before, after in days]
    out["date"] = out["date"].where(out["fact_date"] == "", out["fact_date"])
    return out.rename(columns={"fact_exclude": "excluded"}).drop(
        columns=["fact_kind", "fact_class", "fact_date"]
    )


def kind_of(team: Team, meeting: str, session: str, heat: str, racing_class: str) -> str:
    """The kind that sessions.csv gives a session, '' where it says nothing."""
    return str(_fact(team, meeting, session, heat, racing_class).get("kind", ""))


def _keys(sessions: pd.DataFrame) -> list[tuple[str, ...]]:
    columns = ["meeting", "session", "heat", "class"]
    return list(sessions[columns].itertuples(index=False, name=None))


def _fact(
    team: Team, meeting: str, session: str, heat: str, racing_class: str
) -> dict[str, str | int]:
    """Fields on which all matching rows agree: a row without heat or class is for all of them."""
    table = team.sessions
    rows = table[(table["meeting"].map(plain) == plain(meeting))]
    rows = rows[rows["session"].map(plain) == plain(session)]
    for column, value in (("heat", heat), ("class", racing_class)):
        mine = rows[column].map(plain) == plain(value)
        fits = mine | (rows[column] == "") | (value == "")
        rows = rows[mine] if mine.any() and value else rows[fits]
    if rows.empty:
        return {}
    agreed: dict[str, str | int] = {"line": int(rows.index[0])}
    for field in FIELDS:
        said = set(rows[field])
        if len(said) == 1:
            agreed[field] = said.pop()
    return agreed


def _days(before: str, after: str) -> int:
    if not after or before == after:
        return 0
    first, last = map(datetime.date.fromisoformat, (before, after))
    return (last - first).days
