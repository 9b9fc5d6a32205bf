"""What the store holds, what joined, what was set aside, what can be told: tables and sentences."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipeline.errors import Problem
from pipeline.runs.gathering import Gathered, gather
from pipeline.runs.logbooks import read_log
from pipeline.store.parquet import ImportRecord, open_store
from pipeline.tables.conditions import CONDITIONS
from pipeline.team.people import suggestions, unseen_numbers
from pipeline.team.session_facts import plain_session

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.runs.setups import SetupLog
    from pipeline.team.folder import Factor, Team

Row = dict[str, Any]


@dataclass
class CheckReport:
    """Everything that `check` shows, as plain rows.

    meetings: a row a meeting of the store. statuses: lap status -> laps. reasons: reason -> rows
    set aside. settings: a row a factor and class: runs of the team, those with a known setting,
    runs by level. feels: a row a feel: runs of the team, those with a score. logbooks: a row a
    logbook that was taken in. tell_apart: see models.identify.tell_apart, with the class. names:
    suggestions. problems: faults of the setup log.
    """

    team: str
    meetings: list[Row] = field(default_factory=list)
    not_imported: list[str] = field(default_factory=list)
    statuses: dict[str, int] = field(default_factory=dict)
    reasons: dict[str, int] = field(default_factory=dict)
    settings: list[Row] = field(default_factory=list)
    feels: list[Row] = field(default_factory=list)
    logbooks: list[Row] = field(default_factory=list)
    tell_apart: list[Row] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """What `check --json` prints."""
        return {**asdict(self), "problems": [str(problem) for problem in self.problems]}

    @property
    def rows_set_aside(self) -> int:
        return sum(self.reasons.values())


def check(team: Team) -> CheckReport:
    """Look at the whole team folder; a wrong setup log is part of the report, not an error."""
    records = open_store(team.folder).all_imports()
    report = CheckReport(team.name, notes=list(team.warnings))
    report.reasons = _reasons(records)
    stored = {meeting for meeting, _ in records}
    report.not_imported = [name for name in team.meetings["meeting"] if name not in stored]
    if not records:
        log = read_log(team)
        report.problems, report.notes = log.problems, [*report.notes, *log.warnings]
        report.logbooks = _logbooks(log)
        return report
    everything = gather(team)
    log = everything.setups
    report.meetings = _meetings(everything, records)
    laps = _counts(everything.laps["status"])
    report.statuses = {status: count for status, count in laps.items() if count}
    report.settings = _settings(team, everything.runs)
    report.feels, report.logbooks = _feels(team, everything.runs), _logbooks(log)
    report.names = suggestions(team, everything.streams)
    report.names += unseen_numbers(team, everything.streams)
    report.problems = log.problems
    report.notes += [*everything.notes, *log.warnings, *_sessions_not_met(team, everything)]
    report.notes += _unknown_settings(team, everything.runs)
    report.tell_apart = _tell_apart(everything)
    return report


def _reasons(records: list[tuple[str, ImportRecord]]) -> dict[str, int]:
    total: Counter[str] = Counter()
    for _, record in records:
        total.update(record.reasons)
    return dict(total.most_common())


def set_aside_reasons(folder: Path) -> tuple[tuple[str, int], ...]:
    """(reason in words, rows set aside for it) over all imports, the commonest first."""
    from pipeline.read.reasons import REASONS

    titles = {reason.code: reason.title for reason in REASONS}
    counts = _reasons(open_store(folder).all_imports())
    return tuple((titles.get(code, code), count) for code, count in counts.items())


def _counts(column: pd.Series) -> dict[str, int]:
    return {str(value): int(count) for value, count in column.value_counts().items()}


def _meetings(everything: Gathered, records: list[tuple[str, ImportRecord]]) -> list[Row]:
    runs = everything.runs
    laps = everything.laps.groupby("run").size().reindex(range(len(runs)), fill_value=0)
    rows = []
    for meeting, part in runs.groupby("meeting", sort=False):
        files = [record for name, record in records if name == meeting]
        rows.append({
            "meeting": str(meeting), "days": sorted(part["date"].unique()),
            **{condition: part[condition].iloc[0] for condition in CONDITIONS},
            "files": len(files), "sessions": int(part["session"].nunique()),
            "drivers": int(part["driver"].nunique()), "runs": len(part),
            "team_drivers": int(part.loc[part["team"], "driver"].nunique()),
            "team_runs": int(part["team"].sum()), "laps": int(laps[part.index].sum()),
            "excluded_runs": int(part["excluded"].notna().sum()),
            "excluded": sorted(part["excluded"].dropna().unique()),
            "rows_set_aside": sum(record.rows_set_aside for record in files),
        })  # fmt: skip
    return rows


def _settings(team: Team, runs: pd.DataFrame) -> list[Row]:
    rows = []
    for racing_class, part in runs[runs["team"]].groupby("class", sort=False):
        for factor in team.factors:
            rows.append({
                "class": str(racing_class), "factor": factor.name, "label": factor.label,
                "team_runs": len(part), "known": int(part[factor.name].notna().sum()),
                "levels": _levels(factor, part[factor.name]),
            })  # fmt: skip
    return rows


def _feels(team: Team, runs: pd.DataFrame) -> list[Row]:
    mine = runs[runs["team"]]
    return [
        {"feel": feel.name, "label": feel.label, "team_runs": len(mine),
         "scored": int(mine[feel.name].notna().sum())}
        for feel in team.feels
    ]  # fmt: skip


def _logbooks(log: SetupLog) -> list[Row]:
    return [
        {"meeting": book.meeting, "driver": book.driver, "runs": len(book.starts)}
        for book in log.books
    ]


def _unknown_settings(team: Team, runs: pd.DataFrame) -> list[str]:
    """Factors that the log knows in some runs of a driver, but not in all."""
    notes = []
    names = [factor.name for factor in team.factors]
    mine = runs[runs["team"]]
    for (driver, racing_class), part in mine.groupby(["driver", "class"], sort=False):
        who = f"{driver}, {racing_class}" if racing_class else str(driver)
        unknown = part[names].isna()
        if unknown.all(axis=None):
            notes.append(f"nothing of {who} is in the setup log: {len(part)} runs")
            continue
        for name in names:
            if 0 < unknown[name].sum() < len(part):
                first = part[unknown[name]].iloc[0]
                notes.append(
                    f"{name} of {who} is not in the setup log for {unknown[name].sum()} of "
                    f"{len(part)} runs, first at {first['meeting']}, run {first['run_no']} "
                    f"({first['session']}); these runs cannot count for it"
                )
    return notes


def _levels(factor: Factor, settings: pd.Series) -> dict[str, int]:
    """Level -> runs, in the order of the levels; numbers by size."""
    counts = _counts(settings)
    order = factor.levels if factor.kind != "number" else sorted(counts, key=float)
    return {level: counts[level] for level in order if level in counts}


def _sessions_not_met(team: Team, everything: Gathered) -> list[str]:
    """Rows of sessions.csv about sessions that no export of an imported meeting has."""
    if not len(team.sessions):
        return []
    titles = everything.streams[["meeting", "title"]].drop_duplicates()
    known = {(m, plain_session(title)) for m, title in titles.itertuples(index=False, name=None)}
    imported = {meeting for meeting, _ in known}
    rows = team.sessions[["meeting", "session"]].itertuples(name=None)
    return [
        f"sessions.csv, line {line}: no export of {meeting} has a session '{session}'"
        for line, meeting, session in rows
        if meeting in imported and (meeting, plain_session(session)) not in known
    ]


def _tell_apart(everything: Gathered) -> list[Row]:
    """Which contrasts the data can tell, for each class in which the team has known settings."""
    from pipeline.models.identify import tell_apart

    rows: list[Row] = []
    team_runs = everything.runs[everything.runs["team"]]
    for racing_class in team_runs["class"].unique():
        table = tell_apart(everything.of_class(racing_class).data)
        table = table.astype(object).where(table.notna(), None)
        cells = table.assign(**{"class": str(racing_class)}).to_dict("records")
        rows += [{str(name): value for name, value in row.items()} for row in cells]
    return rows
