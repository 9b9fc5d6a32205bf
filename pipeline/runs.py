"""Laps, sessions and setups → the runs of a season: what every model starts from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.classes import choose_class, one_spelling, with_only_class
from pipeline.errors import UserError
from pipeline.models.tables import SeasonData
from pipeline.order import hours, natural
from pipeline.people import People, people_of
from pipeline.run_table import run_table
from pipeline.setups import SetupLog, join, read_log
from pipeline.store import Store, open_store
from pipeline.streams import meeting_streams
from pipeline.team_tables import plain

if TYPE_CHECKING:
    from pipeline.team import Team

__all__ = [
    "Gathered",
    "Season",
    "gather",
    "load_season",
    "meeting_runs",
    "read_season",
    "run_table",
    "stream_season",
]

RUN_KEY = ["date", "class", "session", "heat", "driver"]
_RUN_FIELDS = ["meeting", "session_kind", "team", "excluded", "source"]


@dataclass(frozen=True, eq=False)
class Gathered:
    """Everything in the store, joined, all classes, with all that was noticed on the way.

    runs: as SeasonData.runs, and start_hour. laps: see SeasonData. streams: see
    streams.meeting_streams. setups: the log as read, with its faults. notes: sentences about data
    that were left out or guessed.
    """

    team: Team
    runs: pd.DataFrame
    laps: pd.DataFrame
    streams: pd.DataFrame
    setups: SetupLog
    notes: tuple[str, ...] = ()

    def of_class(self, name: str | None) -> Season:
        """One class; CallError as in load_season."""
        chosen = choose_class(self.runs["class"], name)
        data = _season_data(self.team, self.runs, self.laps, self.runs["class"] == chosen)
        classes = tuple(self.runs["class"].unique())
        return Season(data, self.streams, self.setups, chosen, classes, self.notes)


@dataclass(frozen=True, eq=False)
class Season:
    """What the models take, of one class; streams, setups and notes of all, see Gathered."""

    data: SeasonData
    streams: pd.DataFrame
    setups: SetupLog
    racing_class: str
    classes: tuple[str, ...]
    notes: tuple[str, ...] = ()


def load_season(team: Team, class_name: str | None = None) -> SeasonData:
    """The runs of one class, joined to setups; see SeasonData.

    Raises UserError where the store is empty, no run is the team's, or the setup log has faults
    (all of them at once); CallError, with the list, where there are several classes and none or
    an unknown one is named.
    """
    season = read_season(team, class_name)
    if season.setups.problems:
        count = len(season.setups.problems)
        faults = f"{count} fault{'s' if count != 1 else ''}"
        raise UserError(f"the setup log has {faults}:", season.setups.problems)
    if not season.data.runs["team"].any():
        raise UserError(
            "the store has no run of a driver of the team. Look at `backtoback check`, and at the "
            "transponders and the column team of the drivers table"
        )
    return season.data


def read_season(team: Team, class_name: str | None = None) -> Season:
    """The same with everything noticed; faults of the setup log are kept instead of raised."""
    return gather(team).of_class(class_name)


def gather(team: Team) -> Gathered:
    """All runs of the store, joined to drivers, sessions and setups.

    Raises UserError where the store is empty.
    """
    parts = list(all_meetings(open_store(team.folder), team))
    if not parts:
        raise UserError("the store is empty. Import exports first: `backtoback import --help`")
    runs, laps = _stack([(part.runs, part.laps) for part in parts])
    runs["class"] = one_spelling(runs["class"])
    runs = with_only_class(runs)
    log = read_log(team)
    runs = pd.concat([runs, join(team, log, runs)], axis=1)
    streams = pd.concat([part.streams for part in parts], ignore_index=True)
    notes = [note for part in parts for note in part.notes]
    return Gathered(team, runs, laps, streams, log, (*notes, *_time_notes(runs)))


def stream_season(team: Team, class_name: str | None = None) -> Iterator[SeasonData]:
    """One meeting at a time in bounded memory, without settings: for stores of any size.

    Without a name, the class is the one of the first meeting, if that has one only (CallError).
    """
    for part in all_meetings(open_store(team.folder), team):
        classes = one_spelling(part.runs["class"])
        if class_name is None:
            class_name = choose_class(classes, None)
        wanted = classes.map(plain) == plain(class_name)
        yield _season_data(team, part.runs, part.laps, wanted)


@dataclass(frozen=True, eq=False)
class MeetingRuns:
    """Runs and laps of one meeting, all classes; laps: run (row of runs), lap, lap_s, status."""

    runs: pd.DataFrame
    laps: pd.DataFrame
    streams: pd.DataFrame
    notes: tuple[str, ...]


def all_meetings(store: Store, team: Team) -> Iterator[MeetingRuns]:
    """Every meeting of the store, in order of date."""
    records = store.all_imports()
    people = people_of(team, ((t, n) for _, record in records for t, n in record.people))
    names = list(dict.fromkeys(meeting for meeting, _ in records))
    days = {name: getattr(team.meeting(name), "date", "") for name in names}
    for name in sorted(names, key=lambda name: (days[name], name)):
        part = meeting_runs(store, team, name, people)
        if len(part.runs):
            yield part


def meeting_runs(store: Store, team: Team, meeting: str, people: People) -> MeetingRuns:
    """One meeting's laps as runs: one driver's laps in one heat of one session of one day."""
    streams, laps = meeting_streams(store, team, meeting, people)
    streams["class"] = one_spelling(streams["class"])
    streams["hour"], streams["hour_known"] = hours(streams)
    streams["run"] = streams.groupby(RUN_KEY, sort=False).ngroup()
    streams, laps, notes = _one_run_each(streams, laps)
    runs, place = _in_order_of_time(_runs(streams))
    row = team.meeting(meeting)
    runs["surface"] = (row.surface or None) if row else None
    runs["grip"] = (row.grip or None) if row else None
    if row is None:
        notes.append(f"meeting '{meeting}' is in the store but not in meetings.csv: its surface "
                     "and grip are unknown")  # fmt: skip
    laps = laps.assign(run=place[streams["run"].to_numpy()[laps["stream"].to_numpy()]])
    laps = laps.sort_values(["run", "lap"], kind="stable")
    laps = laps[["run", "lap", "lap_s", "status"]].reset_index(drop=True)
    return MeetingRuns(runs, laps, streams, tuple(notes))


def _one_run_each(
    streams: pd.DataFrame, laps: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Of streams that tell of the same laps, the longest; streams that follow are joined."""
    several = streams[streams["run"].duplicated(keep=False)]
    drop, notes = [], []
    numbers = laps[laps["stream"].isin(several.index)].groupby("stream")["lap"].agg(["min", "max"])
    for _, rows in several.groupby("run", sort=False):
        rows = rows.join(numbers).sort_values("n_laps", ascending=False, kind="stable")
        kept = [rows.iloc[0]]
        for place in range(1, len(rows)):
            if any(_same_laps(rows.iloc[place], other) for other in kept):
                drop.append(rows.index[place])
                notes.append(_told_twice(kept[0], rows.iloc[place]))
            else:
                kept.append(rows.iloc[place])
    if len(several):
        laps = laps[~laps["stream"].isin(drop)]
        laps = _renumbered(laps, streams, set(several["run"]))
    return streams.assign(used=~streams.index.isin(drop)), laps, notes


def _same_laps(one: Any, other: Any) -> bool:
    if not np.isnan(one["first_s"]) and not np.isnan(other["first_s"]):
        return bool(one["first_s"] < other["last_s"] - 1 and other["first_s"] < one["last_s"] - 1)
    return bool(one["min"] <= other["max"] and other["min"] <= one["max"])


def _told_twice(kept: Any, left: Any) -> str:
    def shown(stream: Any) -> str:
        number = f", transponder {stream['transponder']}" if pd.notna(stream["transponder"]) else ""
        return f"{stream['n_laps']} laps of {stream['source']}{number}"

    return (
        f"{kept['driver']} at {kept['meeting']}, {kept['session']}: the same run twice; kept "
        f"{shown(kept)}, left out {shown(left)}"
    )


def _renumbered(laps: pd.DataFrame, streams: pd.DataFrame, several: set[int]) -> pd.DataFrame:
    """Laps of joined streams count through, in order of time."""
    run = streams["run"].to_numpy()[laps["stream"].to_numpy()]
    begin = streams["first_s"].to_numpy()[laps["stream"].to_numpy()]
    mixed = laps[np.isin(run, list(several))].assign(
        run=run[np.isin(run, list(several))], begin=begin[np.isin(run, list(several))]
    )
    mixed = mixed.sort_values(["run", "begin", "lap"], kind="stable")
    clash = mixed.duplicated(["run", "lap"], keep=False).groupby(mixed["run"]).transform("any")
    count = mixed.groupby("run").cumcount() + 1
    lap = laps["lap"].copy()
    lap.loc[mixed.index] = mixed["lap"].where(~clash, count)
    return laps.assign(lap=lap)


def _runs(streams: pd.DataFrame) -> pd.DataFrame:
    """One row a run, in the order of `run`."""
    used = streams[streams["used"]]
    by_run = used.groupby("run", sort=True)
    runs = by_run[[*RUN_KEY, *_RUN_FIELDS]].first()
    first, last = by_run["first_s"].min(), by_run["last_s"].max()
    runs["start_hour"] = by_run["hour"].min()
    runs["hour_known"] = by_run["hour_known"].all()
    runs["total_s"] = (last - first).where(by_run.size() > 1, by_run["seconds"].max())
    runs["total_s"] = runs["total_s"].fillna(by_run["seconds"].max())
    middle = (first + last) / 7200
    runs["hour"] = middle.fillna(
        runs["start_hour"] + runs["total_s"].where(runs["hour_known"], 0) / 7200
    )
    day = pd.to_datetime(runs["date"]).dt.as_unit("s")
    start = day + pd.to_timedelta((runs["start_hour"] * 3600).round(), unit="s")
    text = start.dt.strftime("%Y-%m-%dT%H:%M:%S")
    runs["start"] = text.where(runs["hour_known"], None)
    runs["excluded"] = runs["excluded"].where(runs["excluded"] != "", None)
    return runs.reset_index(drop=True)


def _in_order_of_time(runs: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray[Any, Any]]:
    """Runs sorted and numbered (run_no: within driver and class), and each one's new place."""
    named = runs.assign(heat=runs["heat"].map(natural), session=runs["session"].map(natural))
    keys = ["date", "start_hour", "session", "heat", "driver"]
    order = named.sort_values(keys, kind="stable").index.to_numpy()
    runs = runs.loc[order].reset_index(drop=True)
    runs["run_no"] = runs.groupby(["driver", "class"]).cumcount() + 1
    return runs, np.argsort(order)


def _stack(parts: list[tuple[pd.DataFrame, pd.DataFrame]]) -> tuple[pd.DataFrame, pd.DataFrame]:
    offsets = np.cumsum([0, *(len(runs) for runs, _ in parts[:-1])])
    laps = [laps.assign(run=laps["run"] + o) for (_, laps), o in zip(parts, offsets, strict=True)]
    runs = pd.concat([runs for runs, _ in parts], ignore_index=True)
    return runs, pd.concat(laps, ignore_index=True)


def _season_data(
    team: Team, runs: pd.DataFrame, laps: pd.DataFrame, wanted: pd.Series
) -> SeasonData:
    """The wanted runs and their laps, with the columns that the models are promised."""
    columns = ["meeting", "date", "class", "session", "session_kind", "heat", "driver", "team"]
    columns += ["run_no", "hour", "hour_known", "start", "surface", "grip", "excluded", "total_s"]
    columns += [factor.name for factor in team.factors if factor.name in runs]
    text = dict.fromkeys(["start", "surface", "grip", "excluded"], "str")
    if not wanted.all():
        number = (wanted.cumsum() - 1).to_numpy()
        laps = laps[wanted.to_numpy()[laps["run"].to_numpy()]].reset_index(drop=True)
        laps = laps.assign(run=number[laps["run"].to_numpy()])
    runs = runs.loc[wanted, columns].astype(text).reset_index(drop=True)
    runs = runs.assign(**{str(name): cells for name, cells in run_table(runs, laps).items()})
    return SeasonData(runs, laps, team.factors, team.claims, team.race_seconds, team.worthwhile_s)


def _time_notes(runs: pd.DataFrame) -> list[str]:
    unknown = runs.loc[~runs["hour_known"], ["meeting", "session"]].drop_duplicates()
    return [
        f"{meeting}: no time of day is known for {', '.join(rows['session'])}; the order of the "
        "sessions stands for it (give `start` in sessions.csv)"
        for meeting, rows in unknown.groupby("meeting", sort=False)
    ]
