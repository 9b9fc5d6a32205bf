"""A team's season: its tables by name, as they were kept or as they are made now."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any

from pipeline.errors import CallError, UserError
from pipeline.tables.digest import season_name
from pipeline.team.sheets import nearest

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.decide.moved import Stand
    from pipeline.models.earlier import Earlier
    from pipeline.models.season import Found
    from pipeline.models.stages import Watch
    from pipeline.public.joined import Joined
    from pipeline.tables.decisions import Decisions
    from pipeline.tables.records import SeasonData, SeasonResult

TABLES = "effects, runs, grip, by_driver, claims, notes"


class Decided:
    """The tables of an analysis's decisions by name, and the choices of one situation."""

    if TYPE_CHECKING:

        @property
        def decisions(self) -> Decisions: ...

    @property
    def choices(self) -> pd.DataFrame:
        """What each level is worth over a race, in every grip, on every surface, for every driver,
        and which to fit; see decisions.CHOICES."""
        return self.decisions.choices

    @property
    def switchovers(self) -> pd.DataFrame:
        """Where along grip a level and its reference are equal; see decisions.SWITCHOVERS."""
        return self.decisions.switchovers

    @property
    def curves(self) -> pd.DataFrame:
        """Effects of numbers over the values that were run; see decisions.CURVES."""
        return self.decisions.curves

    @property
    def best_values(self) -> pd.DataFrame:
        """The best value of each number; see decisions.BEST_VALUES."""
        return self.decisions.best_values

    @property
    def properties(self) -> pd.DataFrame:
        """What a direction of change does; see decisions.PROPERTIES."""
        return self.decisions.properties

    @property
    def tests(self) -> pd.DataFrame:
        """What to test next; see decisions.TESTS."""
        return self.decisions.tests

    def choose(
        self, grip: str | None = None, surface: str | None = None, driver: str | None = None
    ) -> pd.DataFrame:
        """The choices of one grip, surface and driver; None: of any. Raises CallError for a name
        that they do not have."""
        rows = self.choices
        for column, wanted in (("grip", grip), ("surface", surface), ("driver", driver)):
            known = [name for name in rows[column].unique() if name]
            if wanted and wanted not in known:
                there = ", ".join(known) or "none"
                advice = nearest(wanted, known)
                raise CallError(f"no {column} '{wanted}' was run: {there}. {advice}".rstrip())
            rows = rows[rows[column] == (wanted or "")]
        return rows.reset_index(drop=True)


@dataclass(frozen=True, eq=False, repr=False)
class TeamSeason(Decided):
    """The analysis of a team folder: just made, or kept since it was made of the same data.

    result: all tables together, as the pages take them. joined: what it was made from.
    """

    result: SeasonResult
    joined: Joined

    def __repr__(self) -> str:
        return f"<season of {len(self.result.runs)} runs: {TABLES}>"

    @cached_property
    def found(self) -> Found:
        """The fits, made anew when they are asked for: tables alone are kept."""
        from pipeline.models.season import estimate

        return _with_earlier(self.joined, estimate(self.joined.data), keep=False)[0]

    @property
    def alone(self) -> Decisions | None:
        """The decisions from this season's laps alone; None where no earlier season spoke."""
        return self.result.alone

    @property
    def effects(self) -> pd.DataFrame:
        """A row for each outcome, contrast and condition; see schema.EFFECTS."""
        return self.result.effects

    @cached_property
    def runs(self) -> pd.DataFrame:
        """The team's runs alone, as the command writes them."""
        runs = self.result.runs
        return runs[runs["team"].astype(bool)].reset_index(drop=True)

    @property
    def grip(self) -> pd.DataFrame:
        """Grip of each meeting over its days, s a lap; see schema.GRIP."""
        return self.result.grip

    @property
    def by_driver(self) -> pd.DataFrame:
        """The effects for each driver of the team."""
        return self.result.by_driver

    @property
    def claims(self) -> pd.DataFrame:
        """What became of each claim."""
        return self.result.claims

    @property
    def decisions(self) -> Decisions:
        """What to fit and what to test next; see tables.decisions."""
        assert self.result.decisions is not None  # a team's season always has them
        return self.result.decisions

    @property
    def changes(self) -> pd.DataFrame:
        """What moved with the last meeting, and why; see decisions.CHANGES."""
        assert self.result.changes is not None  # a team's season always has them
        return self.result.changes

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """Sentences about these data."""
        return (*self.joined.left_out(), *self.result.notes)


def team_season(
    joined: Joined,
    watch: Watch,
    *,
    second_opinion: bool = False,
    fresh: bool = False,
    keep: bool = False,
) -> TeamSeason:
    """The season of a team folder, from what is kept of it or analysed now.

    fresh: what is kept does not count. keep: what is analysed is kept. Raises
    UserError as `pipeline.models.season.estimate`.
    """
    from pipeline.public.kept import keep_season, kept_placebo, kept_season

    folder, data = joined.team.folder, joined.data
    name = season_name(data, second_opinion=second_opinion, earlier=joined.earlier)
    result = None if fresh else kept_season(folder, name)
    if result is None:
        result = _analysed(joined, watch, second_opinion, keep)
        result = keep_season(folder, name, result) if keep else result
    tallies = kept_placebo(folder, data)
    if tallies:
        from pipeline.models.placebo import placebo_sentence, placebo_warning

        said, warning = placebo_sentence(tallies), placebo_warning(tallies)
        result = replace(result, placebo=said, placebo_warning=warning)
    return TeamSeason(result, joined)


def _analysed(joined: Joined, watch: Watch, second_opinion: bool, keep: bool) -> SeasonResult:
    from pipeline.decide.deciding import decide
    from pipeline.models.notes import seasons_said
    from pipeline.models.season import fit_season, whole_result
    from pipeline.models.stages import Watch

    found, seasons = fit_season(joined.data, None, None, watch), ()
    if joined.earlier:
        alone = found.with_shuffles()
        found, seasons = watch("earlier seasons", lambda: _with_earlier(joined, alone, keep=keep))

    def tables() -> SeasonResult:  # choices know nothing of the shuffles, nor of these
        shuffled = found if joined.earlier else found.with_shuffles()
        return whole_result(shuffled, True, Watch(None), second_opinion)

    jobs: dict[str, Callable[[], Any]] = {"choices": partial(decide, found), "tables": tables}
    jobs["before"] = partial(before_last_meeting, found, seasons)
    if found.own is not None:
        jobs["alone"] = partial(decide, found.own)
    done = watch.side_by_side(jobs, stage="choices")
    result: SeasonResult = done["tables"]
    decisions: Decisions = done["choices"]
    return replace(
        result,
        decisions=decisions,
        alone=done.get("alone"),
        seasons=tuple(seasons_said(found)),
        changes=moved(joined.data, done["before"], result.effects, decisions.choices),
        timings=dict(watch.seconds),
    )


def _with_earlier(joined: Joined, alone: Found, *, keep: bool) -> tuple[Found, tuple[Earlier, ...]]:
    """The season as seen with those before it, and what they say."""
    if not joined.earlier:
        return alone, ()
    from pipeline.models.with_seasons import with_seasons
    from pipeline.public.earlier import earlier_seasons

    seasons = tuple(earlier_seasons(joined.team.folder, joined.earlier, keep=keep))
    return with_seasons(alone, seasons), seasons


def before_last_meeting(found: Found, seasons: Sequence[Earlier] = ()) -> Stand | None:
    """Effects and choices of the data without the last meeting; None where that is the only one
    with a run that can be used. seasons: those before it."""
    from pipeline.decide.deciding import decide
    from pipeline.decide.moved import Stand, without_last_meeting
    from pipeline.models.season import estimate
    from pipeline.models.with_seasons import with_seasons

    _, data = without_last_meeting(found.data)
    if data is None:
        return None
    try:
        earlier = estimate(
            data, {*found.fits, *found.mistakes, *found.felt}, ["surface"], near=found
        )
        earlier = with_seasons(earlier, seasons)
    except UserError:
        return None
    return Stand(earlier.effects_table(), decide(earlier).choices)


def moved(
    data: SeasonData, before: Stand | None, effects: pd.DataFrame, choices: pd.DataFrame
) -> pd.DataFrame:
    """decisions.CHANGES since the last meeting. before: what `before_last_meeting` gives."""
    from pipeline.decide.moved import Stand, moved_table, without_last_meeting
    from pipeline.tables.decisions import CHANGES

    if before is None:
        return CHANGES.empty()
    meeting, _ = without_last_meeting(data)
    return moved_table(before, Stand(effects, choices), data, meeting)
