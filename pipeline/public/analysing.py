"""`pipeline.analyse`: a season's analysis of frames in memory."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from pipeline.errors import CallError, Problem
from pipeline.models.curves import grip_table
from pipeline.models.season import Found, estimate
from pipeline.public.frames import as_driven, further_columns, season_data
from pipeline.public.seasons import TABLES, Decided, before_last_meeting, moved
from pipeline.runs.run_table import run_table
from pipeline.tables.conditions import CONDITIONS
from pipeline.tables.outcomes import OUTCOMES
from pipeline.team.sheets import nearest

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from pipeline.tables.decisions import Decisions


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
    driven, place = as_driven(data)
    return Analysis(estimate(driven, outcomes, conditions), place, by_driver, tuple(notes))


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
class Analysis(Decided):
    """What an analysis found; each table is made when it is first asked for.

    The columns are those of tables.records.SeasonResult. `found` holds the fits; place: of each run
    that was handed in among those of `found`.
    """

    found: Found
    place: NDArray[np.int_]
    with_drivers: bool
    more_notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"<analysis of {len(self.found.data.runs)} runs: {TABLES}>"

    @cached_property
    def effects(self) -> pd.DataFrame:
        """A row for each outcome, contrast and condition; see schema.EFFECTS."""
        return self.found.effects_table()

    @cached_property
    def runs(self) -> pd.DataFrame:
        """A row a run, rivals' too, with its statistics and its time corrected for grip."""
        data, found = self.found.data, self.found
        if "laps" not in data.runs:
            whole = data.runs.assign(**dict(run_table(data.runs, data.laps)))
            found = replace(found, data=replace(data, runs=whole))
        return found.runs_table().iloc[self.place].reset_index(drop=True)

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
    def changes(self) -> pd.DataFrame:
        """Which choices and verdicts moved with the last meeting, and why; see decisions.CHANGES.
        The data without it are analysed for this."""
        before = before_last_meeting(self.found)
        return moved(self.found.data, before, self.effects, self.choices)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """Sentences about these data."""
        return (*self.more_notes, *self.found.notes())
