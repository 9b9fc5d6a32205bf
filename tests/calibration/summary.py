"""How often the analysis was right: shares with their Monte-Carlo error."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from tests.calibration.kinds import BY_NAME, PLAIN_DAYS
from tests.calibration.naive import ANALYSES
from tests.calibration.replicate import Record
from tests.calibration.seasons import WORTHWHILE_S

# Pace and mistakes can nearly cancel over a race: below the least effect on pace (0.02 s on each
# of 20 laps) an effect on race has no direction that could be called wrong.
LEAST_RACE_S = 0.4
RATIOS = ("spread", "mistakes")
# Which way a verdict points: the sign of level minus reference (or of the log ratio).
DIRECTIONS = {
    "faster": -1,
    "slower": 1,
    "steadier": -1,
    "wilder": 1,
    "fewer": -1,
    "more": 1,
    "fades less": -1,
    "fades more": 1,
}
NO_DIFFERENCE = "no difference that matters"
NO_CLAIM = (NO_DIFFERENCE, "leaning", "not enough runs", "not separable")
COVERAGE_BOUNDS = {"pace": (0.94, 0.96), "spread": (0.94, 0.96)}
OTHER_COVERAGE_BOUNDS = (0.93, 0.97)
MOST_FALSE, MOST_WRONG_WAY, MOST_WAVED_OFF = 0.055, 0.005, 0.055


def claimed_direction(verdict: str) -> int:
    """-1 or 1 for a claim, 0 for none. KeyError for words that are neither."""
    if verdict.startswith(NO_CLAIM):
        return 0
    return DIRECTIONS[verdict]


def effects_table(records: Sequence[Record]) -> pd.DataFrame:
    """A row a contrast and outcome, with what was right and wrong about it.

    Columns of the record's effects, and kind, number, answered, covered, called_p, called_q,
    worthwhile (0.03 s a lap or more), real (not a null, and for race not nearly one), claimed,
    wrong_way, waved_off (worthwhile and called no difference that matters), half_width and z
    (error over standard error); the last two on the log scale for ratios.
    """
    rows = [
        {"kind": record["kind"], "number": record["number"], **effect}
        for record in records
        for effect in record["effects"]
    ]
    table = pd.DataFrame(rows)
    table["worthwhile"] = table["outcome"].eq("pace") & table["truth"].abs().ge(WORTHWHILE_S)
    table["answered"] = table["estimate"].notna()
    table["covered"] = table["truth"].between(table["ci_low"], table["ci_high"])
    table["called_p"] = table["p_value"] < 0.05
    table["called_q"] = table["q_value"] < 0.05
    direction = table["verdict"].map(claimed_direction)
    table["claimed"] = direction != 0
    negligible = table["outcome"].eq("race") & table["truth"].abs().lt(LEAST_RACE_S)
    table["real"] = ~table["null"] & ~negligible
    table["wrong_way"] = table["real"] & (direction * _scaled(table, "truth") < 0)
    table["waved_off"] = table["worthwhile"] & table["verdict"].eq(NO_DIFFERENCE)
    table["half_width"] = (_scaled(table, "ci_high") - _scaled(table, "ci_low")) / 2
    table["z"] = (_scaled(table, "estimate") - _scaled(table, "truth")) / table["std_error"]
    return table


def _scaled(table: pd.DataFrame, column: str) -> pd.Series:
    values = table[column].astype(float)
    return values.where(~table["outcome"].isin(RATIOS), np.log(values.where(values > 0)))


def summarise(table: pd.DataFrame) -> pd.DataFrame:
    """A row a kind and outcome: shares, their Monte-Carlo standard errors, widths."""
    groups = table.groupby(["kind", "outcome"], sort=False)
    rows = [{"kind": k, "outcome": o, **_shares(group)} for (k, o), group in groups]
    order = {name: place for place, name in enumerate(BY_NAME)}
    return pd.DataFrame(rows).sort_values("kind", key=lambda s: s.map(order), kind="stable")


def _shares(group: pd.DataFrame) -> dict[str, float]:
    answered = group[group["answered"]]
    nulls, real = answered[answered["null"]], answered[answered["real"]]
    worthwhile = answered[answered["worthwhile"]]
    return {
        "seasons": group["number"].nunique(),
        "contrasts": len(group),
        "refused": 1 - group["answered"].mean(),
        "covered": answered["covered"].mean(),
        "covered_error": monte_carlo_error(answered, "covered"),
        "false_p": nulls["called_p"].mean(),
        "false_p_error": monte_carlo_error(nulls, "called_p"),
        "false_q": nulls["called_q"].mean(),
        "false_claim": nulls["claimed"].mean(),
        "false_claim_error": monte_carlo_error(nulls, "claimed"),
        "wrong_way": real["wrong_way"].mean(),
        "wrong_way_error": monte_carlo_error(real, "wrong_way"),
        "found": (real["claimed"] & ~real["wrong_way"]).mean(),
        "waved_off": worthwhile["waved_off"].mean(),
        "waved_off_error": monte_carlo_error(worthwhile, "waved_off"),
        "half_width": answered["half_width"].mean(),
        "z_sd": answered["z"].std(),
    }


def monte_carlo_error(table: pd.DataFrame, column: str) -> float:
    """Standard error of the share, contrasts of one season counted as one cluster.

    No less than a binomial's at (hits + 1) / (n + 2), so that 0 % and 100 % have an error too.
    """
    by_season = table.groupby("number")[column].agg(["sum", "count"])
    if len(by_season) < 2:
        return np.nan
    residual = by_season["sum"] - table[column].mean() * by_season["count"]
    n = by_season["count"].sum()
    least = (by_season["sum"].sum() + 1) / (n + 2)
    return float(max(np.sqrt((residual**2).sum()) / n, np.sqrt(least * (1 - least) / n)))


def coverage_bounds(outcome: str) -> tuple[float, float]:
    return COVERAGE_BOUNDS.get(outcome, OTHER_COVERAGE_BOUNDS)


def naive_table(records: Sequence[Record]) -> pd.DataFrame:
    """Share of plain days on which each analysis 'finds' an effect of nothing; ours last.

    Index: analysis; columns: the kinds of plain day, and the days each had no number from ours.
    """
    out = {}
    for kind in (day.name for day in PLAIN_DAYS):
        of_kind = [record for record in records if record["kind"] == kind]
        if not of_kind:
            continue
        shares = {name: np.mean([r["naive"][name] < 0.05 for r in of_kind]) for name in ANALYSES}
        pace = [e for record in of_kind for e in record["effects"] if e["outcome"] == "pace"]
        numbers = [e["p_value"] < 0.05 for e in pace if e["p_value"] is not None]
        shares["this project"] = np.mean(numbers) if numbers else np.nan
        shares["this project: no number"] = 1 - len(numbers) / len(pace) if pace else np.nan
        out[kind] = shares
    return pd.DataFrame(out)
