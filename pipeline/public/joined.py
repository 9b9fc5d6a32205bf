"""A team folder with one class's runs joined to setups: what is analysed, and what pages need."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING

from pipeline.errors import CallError, UserError
from pipeline.team.sheets import nearest

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from pipeline.models.placebo import Tally
    from pipeline.plan.answers import Answers
    from pipeline.plan.planned import PlannedDay
    from pipeline.public.seasons import TeamSeason
    from pipeline.report.context import ReportContext
    from pipeline.report.privacy import Others
    from pipeline.runs.gathering import Season
    from pipeline.tables.records import MeetingResult, SeasonData
    from pipeline.team.folder import Team

Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False, repr=False)
class Joined:
    """One class's runs, gathered once; not yet analysed. earlier: by name, the seasons before
    that speak too; options: of the command that chose them."""

    team: Team
    source: Season
    until: str | None = None
    earlier: tuple[tuple[str, SeasonData], ...] = ()
    options: str = ""

    def __repr__(self) -> str:
        return f"<{self.team.name}: {len(self.data.runs)} runs joined to their settings>"

    @property
    def data(self) -> SeasonData:
        return self.source.data

    @property
    def team_drivers(self) -> list[str]:
        """Drivers of the team that have runs in this class."""
        runs = self.data.runs
        return sorted(runs.loc[runs["team"], "driver"].unique())

    def team_driver(self, name: str) -> str:
        """A team driver with runs, in any case. Raises CallError, with the list, if unknown."""
        names = self.team_drivers
        return _known(name, names, f"no team driver '{name}' has runs. The team's are")

    def left_out(self) -> Iterator[str]:
        """What is to be said about data that were left out or guessed."""
        from pipeline.checking import set_aside_reasons

        aside = sum(rows for _, rows in set_aside_reasons(self.team.folder))
        if aside:
            yield f"{aside} rows of the exports were set aside (backtoback check)"
        excluded = int(self.data.runs["excluded"].notna().sum())
        if excluded:
            yield f"{excluded} runs are left out, with the reason on the page"
        yield from self.source.notes

    def of_season(
        self, name: str | None = None, alone: bool = False, without: Sequence[str] = ()
    ) -> Joined:
        """One season of it, with those before it; see `pipeline.team.seasons.divide`."""
        from pipeline.team.seasons import divide

        days = self.data.runs.groupby("meeting")["date"].min()
        began = [(str(meeting), str(day)) for meeting, day in days.items()]
        found = divide(self.team.seasons, began, name, alone, without)
        if not self.team.seasons:
            return self
        meeting = self.data.runs["meeting"]
        data = self.data.only(meeting.isin(found.meetings).to_numpy())
        before = tuple(
            (season, self.data.only(meeting.isin(meetings).to_numpy()))
            for season, meetings in found.earlier
        )
        source = replace(
            self.source,
            data=replace(data, meetings_planned=found.planned),
            notes=(*self.source.notes, *found.notes),
        )
        words = [f'--name "{name}"'] if name else []
        words += [*(f'--without "{one}"' for one in without), *(["--alone"] if alone else [])]
        return replace(self, source=source, earlier=before, options=" ".join(words))

    def season(
        self,
        *,
        second_opinion: bool = False,
        fresh: bool = False,
        keep: bool = False,
        progress: Progress | None = None,
    ) -> TeamSeason:
        """The season as it was kept, or its models fitted now. fresh: fit them in any case. keep:
        the result goes into the store, and what earlier seasons say. progress: called with the name
        of each stage."""
        if progress is not None:
            progress("libraries")  # a third of a second to load: neither reading nor fitting
        from pipeline.models.stages import Watch
        from pipeline.public.seasons import team_season

        watch = Watch(progress, workers=os.cpu_count() or 1)
        return team_season(self, watch, second_opinion=second_opinion, fresh=fresh, keep=keep)

    def placebo(
        self,
        logs: int = 200,
        *,
        workers: int = 1,
        progress: Callable[[int], None] | None = None,
    ) -> list[Tally]:
        """What the whole analysis finds on so many shuffled logs, a tally an outcome; kept in the
        store for the season's page. progress: called with the number of logs done."""
        from pipeline.models.placebo import placebo
        from pipeline.public.kept import keep_placebo

        tallies = placebo(self.data, logs, workers=workers, progress=progress)
        keep_placebo(self.team.folder, self.data, tallies)
        return tallies

    def meeting(self, name: str, plan: Path | None = None) -> MeetingSheet:
        """The run sheet of a meeting, named in any case. Raises CallError if it is unknown.

        plan: plan.json of the day, whose questions are then answered; without it one that lies in
        the team folder counts.
        """
        from pipeline.models.meeting import analyse_meeting

        names = list(dict.fromkeys(self.data.runs["meeting"]))
        known = _known(name, names, f"no meeting '{name}' has runs in the store. It has")
        result = analyse_meeting(self.data, known)
        about = [sentence for meeting, sentence in self.source.about if meeting == known]
        result = replace(result, notes=(*result.notes, *about))
        day, notes = _plan_of(self.team, known, plan)
        if day is None:
            return MeetingSheet(replace(result, notes=(*result.notes, *notes)), self)
        return self._planned(result, day, notes)

    def _planned(self, result: MeetingResult, day: PlannedDay, notes: list[str]) -> MeetingSheet:
        from pipeline.plan.answers import answer_plan
        from pipeline.report.plan_answers import departed_words
        from pipeline.store.batches import today

        going_on = bool((result.runs["date"] >= today()).any()) and len(result.runs) < len(day.runs)
        found = answer_plan(result, day, self.team.worthwhile_s, going_on=going_on)
        said = departed_words(found, self.context("meeting"))
        result = replace(result, notes=(*result.notes, *notes, *said))
        return MeetingSheet(result, self, found)

    def context(self, command: str) -> ReportContext:
        """The words of a report made by this command."""
        from pipeline.checking import set_aside_reasons
        from pipeline.public.kept import kept_drawing
        from pipeline.report.context import make_context
        from pipeline.report.provenance import provenance
        from pipeline.store.batches import today

        team, shown = self.team, self.source.racing_class
        shown = shown if len(self.source.classes) > 1 else ""
        option = f" --class {shown}" if shown else ""
        option += f" --until {self.until}" if self.until else ""
        option += f" {self.options}" if self.options else ""
        made = provenance(team.folder, f"backtoback {command}{option}", today())
        context = make_context(
            team.name, team.factors, team.race_seconds, team.worthwhile_s, made, shown,
            set_aside_reasons(team.folder), (*self.data.outcomes, *self.data.feels),
        )  # fmt: skip
        return replace(context, drawn=partial(kept_drawing, team.folder))

    def everybody(self) -> Others:
        """Everybody and every transponder, for a page in which nobody may stand."""
        return self._others("", [])

    def others(self, driver: str) -> Others:
        """Who must not stand in the file of `driver`."""
        return self._others(driver, [n for n in self.team.team_drivers if self.team.shares(n)])

    def _others(self, driver: str, consenting: list[str]) -> Others:
        from pipeline.report.privacy import others_of

        people, spellings, numbers = self._people
        return others_of(driver, people, consenting, spellings, numbers)

    @cached_property
    def _people(self) -> tuple[pd.DataFrame, dict[str, set[str]], set[str]]:
        """Everybody and whether of the team, their names as given, and every transponder."""
        import pandas as pd

        streams, listed = self.source.streams, self.team.drivers
        given = streams[streams["name_as_given"].notna()]
        spellings = {str(n): set(rows["name_as_given"]) for n, rows in given.groupby("driver")}
        numbers = {*streams["transponder"].dropna(), *listed["transponder"]}
        people = pd.concat([streams[["driver", "team"]], listed[["driver", "team"]]])
        return people.drop_duplicates(), spellings, numbers


@dataclass(frozen=True, eq=False, repr=False)
class MeetingSheet:
    """The run sheet of one meeting; columns and words as in tables.records.MeetingResult."""

    result: MeetingResult
    joined: Joined
    planned: Answers | None = None

    def __repr__(self) -> str:
        return f"<run sheet of {self.result.meeting}: runs, grip, effects, notes>"

    @property
    def runs(self) -> pd.DataFrame:
        """The team's runs, each with what was changed before it and what that came to."""
        return self.result.runs

    @property
    def grip(self) -> pd.DataFrame:
        """Grip over the day, s a lap; see schema.GRIP."""
        return self.result.grip

    @property
    def effects(self) -> pd.DataFrame | None:
        """All back-to-backs of the meeting together; see schema.EFFECTS."""
        return self.result.effects

    @property
    def notes(self) -> tuple[str, ...]:
        """Sentences about this meeting."""
        return (self.result.reference, *self.result.notes)


def join(team: Team, racing_class: str | None = None, until: str | None = None) -> Joined:
    """Read the store and join the setup log.

    Raises UserError and CallError as `pipeline.runs.gathering.load_season`.
    """
    from pipeline.runs.gathering import read_season, refuse_faults

    season = read_season(team, racing_class, until)
    refuse_faults(season)
    return Joined(team, season, until)


def _plan_of(team: Team, meeting: str, path: Path | None) -> tuple[PlannedDay | None, list[str]]:
    """The plan of the meeting, if there is one, and what is to be said about that.

    A file that is named must be a plan; one that was found may be anything.
    """
    from pipeline.plan.planned import find_plans, read_plan

    if path is not None:
        return read_plan(team, path, meeting), []
    found = find_plans(team, meeting)
    if not found:
        return None, []
    shown = found[-1].relative_to(team.folder)
    more = (
        f" {len(found)} plans of it lie here: --plan FILE names another." if len(found) > 1 else ""
    )
    try:
        return read_plan(team, found[-1], meeting), [f"The plan of the day is {shown}.{more}"]
    except UserError as error:
        return None, [f"{shown} is not used as the plan of the day: {error.problems[0]}."]


def _known(name: str, names: list[str], otherwise: str) -> str:
    for known in names:
        if known.casefold() == " ".join(name.split()).casefold():
            return known
    raise CallError(f"{otherwise} {', '.join(names)}. {nearest(name, names)}".rstrip())
