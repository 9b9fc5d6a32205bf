"""The simple analysis of run means that holds: what the package's widths are measured against.

A run's mean of clean laps, less what the field's runs of the same round differ by; then least
squares with driver at meeting, a line in time for the team each day, and the settings; residual
variance and degrees of freedom are the team's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

Floats = NDArray[np.float64]
CUT = 3.5  # robust standard deviations from the median beyond which a lap is not clean
PASSES = 2
HEAD = ["factor", "level", "estimate", "half_width", "ci_low", "ci_high", "df", "p_value"]
LEAST_LEFT = 1e-6  # share of a column's variation below which it is the others' sum


def analyse(
    runs: pd.DataFrame, laps: pd.DataFrame, factors: Sequence[Mapping[str, Any]]
) -> pd.DataFrame:
    """A row a contrast that can be told: factor, level, estimate, half_width, ci_low, ci_high, df,
    p_value; pace in s a lap."""
    own = runs.assign(mean_s=run_means(runs, laps))
    own = own[own["mean_s"].notna()]
    own["net_s"] = own["mean_s"] - own.index.map(_round_effects(own))
    team = own[own["team"]].dropna(subset=[f["name"] for f in factors]).reset_index(drop=True)
    columns, names = _contrasts(team, factors)
    return _least_squares(team, columns, names)


def run_means(runs: pd.DataFrame, laps: pd.DataFrame) -> Floats:
    """(N,) mean of clean laps; NaN with fewer than two."""
    kept = laps[laps["lap"] > 1]
    if "status" in kept:
        kept = kept[kept["status"].eq("clean")]
    for _ in range(PASSES if "status" not in kept else 0):
        kept = kept[_near_the_median(kept)]
    means = kept.groupby("run")["lap_s"].agg(["mean", "size"])
    return means["mean"].where(means["size"] >= 2).reindex(range(len(runs))).to_numpy()


def _near_the_median(laps: pd.DataFrame) -> pd.Series:
    away = (laps["lap_s"] - laps.groupby("run")["lap_s"].transform("median")).abs()
    spread = 1.4826 * away.groupby(laps["run"]).transform("median")
    return away <= CUT * np.maximum(spread, 1e-9)


def _round_effects(runs: pd.DataFrame) -> dict[int, float]:
    """Run's place -> what the field's runs of its round differ by; 0 without a field."""
    out = dict.fromkeys(runs.index, 0.0)
    for _, meeting in runs.groupby("meeting"):
        field = meeting[~meeting["team"]]
        rounds, drivers = _dummies(field["session"]), _dummies(field["driver"])
        if rounds.shape[1] < 2:
            continue
        both = np.column_stack([rounds - 1 / rounds.shape[1], drivers])
        fit = np.linalg.lstsq(both, field["mean_s"].to_numpy(), rcond=None)[0]
        effect = fit[: rounds.shape[1]] - fit[: rounds.shape[1]].mean()
        by_name = dict(zip(np.unique(field["session"]), effect, strict=True))
        out |= meeting["session"].map(by_name).fillna(0.0).to_dict()
    return out


def _dummies(names: pd.Series) -> Floats:
    values, code = np.unique(names.to_numpy(dtype=str), return_inverse=True)
    return np.eye(len(values))[code]


def _contrasts(
    team: pd.DataFrame, factors: Sequence[Mapping[str, Any]]
) -> tuple[Floats, list[tuple[str, str]]]:
    columns, names = [], []
    for factor in factors:
        values = team[factor["name"]]
        if factor["kind"] == "number":
            step = factor.get("step") or _step(values)
            columns.append((values.to_numpy(float) - float(factor["reference"])) / step)
            names.append((factor["name"], f"+{step:g}"))
            continue
        for level in factor["levels"]:
            if level != factor["reference"]:
                columns.append(values.eq(level).to_numpy(float))
                names.append((factor["name"], level))
    return np.column_stack(columns), names


def _step(values: pd.Series) -> float:
    """The smallest difference between two values that each stand in two runs."""
    counts = values.value_counts()
    often = np.sort(counts.index[counts >= 2].to_numpy(float))
    return round(float(np.diff(often).min()), 6) if len(often) > 1 else 1.0


def _nuisance(team: pd.DataFrame) -> Floats:
    """Driver at meeting, and a line in the team's time of each meeting."""
    entries = _dummies(team["meeting"] + " / " + team["driver"])
    if team["start"].isna().all():
        hour = team["run_no"].astype(float)
    else:
        hour = pd.to_datetime(team["start"]).map(lambda at: at.hour + at.minute / 60)
    centred = hour - hour.groupby(team["meeting"]).transform("mean")
    lines = _dummies(team["meeting"]) * centred.to_numpy(float)[:, None]
    return np.column_stack([entries, lines])


def _least_squares(
    team: pd.DataFrame, columns: Floats, names: Sequence[tuple[str, str]]
) -> pd.DataFrame:
    """Each contrast by regression on what the nuisance and all other contrasts leave of it."""
    if not len(team):
        return pd.DataFrame(columns=HEAD)
    response, nuisance = team["net_s"].to_numpy(float), _nuisance(team)
    everything = np.column_stack([nuisance, columns])
    residual = response - everything @ np.linalg.lstsq(everything, response, rcond=None)[0]
    df = len(team) - np.linalg.matrix_rank(everything)
    rows: list[tuple[object, ...]] = []
    for place, name in enumerate(names):
        others = np.column_stack([nuisance, np.delete(columns, place, axis=1)])
        own = columns[:, place]
        left = own - others @ np.linalg.lstsq(others, own, rcond=None)[0]
        if df < 1 or left @ left < LEAST_LEFT * max(own @ own, 1e-12):
            continue
        estimate = left @ response / (left @ left)
        error = np.sqrt(residual @ residual / df / (left @ left))
        half = stats.t.ppf(0.975, df) * error
        p_value = 2 * stats.t.sf(abs(estimate) / error, df)
        rows.append((*name, estimate, half, estimate - half, estimate + half, df, p_value))
    return pd.DataFrame(rows, columns=HEAD)
