"""The study's tables in markdown, shares with their Monte Carlo errors."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tests.calibration.summary import claimed_direction
from tests.real.draws import FADE_S, MISTAKES, OUTCOMES, PACE_S, ROWS, SPREAD
from tests.real.races import Races
from tests.real.shapes import Shape

RATIOS = ("spread", "mistakes")
NAIVE = ("t_test", "best")
PLACE = {name: n for n, name in enumerate([*OUTCOMES, *(row.name for row in ROWS)])}
SLOW = 0.07
HELD_FLAGS = ("slow", "stopped")


def opening(races: Races) -> str:
    return (
        f"# Real laps\n\n{len(races.laps):,} laps in {len(races.runs)} stints of "
        f"{races.runs['driver'].nunique()} drivers at {len(races.meetings)} meetings; the lap into "
        "the pits is left out of each stint.\n"
    )


def _share(hits: pd.Series) -> str:
    """A share in per cent with its Monte Carlo error, at least that of one hit more."""
    n = len(hits)
    if not n:
        return "–"
    least = (hits.sum() + 1) / (n + 2)
    return f"{100 * hits.mean():.1f} ± {100 * np.sqrt(least * (1 - least) / n):.1f}"


def _covered(table: pd.DataFrame) -> pd.Series:
    return table["truth"].between(table["ci_low"], table["ci_high"])


def _half_width(table: pd.DataFrame) -> float:
    """Median; on the log scale for ratios."""
    low, high = table["ci_low"], table["ci_high"]
    if len(table) and table["outcome"].iloc[0] in RATIOS:
        low, high = np.log(low), np.log(high)
    return float(((high - low) / 2).median())


def _of_added(table: pd.DataFrame) -> str:
    """Mean of what was found over what was added, per cent; of ratios their logs."""
    found, added = table["estimate"], table["truth"]
    if table["outcome"].iloc[0] in RATIOS:
        found, added = np.log(found), np.log(added)
    share = 100 * found / added
    return f"{share.mean():.0f} ± {share.sem():.0f}"


def _table(heads: list[str], rows: list[list[str]]) -> str:
    lines = [heads, ["---"] + ["---:"] * (len(heads) - 1), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def nothing_added(table: pd.DataFrame) -> str:
    """A row a kind of draw: how often nothing is covered, and how often it is called an effect,
    beside what people do."""
    nulls = table[table["effect"] == "nothing"]
    covers, called = [], []
    for name, group in nulls.groupby("row", sort=False):
        parts = [group[(group["outcome"] == o) & group["estimate"].notna()] for o in OUTCOMES]
        each = group[group["outcome"] == "pace"]
        covers.append([
            str(name), str(each["number"].nunique()), *(_share(_covered(part)) for part in parts),
            f"{_half_width(parts[0]):.2f}", _share(each["estimate"].isna()),
        ])  # fmt: skip
        called.append([
            str(name), *(_share(part["verdict"].map(claimed_direction) != 0) for part in parts),
            *(_share(each[name] < 0.05) for name in NAIVE),
        ])  # fmt: skip
    heads = ["drawn", "draws", *OUTCOMES, "half-width of pace, s", "no number"]
    also = ["drawn", *OUTCOMES, "a t test on laps", "best laps compared"]
    return "\n\n".join([
        "## Nothing added", "95 % intervals that cover nothing, per cent:", _table(heads, covers),
        "Called an effect, per cent:", _table(also, called),
    ])  # fmt: skip


def something_added(table: pd.DataFrame) -> str:
    """A row a kind of draw and outcome on which something was added; of pace also how often what
    people do finds a difference, of whichever sign."""
    sizes = {
        "pace": f"{PACE_S} s a lap", "spread": f"{SPREAD} times", "mistakes": f"{MISTAKES:g} times",
        "fade": f"{FADE_S} s a lap per lap",
    }  # fmt: skip
    heads = ["drawn", "outcome", "added", "draws", "covers", "found", "the wrong way"]
    heads += ["half-width", "of what was added", "a t test on laps", "best laps compared"]
    rows = []
    some = table[table["effect"].isin(sizes) & table["estimate"].notna()]
    some = some.sort_values(["outcome", "row"], key=lambda names: names.map(PLACE), kind="stable")
    for (name, effect, outcome), part in some.groupby(["row", "effect", "outcome"], sort=False):
        sign = np.sign(np.log(part["truth"]) if outcome in RATIOS else part["truth"])
        way = part["verdict"].map(claimed_direction) * sign
        rows.append([
            str(name), str(outcome), sizes[str(effect)], str(len(part)), _share(_covered(part)),
            _share(way > 0), _share(way < 0), f"{_half_width(part):.3g}", _of_added(part),
            *(_share(part[each] < 0.05) if outcome == "pace" else "" for each in NAIVE),
        ])  # fmt: skip
    return "## With a known effect\n\nShares in per cent.\n\n" + _table(heads, rows)


def held(table: pd.DataFrame) -> str:
    """What laps under a flag that the tool had to recognise by itself cost in width."""
    pace = table[(table["outcome"] == "pace") & table["estimate"].notna()]
    width = (pace["ci_high"] - pace["ci_low"]) / 2
    wide = pace.assign(width=width).pivot_table(index=["row", "number"], columns="effect",
                                                values="width")  # fmt: skip
    if "flagged laps out" not in wide:
        return ""
    ratio = (wide["nothing"] / wide["flagged laps out"]).dropna()
    return (
        "## Laps that the whole field drove slowly\n\nWith them in the laps the half-width of pace "
        f"is {ratio.median():.2f} times the one with them taken out beforehand (median of "
        f"{len(ratio)} draws; nine in ten below {ratio.quantile(0.9):.2f})."
    )


def tyres(table: pd.DataFrame) -> str:
    rows = [
        [
            row.team, f"{row.level} against medium", _condition(row.condition), str(row.n_runs),
            _number(row.estimate), f"{_number(row.ci_low)} to {_number(row.ci_high)}", row.verdict,
        ]
        for row in table.itertuples()
    ]  # fmt: skip
    heads = ["team", "tyre", "stints", "runs", "s a lap", "95 %", "verdict"]
    return "## Tyres\n\n" + _table(heads, rows)


def _condition(name: str) -> str:
    words = {"all": "all", "grip=low": "short", "grip=medium": "middle", "grip=high": "long"}
    return words.get(name, name)


def _number(value: float) -> str:
    return "" if pd.isna(value) else f"{value:+.3f}"


def files(ways: pd.DataFrame, stored: pd.DataFrame) -> str:
    rows = [
        [
            f"{way.layout} by {way.order}", f"{way.laps}", f"{way.other}", f"{way.status}",
            "" if pd.isna(way.difference) else f"{way.difference:.1e}",
        ]
        for way in ways.itertuples()
    ]  # fmt: skip
    heads = ["written as", "laps", "laps of another run or time", "of another status"]
    heads += ["largest difference to memory, standard errors"]
    return "## As files\n\n" + _table(heads, rows) + "\n\n" + recognised(stored)


def shapes(found: list[Shape]) -> str:
    return "## What the laps are like\n\n" + _table(
        ["what", "how"], [[shape.what, shape.how] for shape in found]
    )


def beside(table: pd.DataFrame) -> str:
    """Where the real figures lie among those of random worlds."""
    inside = int(table["real"].between(table["low"], table["high"]).sum())
    rows = [
        [
            row.what, str(row.place), *(f"{value:.3g}" for value in (row.real, row.low, row.high)),
            f"{100 * row.share:.0f}",
        ]
        for row in table.itertuples()
    ]  # fmt: skip
    heads = ["what", "figure", "real", "worlds, 5 %", "95 %", "% of worlds below"]
    return (
        "## Beside the random worlds\n\nFigures that are per cent of a lap stand here in units of "
        "the usual lap SD; but for that SD itself.\n\n" + _table(heads, rows) + "\n\n"
        f"{inside} of {len(table)} figures lie between 5 and 95 % of the worlds."
    )


def recognised(stored: pd.DataFrame) -> str:
    """What the rule for neutralised laps finds of those under flags, which it does not see."""
    laps = stored[stored["lap"] > 1]
    own, day = (
        stored.groupby(keys)["lap_s"].transform("median").loc[laps.index]
        for keys in (["meeting", "driver", "session"], ["meeting", "driver"])
    )
    usual = np.where(own > (1 + SLOW) * day, day, own)
    slow = laps["lap_s"] > (1 + SLOW) * usual
    under = laps["flag"].isin(HELD_FLAGS) & slow
    hit = laps["status"] == "neutralised"
    green = laps["flag"] == "green"
    runs = stored.assign(hit=stored["status"].isin(["neutralised", "first"])).groupby(
        ["meeting", "driver", "session"]
    )
    wholly = int((runs["hit"].all() & (runs.size() > 1)).sum())
    return (
        f"Neutralised are {hit.sum()} of {len(stored)} laps; {wholly} runs have no others. "
        f"Of {under.sum()} laps under a slow or stopped flag that were more than 7 % slow "
        f"{100 * hit[under].mean():.1f} % are neutralised, of {green.sum()} green ones "
        f"{100 * hit[green].mean():.2f} % (first laps of runs left out, which are 'first')."
    )
