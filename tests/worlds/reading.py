"""How often the analysis was right, from the study's parquet file.

    python -m tests.worlds.reading worlds.parquet
    python -m tests.worlds.reading hostile.parquet

prints a markdown page: shares with their Monte-Carlo errors by outcome, scope and condition; for
fixed kinds with what is asked of them; for random worlds also which parameters drive coverage
down, and the worst hundredth.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from tests.worlds import markdown, surface
from tests.worlds.parameters import OUTCOMES, RATIOS
from tests.worlds.record import RANDOM

WORLD = ["kind", "seed", "number"]
# Which way a verdict points: the sign of level minus reference, or of the log ratio.
DIRECTIONS = {
    "faster": -1, "slower": 1, "steadier": -1, "wilder": 1, "fewer": -1, "more": 1,
    "fades less": -1, "fades more": 1, "better with grip": -1, "worse with grip": 1,
}  # fmt: skip
NO_CLAIM = ("no difference that matters", "same at any grip", "leaning", "not ")
# Below these an effect has no direction that could be called wrong: pace and mistakes may nearly
# cancel over a race, drivers' differences nearly cancel in their mean.
LEAST_REAL = {"pace": 0.02, "spread": 0.04, "mistakes": 0.15, "fade": 0.001, "race": 0.4}
NOTHING = 1e-9
FIRST_FACTOR = "part_a"  # of a fixed kind: the one it speaks of


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.worlds.reading", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("file", type=Path, help="parquet file of the study")
    parser.add_argument("--outcomes", nargs="+", choices=OUTCOMES, default=["pace"])
    parser.add_argument(
        "--mix", action="store_true", help="the next meeting: of grip words as they were run"
    )
    parser.add_argument("--seen", action="store_true", help="worlds without small incidents alone")
    options = parser.parse_args(arguments)
    table = pd.read_parquet(options.file)
    if options.mix:
        later = table["truth"].eq(table["truth_next"])
        table["truth"] = table["truth"].where(~later, table["truth_mix"])
    print(page(table, options.outcomes, options.seen))


def page(table: pd.DataFrame, outcomes: Sequence[str], seen: bool = False) -> str:
    """All that can be read from the table; `outcomes`: whose surface of coverage is fitted."""
    parts = [markdown.failures(table)]
    rows = judged(table)
    if seen:
        rows = rows[rows["w_small_share"].eq(0) | rows["w_incident_rate"].eq(0)]
    fixed = rows[rows["kind"].ne(RANDOM) & rows["factor"].eq(FIRST_FACTOR)]
    if len(fixed):
        parts += ["## Fixed kinds", markdown.fixed(shares(fixed, ["kind", *CELL]))]
    drawn = rows[rows["kind"].eq(RANDOM)]
    if len(drawn):
        parts += ["## Random worlds", markdown.drawn(shares(drawn, CELL))]
        parts += [any_find(drawn), *(surface.page(drawn, outcome) for outcome in outcomes)]
    return "\n\n".join(part for part in parts if part)


CELL = ["outcome", "scope", "about"]


def judged(table: pd.DataFrame) -> pd.DataFrame:
    """Rows given of which there is a truth, with what was right and wrong about each.

    about (all, grip, surface, per step, driver), got, covered, null, real, called, wrong_way,
    low_p_shuffled, anytime_covered, half_width (log scale for ratios) and simple_ratio.
    """
    rows = table[table["truth"].notna() & table["row"].eq("both")].copy()
    rows["about"] = _about(rows)
    rows["scope"] = rows["scope"].where(rows["scope"].ne(""), "not said")
    rows["got"] = rows["estimate"].notna()
    rows["covered"] = rows["truth"].between(rows["ci_low"], rows["ci_high"])
    rows["anytime_covered"] = rows["truth"].between(rows["anytime_low"], rows["anytime_high"])
    true = _scaled(rows, "truth")
    rows["null"] = true.abs() < NOTHING
    rows["real"] = true.abs() >= rows["outcome"].map(LEAST_REAL)
    direction = rows["verdict"].map(claimed_direction)
    rows["called"] = direction != 0
    rows["wrong_way"] = direction * true < 0
    rows["low_p_shuffled"] = rows["p_shuffled"] <= 0.05
    rows["half_width"] = (_scaled(rows, "ci_high") - _scaled(rows, "ci_low")) / 2
    rows["simple_ratio"] = rows["half_width"] / rows["simple_half_width"]
    return rows


def _about(rows: pd.DataFrame) -> pd.Series:
    kind = rows["condition"].str.split("=").str[0]
    kind = kind.where(~rows["condition"].str.endswith("per step"), "per step")
    return kind.where(rows["driver"].eq(""), "driver")


def _scaled(rows: pd.DataFrame, column: str) -> pd.Series:
    values = rows[column].astype(float)
    return values.where(~rows["outcome"].isin(RATIOS), np.log(values.where(values > 0)))


def claimed_direction(verdict: str) -> int:
    """-1 or 1 for a claim, 0 for none. KeyError for words that are neither."""
    if not verdict or verdict.startswith(NO_CLAIM):
        return 0
    return DIRECTIONS[verdict]


def shares(rows: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """A row a cell of `by`: shares, each with its Monte-Carlo error (`…_error`), and widths."""
    groups = rows.groupby(list(by), observed=True)
    return pd.DataFrame([dict(zip(by, key, strict=True)) | _cell(cell) for key, cell in groups])


def _cell(rows: pd.DataFrame) -> dict[str, float]:
    got = rows[rows["got"]]
    nulls, real = got[got["null"]], got[got["real"]]
    shuffled, anytime = nulls[nulls["p_shuffled"].notna()], got[got["anytime_low"].notna()]
    both = got[got["simple_ratio"].notna()]
    return {
        "worlds": len(rows[WORLD].drop_duplicates()),
        "rows": len(rows),
        **_share("refused", rows, ~rows["got"]),
        **_share("covered", got, got["covered"]),
        **_share("anytime", anytime, anytime["anytime_covered"]),
        **_share("false", nulls, nulls["called"]),
        **_share("false_p", nulls, nulls["p_value"] <= 0.05),
        **_share("shuffled", shuffled, shuffled["low_p_shuffled"]),
        **_share("wrong_way", real, real["wrong_way"]),
        **_share("found", real, real["called"] & ~real["wrong_way"]),
        **_share("simple_covered", both, both["simple_covers"].eq(1)),
        **_median("half_width", got["half_width"]),
        **_median("ratio", both["simple_ratio"]),
    }


def _share(name: str, rows: pd.DataFrame, hits: pd.Series) -> dict[str, float]:
    share = float(hits.mean()) if len(hits) else np.nan
    return {name: share, f"{name}_error": monte_carlo_error(rows, hits)}


def monte_carlo_error(rows: pd.DataFrame, hits: pd.Series) -> float:
    """Standard error of a share, the rows of one world counted as one cluster.

    No less than a binomial's at (hits + 1) / (n + 2), so that 0 % and 100 % have an error too.
    """
    n = len(hits)
    if n < 2:
        return float("nan")
    away = hits.astype(float) - hits.mean()
    by_world = away.groupby([rows[name] for name in WORLD]).sum()
    least = (hits.sum() + 1) / (n + 2)
    return float(max(np.sqrt((by_world**2).sum()) / n, np.sqrt(least * (1 - least) / n)))


def _median(name: str, values: pd.Series) -> dict[str, float]:
    """With 1.25 SD / √n, the error of a normal sample's median, from its quartiles."""
    low, middle, high = values.quantile([0.25, 0.5, 0.75]) if len(values) else [np.nan] * 3
    error = 1.25 * (high - low) / 1.35 / np.sqrt(max(len(values), 1))
    return {name: float(middle), f"{name}_error": float(error)}


def any_find(rows: pd.DataFrame) -> str:
    """How often something is found, in any outcome, in a world in which nothing does anything."""
    whole = rows[rows["about"].eq("all")].groupby(WORLD)
    found = whole["called"].any()[whole["null"].all()]
    if not len(found):
        return ""
    share = 100 * found.mean()
    return f"Of {len(found)} worlds without any effect, something was found in {share:.1f} %."


if __name__ == "__main__":
    main()
