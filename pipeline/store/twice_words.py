"""What is said of runs that are told twice, and of those that contradict each other."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.errors import UserError, pasteable
from pipeline.store.told import Place, Told

if TYPE_CHECKING:
    from pipeline.store.same_laps import Pair
    from pipeline.store.twice import Decisions
    from pipeline.team.folder import Team

_MOST_SHOWN = 5


def sentences(runs: Told, decisions: Decisions) -> list[str]:
    """A sentence for each two files of which one gives laps up to the other."""
    files: dict[tuple[str, str, bool], list[Pair]] = defaultdict(list)
    for (older, newer), pairs in decisions.merged.items():
        corrected = (older, newer) in decisions.corrected
        files[older.file(newer.meeting), newer.source, corrected] += pairs
    return [
        _corrected(runs, decisions, older, newer, pairs)
        if corrected
        else f"{newer}: {_laps(runs, [p.new for p in pairs])} stand in {older} already; "
        "they are taken once"
        for (older, newer, corrected), pairs in files.items()
    ]


def _corrected(runs: Told, decisions: Decisions, older: str, newer: str, pairs: list[Pair]) -> str:
    laps = int(runs.sizes[[pair.old for pair in pairs]].sum())
    equal = sum(pair.equal for pair in pairs)
    text = (
        f"{newer} takes the place of {older} in {_laps(runs, [p.old for p in pairs])}: "
        f"{equal} of the {laps} are equal, and the later file counts"
    )
    sessions = {runs.places()[pair.old] for pair in pairs}
    left = [
        run for run, place in enumerate(runs.places())
        if place in sessions and decisions.instead[run] < 0
    ]  # fmt: skip
    return (
        f"{text}; {_laps(runs, left)} of the same session are only in {older} and stay"
        if left
        else text
    )


def _laps(runs: Told, which: list[int]) -> str:
    laps, count = int(runs.sizes[which].sum()), len(which)
    return f"{laps} lap{'s' * (laps != 1)} of {count} run{'s' * (count != 1)}"


def refuse(team: Team, runs: Told, decisions: Decisions) -> None:
    """Raises UserError for what cannot be settled without a person."""
    if decisions.strangers:
        raise _strangers(team, *decisions.strangers[0])
    if decisions.clashes:
        raise _clashes(team, runs, decisions.clashes)


def _strangers(team: Team, older: Place, newer: Place) -> UserError:
    return UserError(
        f"{newer.source} corrects {older.file(newer.meeting)} (session {older.session}), but is "
        f"imported for {newer.meeting}; nothing was changed. If {older.meeting} is the wrong "
        f"meeting, take the older file out there first:\n  {_undo(team, older)}"
    )


def _clashes(team: Team, runs: Told, clashes: list[Pair]) -> UserError:
    places = runs.places()
    lines = [_clash(team, runs, places, pair) for pair in clashes[:_MOST_SHOWN]]
    more = len(clashes) - _MOST_SHOWN
    lines += [f"and {more} more"] if more > 0 else []
    first = places[clashes[0].old]
    return UserError(
        "a driver cannot be in two runs at once; nothing was changed:"
        + "".join(f"\n  {line}" for line in lines)
        + "\nIf a file has a wrong time, name or meeting, mend it there (sessions.csv gives a "
        "session its date). Two cars under one name are told apart by a class of their own in "
        "drivers.csv or sessions.csv. To take the older file out:"
        f"\n  {_undo(team, first)}"
    )


def _clash(team: Team, runs: Told, places: list[Place], pair: Pair) -> str:
    older, newer = places[pair.old], places[pair.new]
    driver = runs.runs["driver"].iloc[pair.new]
    both = " and ".join(
        f"{place.file(newer.meeting)}, session {place.session}, {_span(team, runs, run)}"
        for place, run in ((older, pair.old), (newer, pair.new))
    )
    fewer = int(runs.sizes[[pair.old, pair.new]].min())
    return f"{driver}: {both}; {pair.equal} of {fewer} laps are equal"


def _span(team: Team, runs: Told, run: int) -> str:
    row = runs.runs.iloc[run]
    meeting = team.meeting(row["meeting"])
    zone = ZoneInfo(meeting.timezone if meeting and meeting.timezone else "UTC")
    first, last = (
        pd.Timestamp(row[name], unit="ms", tz="UTC").tz_convert(zone) for name in ("first", "last")
    )
    return f"{first:%Y-%m-%d %H:%M:%S} to {last:%H:%M:%S}"


def _undo(team: Team, place: Place) -> str:
    return pasteable(team.folder, "import", place.source, "--meeting", place.meeting, "--undo")
