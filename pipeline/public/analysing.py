"""`pipeline.analyse`: a season's analysis of frames in memory."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from pipeline.errors import CallError, Problem, UserError
from pipeline.models.curves import grip_table
from pipeline.models.notes import seasons_said
from pipeline.models.season import Found, estimate, whole_result
from pipeline.public.frames import further_columns, season_data
from pipeline.runs.run_table import run_table
from pipeline.tables.conditions import CONDITIONS
from pipeline.tables.outcomes import OUTCOMES
from pipeline.team.sheets import nearest

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.models.earlier import Earlier
    from pipeline.models.stages import Watch
    from pipeline.public.joined import Joined
    from pipeline.tables.decisions import Decisions
    from pipeline.tables.records import SeasonResult


def analyse(
    runs: pd.DataFrame,
    laps: pd.DataFrame,
    factors: Sequence[Mapping[str, Any]],
    *,
    outcomes: Sequence[str] | None = None,
    conditions: Sequence[str] | None = None,
    race_seconds: float = 300.0,
    worthwhile_s: float = 0.03,
    worth_changing_s: float = 0.1,
    claims: Sequence[Mapping[str, Any]] = (),
    by_driver: bool = True,
) -> Analysis:
    """What each setup change was worth, from the runs and laps of one class.

    runs: a row a run, in any order, with columns
        meeting, session, driver (text), date (ISO text or a date), session_kind (practice,
        qualifying, final or test), team (bool: a driver of the team), run_no (from 1 within driver
        and meeting), and a column a factor (text or number as in a setup log; missing where unknown
        and for rivals); if there are such columns, also class, heat (text), start (local date and
        time, ISO text or timestamp without zone; where it is missing the order of the sessions
        serves), surface (text), grip (low, medium, high), excluded (text: why the run stays out).
        A further column of numbers (track_temp) is a condition: how effects change with it is told
        by a quarter of the range that the team met.
    laps: a row a lap: run (position of its row in `runs`, from 0), lap (from 1), lap_s (seconds),
        and status (see `schema.LAP_STATUSES`); without that column it is found.
    factors, claims: the keys of [[factor]] and [[claim]] of team.toml, a dict each.
    outcomes, conditions: names of those to look at (conditions: grip, surface, a further column of
        numbers); `[]` for none, None for all. Nothing else is computed.
    race_seconds: length of a race, s. worthwhile_s: a smaller difference does not matter, s a lap.
    worth_changing_s: a smaller gain over a race is not worth a change, s.

    Raises UserError with every fault of what was handed in (`problems`; rows count from 0), or
    where no run can be used; CallError for an outcome or condition that there is not. The frames
    are not changed.

    >>> import numpy as np, pandas as pd, pipeline
    >>> driver, turn = np.divmod(np.arange(80), 8)
    >>> thick = (driver + turn) % 2 == 1
    >>> runs = pd.DataFrame({
    ...     "meeting": "spring test", "date": "2026-05-03", "session_kind": "test",
    ...     "session": [f"round {n + 1}" for n in turn], "run_no": turn + 1, "driver": driver,
    ...     "team": driver < 4, "rear_bar": np.where(driver < 4, 1.3 + 0.1 * thick, np.nan),
    ... })
    >>> laps = pd.DataFrame({"run": np.repeat(np.arange(80), 15), "lap": np.tile(range(1, 16), 80)})
    >>> usual = 15 - 0.1 * (thick & (driver < 4))[laps["run"]]
    >>> laps["lap_s"] = usual + np.random.default_rng(1).normal(0, 0.1, len(laps))
    >>> bar = {"name": "rear_bar", "kind": "ordered", "levels": ["1.3", "1.4"]}
    >>> found = pipeline.analyse(runs, laps, [bar], outcomes=["pace"], conditions=[])
    >>> found.effects[["factor", "level", "reference", "verdict"]]
         factor level reference verdict
    0  rear_bar   1.4       1.3  faster
    """
    team = {
        "name": "frames", "race_seconds": race_seconds, "worthwhile_s": worthwhile_s,
        "worth_changing_s": worth_changing_s,
    }  # fmt: skip
    outcomes = _names(outcomes, OUTCOMES, "outcomes")
    raw: dict[str, Any] = {"team": team}
    raw["factor"] = _listed(factors, "factors", "a list of dicts, one a factor")
    raw["claim"] = _listed(claims, "claims", "a list of dicts, one a claim")
    shared = [f.get("property") for f in raw["factor"] if isinstance(f, Mapping)]
    raw["property"] = [{"name": name} for name in dict.fromkeys(filter(None, shared))]
    if conditions is not None:
        known = [*CONDITIONS, *further_columns(runs, raw["factor"])]
        conditions = _names(conditions, known, "conditions")
    data, notes = season_data(runs, laps, raw, conditions)
    return Analysis(estimate(data, outcomes, conditions), by_driver, tuple(notes))


def _names(given: Sequence[str] | None, known: Collection[str], what: str) -> list[str]:
    """The names asked for, None for all. Raises CallError for one that there is not."""
    if given is None:
        return list(known)
    words = f"a list of names, as ['{next(iter(known))}']; [] for none"
    names = _listed(given, what, words)
    problems = [
        Problem(repr(name), f"one of {', '.join(known)}", what, advice=nearest(str(name), known))
        for name in names
        if name not in known
    ]
    if problems:
        raise CallError(f"{what} that there is not", problems)
    return names


def _listed(given: Any, what: str, expected: str) -> list[Any]:
    """The members of a list. Raises CallError for a text, a dict, or what has no members."""
    if isinstance(given, str | Mapping) or not isinstance(given, Iterable):
        raise CallError(f"{what} is {given!r:.60}; expected {expected}")
    return list(given)


@dataclass(frozen=True, eq=False, repr=False)
class Analysis:
    """What an analysis found; each table is made when it is first asked for.

    The columns are those of tables.records.SeasonResult. `found` holds the fits.
    """

    found: Found
    with_drivers: bool
    more_notes: tuple[str, ...] = ()
    seasons: tuple[Earlier, ...] = ()

    def __repr__(self) -> str:
        tables = "effects, runs, grip, by_driver, claims, notes"
        return f"<analysis of {len(self.found.data.runs)} runs: {tables}>"

    @cached_property
    def effects(self) -> pd.DataFrame:
        """A row for each outcome, contrast and condition; see schema.EFFECTS."""
        return self.found.effects_table()

    @cached_property
    def runs(self) -> pd.DataFrame:
        """A row a run, rivals' too, with its statistics and its time corrected for grip."""
        data = self.found.data
        if "laps" in data.runs:
            return self.found.runs_table()
        whole = data.runs.assign(**dict(run_table(data.runs, data.laps)))
        return replace(self.found, data=replace(data, runs=whole)).runs_table()

    @cached_property
    def grip(self) -> pd.DataFrame:
        """Grip of each meeting over its days, s a lap; see schema.GRIP."""
        return grip_table(self.found.design, self.found.pace)

    @cached_property
    def by_driver(self) -> pd.DataFrame:
        """The effects for each driver of the team; no rows where they were not asked for."""
        return self.found.by_driver_table(self.with_drivers)

    @cached_property
    def claims(self) -> pd.DataFrame:
        """What became of each claim."""
        return self.found.claims_table()

    @cached_property
    def decisions(self) -> Decisions:
        """What to fit and what to test next; see tables.decisions."""
        from pipeline.decide.deciding import decide

        return decide(self.found)

    @cached_property
    def alone(self) -> Decisions | None:
        """The decisions from this season's laps alone; None where no earlier season spoke."""
        from pipeline.decide.deciding import decide

        return None if self.found.own is None else decide(self.found.own)

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

    @cached_property
    def changes(self) -> pd.DataFrame:
        """Which choices and verdicts moved with the last meeting, and why; see decisions.CHANGES.
        The data without it are analysed for this."""
        from pipeline.decide.deciding import decide
        from pipeline.decide.moved import Stand, moved_table, without_last_meeting
        from pipeline.models.with_seasons import with_seasons
        from pipeline.tables.decisions import CHANGES

        meeting, data = without_last_meeting(self.found.data)
        if data is None:
            return CHANGES.empty()
        outcomes = {*self.found.fits, *self.found.mistakes}
        try:
            found = estimate(data, outcomes, ["surface"], near=self.found)
            found = with_seasons(found, self.seasons)
        except UserError:  # of a meeting without a run that can be used
            return CHANGES.empty()
        before = Stand(found.effects_table(), decide(found).choices)
        return moved_table(before, Stand(self.effects, self.choices), self.found.data, meeting)

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

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """Sentences about these data."""
        return (*self.more_notes, *self.found.notes())


@dataclass(frozen=True, eq=False, repr=False)
class TeamSeason(Analysis):
    """The analysis of a team folder; `joined` is what it was made from, for pages."""

    joined: Joined = field(kw_only=True)
    watch: Watch = field(kw_only=True)
    second_opinion: bool = field(default=False, kw_only=True)

    @cached_property
    def runs(self) -> pd.DataFrame:
        """The team's runs alone, as the command writes them."""
        runs = super().runs
        return runs[runs["team"].astype(bool)].reset_index(drop=True)

    @cached_property
    def result(self) -> SeasonResult:
        """All tables together, as the pages take them."""
        from pipeline.models.placebo import placebo_sentence, placebo_warning
        from pipeline.public.kept import kept_placebo

        result = whole_result(self.found, self.with_drivers, self.watch, self.second_opinion)
        decisions = self.watch("choices", lambda: self.decisions)
        result = replace(result, seasons=tuple(seasons_said(self.found)), alone=self.alone)
        result = replace(result, decisions=decisions, timings=dict(self.watch.seconds))
        tallies = kept_placebo(self.joined.team.folder, self.found.data)
        if not tallies:
            return result
        return replace(
            result, placebo=placebo_sentence(tallies), placebo_warning=placebo_warning(tallies)
        )
