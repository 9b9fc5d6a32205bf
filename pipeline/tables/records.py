"""What goes into the models and what comes out: frozen records of tables."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.tables.outcomes import OUTCOMES, Outcome

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.tables.decisions import Decisions
    from pipeline.team.folder import Claim, Factor, NumberCondition, Property


@dataclass(frozen=True)
class SeasonData:
    """One class's runs and laps, joined to setups: the input of every model.

    runs: one row a run (index 0..R-1), columns
        meeting, date (ISO day), class, session, session_kind, heat, driver (text),
        team (bool), run_no (int, from 1 within driver and meeting),
        hour (float: local hours since midnight of `date` at the middle of the run; where the
        start is unknown, the session's place in the day in steps of 0.5), hour_known (bool),
        start (ISO local text or null), one a condition, as surface, grip (text or null),
        excluded (text: the reason why the run stays out of the models, or null),
        one text column per factor (null: unknown; rivals: null), one of scores per feel (null:
        none), and one column of numbers per further condition (NaN: not known).
    outcomes: what changes are judged by, in the order of the tables: every team's, then its own.
        feels: what the drivers score, as outcomes; they stand behind those of the clock.
    meetings_planned: of the season: how often it is looked at.
    laps: one row a lap, columns run (int, row of `runs`), lap (int, from 1), lap_s (float, s),
        status (see schema.LAP_STATUSES).
    """

    runs: pd.DataFrame
    laps: pd.DataFrame
    factors: tuple[Factor, ...]
    claims: tuple[Claim, ...] = ()
    race_seconds: float = 300.0
    worthwhile_s: float = 0.03
    worth_changing_s: float = 0.1
    properties: tuple[Property, ...] = ()
    outcomes: tuple[Outcome, ...] = field(default_factory=lambda: tuple(OUTCOMES.values()))
    conditions: tuple[NumberCondition, ...] = ()
    meetings_planned: int = 6
    feels: tuple[Outcome, ...] = ()

    def only(self, wanted: np.ndarray[Any, Any]) -> SeasonData:
        """The runs that are wanted, flags (R,), with their laps."""
        place = np.where(wanted, wanted.cumsum() - 1, -1)[self.laps["run"].to_numpy()]
        laps = self.laps[place >= 0].assign(run=place[place >= 0]).reset_index(drop=True)
        return replace(self, runs=self.runs[wanted].reset_index(drop=True), laps=laps)


@dataclass(frozen=True)
class SeasonResult:
    """All tables of a season's analysis.

    effects, grip: see schema.EFFECTS, schema.GRIP.
    runs: schema.RUNS, then one column a factor, then class, heat, team, date, hour, excluded,
        corrected_low, corrected_high (95 % interval of corrected_s). All runs, rivals' too.
    by_driver: outcome, factor, level, reference, driver, estimate, std_error, df, ci_low,
        ci_high, n_runs (partially pooled; pace and spread).
    trends: outcome, factor, estimate, std_error, df, ci_low, ci_high, p_value (ordered factors:
        per step of the levels).
    claims: text, factor, from, to, outcome, expect, condition, verdict (supported, contradicted,
        no difference that matters, open), estimate, ci_low, ci_high, more_switches (int or null).
    cannot_tell: factor, level, reference, condition, mixed_with, information_left (0..1),
        n_switches, sentence.
    needs: outcome, factor, level, reference, condition, more_switches (int: further
        back-to-backs that would settle it).
    components: outcome, component, sd, at_zero (bool).
    fits: outcome, condition, rows, fixed, penalised, evaluations, gradient, converged, message.
    race_check: factor, level, reference, direct, direct_se, composed, composed_se, gap, gap_se,
        agrees.
    second_opinion: factor, level, reference, ours, ours_se, other, other_se, difference_se;
        None where it was not asked for; `second_opinion_note` says why it is missing.
    lap_counts: meeting, status, laps.
    these: outcome, factor, level, reference, condition, estimate, ci_low, ci_high: of the meetings
        that were, where the effects speak of the next.
    notes: sentences for the reader, each about this data set.
    placebo, placebo_warning: what the analysis found on shuffled logs, where that was asked for,
        and a warning where it was more than chance allows; else ''.
    decisions: what to fit and what to test next, see tables.decisions; None where nobody asked.
    agreement: how far each driver's feel goes with the clock, see models.agreement; None where the
        team asks for no feel.
    changes: decisions.CHANGES, since the last meeting; None where that was not asked for.
    seasons: sentences on the earlier seasons that spoke. alone: the decisions from this season's
        laps alone; None where no other spoke.
    """

    effects: pd.DataFrame
    runs: pd.DataFrame
    grip: pd.DataFrame
    by_driver: pd.DataFrame
    trends: pd.DataFrame
    claims: pd.DataFrame
    cannot_tell: pd.DataFrame
    needs: pd.DataFrame
    components: pd.DataFrame
    fits: pd.DataFrame
    race_check: pd.DataFrame
    lap_counts: pd.DataFrame
    these: pd.DataFrame | None = None
    second_opinion: pd.DataFrame | None = None
    second_opinion_note: str = ""
    notes: tuple[str, ...] = ()
    placebo: str = ""
    placebo_warning: str = ""
    timings: dict[str, float] = field(default_factory=dict)
    decisions: Decisions | None = None
    changes: pd.DataFrame | None = None
    seasons: tuple[str, ...] = ()
    alone: Decisions | None = None
    agreement: pd.DataFrame | None = None


@dataclass(frozen=True)
class MeetingResult:
    """One meeting's run sheet.

    runs: the team's runs, as SeasonResult.runs, and best_three_s (mean of the best three
        consecutive timed laps, s), changed (text: 'rear_bar 1.3 -> 1.4', empty for none),
        difference_s, difference_low, difference_high (corrected pace against the same driver's
        run before, 95 % interval; null for the first), difference_q (q-value over the day's
        differences).
    field: rivals' runs: date, hour, corrected_s, seconds (mean_s relative to the driver's mean);
        no names.
    grip: schema.GRIP for this meeting.
    reference: sentence that says which grip corrected_s refers to.
    effects: schema.EFFECTS of pace and spread from this meeting alone, all its back-to-backs
        together; None where they were not asked for.
    neutralised: date, begin, end (hours since midnight), laps, drivers: when the whole field was
        slow.
    """

    meeting: str
    runs: pd.DataFrame
    field: pd.DataFrame
    grip: pd.DataFrame
    reference: str
    notes: tuple[str, ...] = ()
    effects: pd.DataFrame | None = None
    neutralised: pd.DataFrame | None = None
