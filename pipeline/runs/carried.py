"""What settings rest on: an earlier meeting, or one whose name in the tables is not the store's."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from pipeline.errors import Problem, pasteable

if TYPE_CHECKING:
    from pipeline.runs.setups import SetupLog
    from pipeline.team.folder import Team


def carried_over(team: Team, log: SetupLog, runs: pd.DataFrame) -> Iterator[tuple[str, str]]:
    """(meeting, sentence) for each meeting at which settings hold that were logged earlier.

    runs: with the columns of the factors; see setups.join.
    """
    mine = runs[runs["team"]]
    names = [factor.name for factor in team.factors]
    earlier = pd.DataFrame(
        {name: pd.Series(log.carried.get(name, {}), mine.index, dtype="str") for name in names},
        index=mine.index,
    )
    for meeting, part in mine.groupby("meeting", sort=False):
        came = earlier.loc[part.index]
        if came.notna().any(axis=None):
            yield str(meeting), f"{meeting}: {_sentence(part, came, part[names].notna())}"


def _sentence(runs: pd.DataFrame, came: pd.DataFrame, known: pd.DataFrame) -> str:
    """came: the earlier meeting of each run and factor, or null; known: the setting is known."""
    nothing = came.notna().any(axis=1) & (came.notna() == known).all(axis=1)
    whence = ", ".join(pd.unique(came.to_numpy().ravel()[came.notna().to_numpy().ravel()]))
    words = []
    if nothing.any():
        drivers = runs.loc[nothing, "driver"].value_counts(sort=False)
        counts = ", ".join(f"{driver} {count}" for driver, count in drivers.items())
        words.append(
            f"nothing was logged there for {nothing.sum()} of the team's {len(runs)} runs "
            f"({counts}); what was on these cars is carried over from {whence}"
        )
    rest = {name: int(count) for name, count in came[~nothing].notna().sum().items() if count}
    if rest:
        factors = ", ".join(f"{name} of {count} runs" for name, count in rest.items())
        begin = "and so is" if words else "of what is known of the team's runs,"
        end = "" if words else f" is carried over from {whence}"
        words.append(f"{begin} {factors}{end}")
    return "; ".join(words)


def without_renamed(team: Team, log: SetupLog, streams: pd.DataFrame) -> None:
    """Take what may be of a meeting under another name out of the log, with a fault for each: the
    store has a meeting that the tables do not have, and nothing of one of theirs of the same day.
    """
    listed = dict(zip(team.meetings["meeting"], team.meetings["date"], strict=True))
    stored = {str(name): set(dates) for name, dates in streams.groupby("meeting")["date"]}
    for name in sorted(stored.keys() - listed.keys()):
        for other in [o for o, date in listed.items() if o not in stored and date in stored[name]]:
            command = pasteable(team.folder, "rename", name, other)
            log.entries = [entry for entry in log.entries if entry.meeting != other]
            log.books = [book for book in log.books if book.meeting != other]
            advice = (
                f"'{other}' is of the same date ({listed[other]}) and has nothing in the store; if "
                f"it is the same meeting: {command}"
            )
            found, expected = f"'{name}' in the store, but not here", "each meeting of the store"
            log.problems.append(Problem(found, expected, "meetings.csv", advice=advice))
