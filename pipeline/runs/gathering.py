"""Laps, sessions and setups → the runs of a season: what every model starts from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.errors import UserError
from pipeline.runs.carried import carried_over, without_renamed
from pipeline.runs.joining import one_run_each, told_apart
from pipeline.runs.logbooks import read_log
from pipeline.runs.neutralised import with_neutralised
from pipeline.runs.order import hours, natural
from pipeline.runs.run_table import run_table
from pipeline.runs.setups import SetupLog, join
from pipeline.store.parquet import ImportRecord, Store, open_store
from pipeline.store.records import MeetingRecord, import_again
from pipeline.store.streams import read_streams
from pipeline.tables.conditions import CONDITIONS
from pipeline.tables.outcomes import felt_outcome
from pipeline.tables.records import SeasonData
from pipeline.team.classes import choose_class, one_spelling, with_changes, with_only_class
from pipeline.team.people import People, people_of
from pipeline.team.session_facts import conditions_of
from pipeline.team.tables import plain

if TYPE_CHECKING:
    from pipeline.team.folder import Team

__all__ = [
    "Gathered",
    "Season",
    "gather",
    "load_season",
    "read_season",
    "run_table",
    "runs_of",
    "stream_season",
]

RUN_KEY = ["meeting", "date", "class", "session", "heat", "driver"]
_RUN_FIELDS = ["session_kind", "team", "excluded", "source"]


@dataclass(frozen=True, eq=False)
class Gathered:
    """Everything in the store, joined, all classes, with all that was noticed on the way.

    runs: as SeasonData.runs, and start_hour. laps: see SeasonData. streams: see
    streams.read_streams. setups: the log as read, with its faults. notes: sentences about data
    that were left out or guessed; about: further ones, with the meeting that each is about.
    """

    team: Team
    runs: pd.DataFrame
    laps: pd.DataFrame
    streams: pd.DataFrame
    setups: SetupLog
    notes: tuple[str, ...] = ()
    about: tuple[tuple[str, str], ...] = ()

    def of_class(self, name: str | None) -> Season:
        """One class; CallError as in load_season."""
        changed = with_changes(self.runs, [factor.name for factor in self.team.factors])
        chosen = choose_class(self.runs["class"], name, self.team.racing_class, changed)
        data = _season_data(self.team, self.runs, self.laps, self.runs["class"] == chosen)
        classes = tuple(self.runs["class"].unique())
        notes = self.notes
        if len(classes) > 1 and name is None:
            why = "as team.toml says" if self.team.racing_class else "where settings were changed"
            notes = (f"of several classes in the store '{chosen}' is taken, {why}", *notes)
        return Season(data, self.streams, self.setups, chosen, classes, notes, self.about)


@dataclass(frozen=True, eq=False)
class Season:
    """What the models take, of one class; streams, setups, notes and about of all, see Gathered."""

    data: SeasonData
    streams: pd.DataFrame
    setups: SetupLog
    racing_class: str
    classes: tuple[str, ...]
    notes: tuple[str, ...] = ()
    about: tuple[tuple[str, str], ...] = ()


def load_season(team: Team, class_name: str | None = None) -> SeasonData:
    """The runs of one class, joined to setups; see SeasonData.

    Raises UserError where the store is empty, no run is the team's, or the setup log has faults
    (all of them at once); CallError, with the list, where there are several classes and none or
    an unknown one is named.
    """
    season = read_season(team, class_name)
    refuse_faults(season)
    return season.data


def refuse_faults(season: Season) -> None:
    """Raises UserError, as load_season, for a season that cannot be analysed."""
    if season.setups.problems:
        count = len(season.setups.problems)
        faults = f"{count} fault{'s' if count != 1 else ''}"
        raise UserError(f"the setup log has {faults}:", season.setups.problems)
    if not season.data.runs["team"].any():
        raise UserError(
            "the store has no run of a driver of the team. Look at `backtoback check`, and at the "
            "transponders and the column team of the drivers table"
        )


def read_season(team: Team, class_name: str | None = None, until: str | None = None) -> Season:
    """The same with everything noticed; faults of the setup log are kept instead of raised.

    until: see `gather`.
    """
    return gather(team, until).of_class(class_name)


def stream_season(
    team: Team, class_name: str | None = None, laps_at_once: int = 1_000_000
) -> Iterator[SeasonData]:
    """Some meetings at a time in bounded memory, without settings: for stores of any size.

    Without a name, the class is the only one of the first meetings (CallError if they have
    several). laps_at_once: how many laps are held, but for a single meeting with more.
    """
    store = open_store(team.folder)
    records = store.all_imports()
    people = _people(team, records)
    for meetings in _chunks(team, records, laps_at_once):
        part = runs_of(store, team, meetings, people)
        classes = one_spelling(part.runs["class"])
        if class_name is None:
            class_name = choose_class(classes, None, team.racing_class)
        wanted = classes.map(plain) == plain(class_name)
        yield _season_data(team, part.runs, part.laps, wanted)


def gather(team: Team, until: str | None = None) -> Gathered:
    """All runs of the store, joined to drivers, sessions and setups.

    until: only meetings that began on or before that day (ISO), and what the log says of them.
    Raises UserError where the store is empty, or has no such meeting.
    """
    store = open_store(team.folder)
    days = dict(zip(team.meetings["meeting"], team.meetings["date"], strict=True))
    began = lambda meeting: until is None or days.get(meeting, "") <= until  # noqa: E731
    records = [record for record in store.all_imports() if began(record[0])]
    meetings = _in_order(team, records)
    if not meetings and until is not None and store.all_imports():
        raise UserError(f"no meeting of the store began on or before {until}")
    if not meetings:
        raise UserError("the store is empty. Import exports first: `backtoback import --help`")
    part = runs_of(store, team, meetings, _people(team, records))
    runs = part.runs.assign(**{"class": one_spelling(part.runs["class"])})
    runs = with_only_class(runs)
    log = read_log(team)
    log.entries = [entry for entry in log.entries if began(entry.meeting)]
    log.books = [book for book in log.books if began(book.meeting)]
    without_renamed(team, log, part.streams)
    runs = pd.concat([runs, join(team, log, runs)], axis=1)
    for factor in team.factors:
        if factor.renewed:  # what ran before was another part
            runs[factor.name] = runs[factor.name].mask(runs["date"] < factor.renewed)
    about = (*_read_for_another_day(team, records), *carried_over(team, log, runs))
    notes = (*part.notes, *_time_notes(runs), *(sentence for _, sentence in about))
    return Gathered(team, runs, part.laps, part.streams, log, notes, about)


def _read_for_another_day(team: Team, records: Records) -> Iterator[tuple[str, str]]:
    """(meeting, sentence) for each whose date or time zone was mended since it was imported;
    records in the order of meetings."""
    rows = team.meetings.set_index("meeting")
    for name, files in groupby(records, key=lambda record: record[0]):
        record = MeetingRecord(name, [file for _, file in files])
        for column in ("date", "timezone"):
            now = str(rows[column].get(name) or "")
            options = (file.options.get(column) for file in record.files)
            before = {str(option) for option in options if option}
            if now and before - {now}:
                yield (
                    name,
                    f"{name}: the {column} in the meetings table is {now}, but exports were read "
                    f"with {', '.join(sorted(before - {now}))}, which counts until they come in "
                    f"again: {import_again(team.folder, record)}",
                )


Records = list[tuple[str, ImportRecord]]


def _people(team: Team, records: Records) -> People:
    return people_of(team, ((t, n) for _, record in records for t, n in record.people))


def _in_order(team: Team, records: Records) -> list[str]:
    """Meetings of the store that have laps, in order of date."""
    days = dict(zip(team.meetings["meeting"], team.meetings["date"], strict=True))
    names = {meeting for meeting, record in records if record.laps}
    return sorted(names, key=lambda name: (days.get(name, ""), name))


def _chunks(team: Team, records: Records, most: int) -> Iterator[list[str]]:
    laps: Counter[str] = Counter()
    for meeting, record in records:
        laps[meeting] += record.laps
    chunk: list[str] = []
    for meeting in _in_order(team, records):
        if chunk and sum(laps[name] for name in chunk) + laps[meeting] > most:
            yield chunk
            chunk = []
        chunk.append(meeting)
    if chunk:
        yield chunk


@dataclass(frozen=True, eq=False)
class StoreRuns:
    """Runs and laps of some meetings, all classes; laps: run (row of runs), lap, lap_s, status."""

    runs: pd.DataFrame
    laps: pd.DataFrame
    streams: pd.DataFrame
    notes: tuple[str, ...]


def runs_of(store: Store, team: Team, meetings: list[str], people: People) -> StoreRuns:
    """Laps of these meetings as runs: one driver's in one heat of one session of one day."""
    streams, laps = read_streams(store, team, meetings, people)
    streams["class"] = one_spelling(streams["class"])
    streams["hour"], streams["hour_known"] = hours(streams)
    streams, said = told_apart(streams, laps)
    streams["run"] = streams.groupby(RUN_KEY, sort=False).ngroup()
    streams, laps, notes = one_run_each(streams, laps)
    notes += said
    runs, place = _in_order_of_time(_runs(streams), meetings)
    notes += _with_conditions(runs, team)
    run = place[streams["run"].to_numpy()[laps["stream"].to_numpy()]]
    order = np.lexsort((laps["lap"].to_numpy(), run))
    cells = {name: laps[name].array.take(order) for name in ("lap", "lap_s", "status")}
    laps = pd.DataFrame({"run": run[order], **cells})
    runs["excluded"] = with_neutralised(runs["excluded"], laps)
    return StoreRuns(runs, laps, streams, tuple(notes))


def _with_conditions(runs: pd.DataFrame, team: Team) -> list[str]:
    """Put in what meetings.csv and sessions.csv say of the track; what is to be said about it."""
    for name, cells in conditions_of(team, runs).items():
        runs[name] = cells
    known = set(team.meetings["meeting"])
    return [
        f"meeting '{meeting}' is in the store but not in meetings.csv: its surface and grip are "
        "unknown"
        for meeting in runs["meeting"].unique()
        if meeting not in known
    ]


def _runs(streams: pd.DataFrame) -> pd.DataFrame:
    """One row a run, in the order of `run`."""
    used = streams[streams["used"]]
    by_run = used.groupby("run", sort=True)
    opens = used[~used["run"].duplicated()].set_index("run").sort_index()
    runs = opens[[*RUN_KEY, *_RUN_FIELDS]].copy()
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


def _in_order_of_time(
    runs: pd.DataFrame, meetings: list[str]
) -> tuple[pd.DataFrame, np.ndarray[Any, Any]]:
    """Runs sorted and numbered (run_no: within driver and class), and each one's new place."""
    places = {meeting: place for place, meeting in enumerate(meetings)}
    named = runs.assign(
        meeting=runs["meeting"].map(places),
        session=_ranks(runs["session"]),
        heat=_ranks(runs["heat"]),
    )
    keys = ["meeting", "date", "start_hour", "session", "heat", "driver"]
    order = named.sort_values(keys, kind="stable").index.to_numpy()
    runs = runs.loc[order].reset_index(drop=True)
    runs["run_no"] = runs.groupby(["meeting", "driver", "class"]).cumcount() + 1
    return runs, np.argsort(order)


def _ranks(names: pd.Series) -> pd.Series:
    """Names as numbers in their natural order."""
    order = sorted(names.unique(), key=natural)
    return names.map({name: place for place, name in enumerate(order)})


def _season_data(
    team: Team, runs: pd.DataFrame, laps: pd.DataFrame, wanted: pd.Series
) -> SeasonData:
    """The wanted runs and their laps, with the columns that the models are promised."""
    columns = ["meeting", "date", "class", "session", "session_kind", "heat", "driver", "team"]
    columns += ["run_no", "hour", "hour_known", "start", *CONDITIONS, "excluded", "total_s"]
    columns += [condition.name for condition in team.conditions]
    columns += [factor.name for factor in team.factors if factor.name in runs]
    columns += [feel.name for feel in team.feels if feel.name in runs]
    text = dict.fromkeys(["start", *CONDITIONS, "excluded"], "str")
    if not wanted.all():
        number = (wanted.cumsum() - 1).to_numpy()
        laps = laps[wanted.to_numpy()[laps["run"].to_numpy()]].reset_index(drop=True)
        laps = laps.assign(run=number[laps["run"].to_numpy()])
    runs = runs.loc[wanted, columns].astype(text).reset_index(drop=True)
    runs = runs.assign(**{str(name): cells for name, cells in run_table(runs, laps).items()})
    return SeasonData(
        runs, laps, team.factors, team.claims, team.race_seconds, team.worthwhile_s,
        team.worth_changing_s, team.properties, conditions=team.conditions,
        feels=tuple(felt_outcome(f.name, f.label, f.worse, f.better) for f in team.feels),
    )  # fmt: skip


def _time_notes(runs: pd.DataFrame) -> list[str]:
    unknown = runs.loc[~runs["hour_known"], ["meeting", "session"]].drop_duplicates()
    return [
        f"{meeting}: no time of day is known for {', '.join(rows['session'])}; the order of the "
        "sessions stands for it (give `start` in sessions.csv)"
        for meeting, rows in unknown.groupby("meeting", sort=False)
    ]
