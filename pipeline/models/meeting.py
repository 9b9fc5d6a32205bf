"""The run sheet of one meeting: its own fit of pace, and each run against the one before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from pipeline.errors import CallError, UserError
from pipeline.models.curves import (
    Corrected,
    GripColumns,
    corrected_times,
    grip_columns,
    grip_table,
    settled,
)
from pipeline.models.design import Design, build_design
from pipeline.models.engine.rows import Array, Codes
from pipeline.models.families import false_discovery
from pipeline.models.fitting import OutcomeFit, fit_outcome
from pipeline.models.identify import switch_pairs, usable_runs
from pipeline.models.responses import TIMED, Laps, lap_tables, response_of
from pipeline.models.results import runs_table
from pipeline.models.season import effects_alone
from pipeline.runs.neutralised import stretches
from pipeline.tables.outcomes import PACE
from pipeline.tables.records import MeetingResult, SeasonData


def analyse_meeting(data: SeasonData, meeting: str) -> MeetingResult:
    """Run sheet of one meeting.

    Grip comes from this meeting's runs alone; setup is left out of the model of the corrected
    times, so that what a change did stands in the differences between runs. `effects` puts all
    back-to-backs of the day together. Raises CallError for an unknown meeting, UserError for one
    without a usable run.
    """
    own = _only(data, meeting)
    if not own.runs["team"].any():
        raise UserError(f"'{meeting}' has no run of a driver of the team: see `backtoback check`")
    index = usable_runs(own)
    if not len(index):
        raise UserError(_nothing_usable(own, meeting))
    design = replace(build_design(replace(own, factors=()), index), contrasts=())
    laps = lap_tables(own, design)
    fitted = fit_outcome(design, response_of(PACE, laps))
    corrected = corrected_times(design, fitted, laps)
    runs = runs_table(own, design, corrected)
    runs["best_three_s"] = best_three(own)
    runs["changed"] = changes(own)
    differences = _differences(design, fitted, laps)
    for name, values in differences.items():
        column = np.full(len(runs), np.nan)
        column[design.index] = values
        runs[name] = column
    team = runs["team"].to_numpy(bool)
    return MeetingResult(
        meeting=meeting,
        runs=runs[team].sort_values(["driver", "run_no"]).reset_index(drop=True),
        field=_field(design, corrected, laps),
        grip=grip_table(design, fitted),
        reference="Corrected times are at the meeting's mean grip over all its runs, for a lap in "
        "the middle of a run.",
        notes=_notes(own, design),
        neutralised=stretches(own.runs, own.laps),
        effects=effects_alone(own, outcomes=("pace", "spread"), conditions=()),
    )


def _nothing_usable(data: SeasonData, meeting: str) -> str:
    reasons = data.runs["excluded"]
    if reasons.notna().all():
        why = ", ".join(dict.fromkeys(reasons))
        return f"every run of '{meeting}' is left out ({why}): there is nothing to correct"
    return f"'{meeting}' has no run with two clean laps: there is nothing to correct"


def _only(data: SeasonData, meeting: str) -> SeasonData:
    known = list(dict.fromkeys(data.runs["meeting"]))
    if meeting not in known:
        raise CallError(f"no meeting '{meeting}' in the store; there are: {', '.join(known)}")
    return data.only((data.runs["meeting"] == meeting).to_numpy(bool))


def best_three(data: SeasonData) -> Array:
    """Mean of the best three consecutive timed laps of each run, s, (R,); NaN without three."""
    laps = data.laps.sort_values(["run", "lap"])
    timed = np.isin(laps["status"].to_numpy(str), TIMED)
    seconds = np.where(timed, laps["lap_s"].to_numpy(float), np.inf)
    run, lap = laps["run"].to_numpy(np.intp), laps["lap"].to_numpy(int)
    out = np.full(len(data.runs), np.inf)
    if len(run) >= 3:
        whole = (run[2:] == run[:-2]) & (lap[2:] == lap[:-2] + 2)
        mean = (seconds[2:] + seconds[1:-1] + seconds[:-2]) / 3
        np.minimum.at(out, run[2:][whole], mean[whole])
    return np.where(np.isfinite(out), out, np.nan)


def changes(data: SeasonData) -> list[str]:
    """What was changed before each run, (R,): 'rear_bar 1.3 -> 1.4; ...', '' for nothing."""
    out = [""] * len(data.runs)
    team = data.runs[data.runs["team"]]
    for _, runs in team.groupby(["driver", "class"], sort=False):
        runs = runs.sort_values("run_no")
        for before, after in zip(runs.index[:-1], runs.index[1:], strict=True):
            out[after] = "; ".join(_changed(data, before, after))
    return out


def _changed(data: SeasonData, before: int, after: int) -> list[str]:
    words = []
    for factor in data.factors:
        old, new = data.runs.at[before, factor.name], data.runs.at[after, factor.name]
        if isinstance(old, str) and isinstance(new, str) and old != new:
            words.append(f"{factor.name} {old} -> {new}")
    return words


def _differences(design: Design, fitted: OutcomeFit, laps: Laps) -> dict[str, Array]:
    """Corrected pace of each team run against the driver's run before, with its interval.

    The interval has the lap noise, the run-to-run luck of both runs and the grip's uncertainty.
    """
    R = len(design.hour)
    before, after = switch_pairs(design, np.ones(R, bool))
    names = ("difference_s", "difference_low", "difference_high", "difference_q")
    out = {name: np.full(R, np.nan) for name in names}
    if not len(before):
        return out
    columns = _pair_columns(design, fitted, laps, before, after)
    correction, error = columns.values_and_errors(fitted.fit)
    noise = fitted.fit.variance("lap") * laps.scales[design.driver] / laps.clean.n
    variance = noise[before] + noise[after] + 2 * fitted.run_variance + error**2
    difference = laps.clean.mean_y[after] - laps.clean.mean_y[before] - correction
    df = max(R - len(np.unique(design.entry)) - 2, 1)
    reach = float(stdtrit(df, 0.975))
    p_values = 2 * stdtr(df, -np.abs(difference) / np.sqrt(variance))
    out["difference_q"][after] = false_discovery(p_values)
    out["difference_s"][after] = difference
    out["difference_low"][after] = difference - reach * np.sqrt(variance)
    out["difference_high"][after] = difference + reach * np.sqrt(variance)
    return out


def _pair_columns(
    design: Design, fitted: OutcomeFit, laps: Laps, before: Codes, after: Codes
) -> GripColumns:
    """Grip and within-run position, after less before."""
    days = range(len(design.days))
    parts = [
        settled(
            fitted, laps, rows,
            grip_columns(design, fitted, days, design.day[rows], design.hour[rows]),
        )
        for rows in (after, before)
    ]  # fmt: skip
    return parts[0].minus(parts[1])


def _field(design: Design, corrected: Corrected, laps: Laps) -> pd.DataFrame:
    """Rivals' runs without names."""
    rivals = ~design.team
    mean = laps.clean.mean_y
    own = np.bincount(design.driver, mean) / np.bincount(design.driver)
    return pd.DataFrame(
        {
            "date": design.runs["date"].to_numpy(str)[rivals],
            "hour": design.hour[rivals],
            "corrected_s": corrected.seconds[rivals],
            "seconds": (mean - own[design.driver])[rivals],
        }
    )


def _notes(data: SeasonData, design: Design) -> tuple[str, ...]:
    notes = []
    if design.team.all():
        notes.append("Only the team's own cars ran: grip is known from them alone.")
    out = data.runs[data.runs["excluded"].notna()]
    for (session, reason), runs in out.groupby(["session", "excluded"], sort=False):
        notes.append(f"{session}: {len(runs)} runs stay out of the correction ({reason}).")
    if not design.runs["hour_known"].all():
        notes.append("Some sessions have no time of day: their order in the day serves as time.")
    return tuple(notes)
