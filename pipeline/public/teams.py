"""`pipeline.open_team`: a team folder as one object, from exports to results."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import CallError
from pipeline.public.answers import Answer
from pipeline.public.columns import as_day
from pipeline.public.joined import Joined, Progress, join
from pipeline.team.folder import load_team

if TYPE_CHECKING:
    import datetime

    from pipeline.public.joined import MeetingSheet
    from pipeline.public.seasons import TeamSeason
    from pipeline.store.importing import Progress as FileProgress
    from pipeline.team.folder import Team

Paths = str | Path | Iterable[str | Path]


def open_team(path: str | Path) -> OpenTeam:
    """The team whose folder that is.

    Its team.toml and its tables are read now; the store and the setup log each time that they are
    asked for. Raises UserError with every fault of the folder (`problems`).

    >>> import pipeline
    >>> team = pipeline.open_team("backtoback-demo")
    >>> team.name
    'Team Quarter Turn'
    """
    return OpenTeam(load_team(path))


@dataclass(frozen=True, eq=False, repr=False)
class OpenTeam:
    """A team folder that has passed every check. `team` holds what its files say."""

    team: Team

    def __repr__(self) -> str:
        return f"<{self.name}: import_exports, check, meeting, season>"

    @property
    def name(self) -> str:
        return self.team.name

    @property
    def notes(self) -> tuple[str, ...]:
        """What is to be said about the folder's files."""
        return self.team.warnings

    def import_exports(
        self,
        paths: Paths,
        meeting: str,
        *,
        session: str | None = None,
        start: str | None = None,
        layout: str | None = None,
        map: Mapping[str, str] | None = None,
        dry_run: bool = False,
        undo: bool = False,
        strict: bool = False,
        progress: FileProgress | None = None,
    ) -> Answer:
        """Take timing exports of a meeting into the store; what `import --json` prints.

        paths: files, or folders of them. The other arguments are the command's options; map:
        our field -> the export's column. All or nothing: raises UserError or CallError, with the
        store as it was, as `pipeline.store.importing.import_exports` and `undo` do.

        >>> import pipeline
        >>> team = pipeline.open_team("backtoback-demo")
        >>> again = team.import_exports("backtoback-demo/exports/may-test", "may-test")
        >>> again["rows_in"] == again["rows_kept"] + again["rows_set_aside"]
        True
        """
        from pipeline.store.importing import ImportCall, import_exports

        given = (paths,) if isinstance(paths, str | Path) else tuple(paths)
        files = tuple(Path(path) for path in given)
        if undo:
            return self._undo(files, meeting)
        if not files:
            raise CallError("give the exports to import: files, or folders of them")
        call = ImportCall(files, meeting, session, start, layout, dict(map or {}), dry_run, strict)
        report = import_exports(self.team, call, progress or (lambda files: files))
        return Answer(report.as_json(), report)

    def _undo(self, files: tuple[Path, ...], meeting: str) -> Answer:
        from pipeline.store.importing import undo

        gone = undo(self.team, files, meeting)
        laps = sum(record.laps for record in gone)
        return Answer({"undone": [record.source for record in gone], "laps": laps}, gone)

    def check(self) -> Answer:
        """What the store holds, joined and set aside, and what can be told; `check --json`.

        Faults of the setup log are part of the answer (`problems`), not raised.

        >>> import pipeline
        >>> found = pipeline.open_team("backtoback-demo").check()
        >>> sorted(meeting["meeting"] for meeting in found["meetings"])[:2]
        ['autumn-opener', 'fresh-carpet']
        """
        from pipeline.checking import check

        report = check(self.team)
        return Answer(report.as_json(), report)

    def join(self, racing_class: str | None = None, until: str | None = None) -> Joined:
        """One class's runs with their settings, not analysed; see `season` for the arguments."""
        return join(self.team, racing_class, until)

    def meeting(
        self,
        name: str,
        racing_class: str | None = None,
        *,
        plan: str | Path | None = None,
        progress: Progress | None = None,
    ) -> MeetingSheet:
        """The run sheet of one meeting, corrected for grip.

        plan: plan.json of the day, whose questions are then answered; without it one that lies in
        the team folder counts. progress: called with the name of each stage. Raises CallError for
        a meeting or class that the store does not have, UserError where the setup log has faults.

        >>> import pipeline
        >>> sheet = pipeline.open_team("backtoback-demo").meeting("may-test", "touring")
        >>> {"driver", "run_no", "changed", "corrected_s", "difference_s"} <= set(sheet.runs)
        True
        """
        say = progress or _silent
        say("reading")
        joined = self.join(racing_class)
        say("meeting")
        return joined.meeting(name, None if plan is None else Path(plan))

    def season(
        self,
        racing_class: str | None = None,
        name: str | None = None,
        until: str | datetime.date | None = None,
        out: str | Path | None = None,
        *,
        alone: bool = False,
        without: Sequence[str] = (),
        force: bool = False,
        second_opinion: bool = False,
        fresh: bool = False,
        keep: bool = False,
        progress: Progress | None = None,
    ) -> TeamSeason:
        """The season's analysis: what each setup change was worth.

        racing_class: which class, where the store has several. name: a [[season]] of team.toml;
        without it that of the last meeting. Earlier seasons speak too, as far as they agree; alone:
        they do not; without: names of those to leave out. until: as it would have been seen
        on that day: meetings that began on or before it, and of the log what holds for them. out:
        a folder for what `season` writes there, tables and page; without it nothing is written.
        force: replace files there that backtoback did not make, or that were changed since.
        second_opinion: fit pace with statsmodels too. progress: called with each stage's name.

        Results that are kept in the store are taken from there as long as nothing that they come
        from changed; fresh: they are made anew in any case. keep: into the store, for the next
        time; with `out` they are kept too.

        Raises UserError where the store is empty, the setup log has faults or `out` cannot be
        written, CallError for a class that there is not, or where several are and none is named.

        >>> import pipeline
        >>> season = pipeline.open_team("backtoback-demo").season("touring")
        >>> list(season.effects["outcome"].unique())
        ['pace', 'spread', 'mistakes', 'fade', 'race', 'rear_grip', 'steering']
        """
        say = progress or _silent
        say("reading")
        joined = self.join(racing_class, _day(until)).of_season(name, alone, without)
        season = joined.season(
            second_opinion=second_opinion,
            fresh=fresh,
            keep=keep or out is not None,
            progress=progress,
        )
        if out is not None:
            _write(season, Path(out), say, force)
        return season


def _silent(stage: str) -> None:
    pass


def _day(until: str | datetime.date | None) -> str | None:
    """The ISO day. Raises CallError for what is none."""
    day = None if until is None else as_day(until)
    if until is not None and day is None:
        raise CallError(f"until is '{until}'; expected a date as 2026-05-03")
    return day


def _write(season: TeamSeason, out: Path, say: Progress, force: bool) -> None:
    from pipeline.report.write import write_season

    result = season.result
    say("report")
    write_season(result, season.joined.context("season"), out, force=force)
