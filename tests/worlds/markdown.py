"""The study's tables in markdown; what misses its target by more than chance stands bold."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from tests.worlds.hostile import BY_NAME, MISTAKES
from tests.worlds.study import alike

RANDOM_COVERAGE = (0.94, 0.97)
MOST_FALSE = {"fixed": 0.065, "random": 0.06}
MOST_REFUSED = 0.05
ERRORS = 2  # Monte-Carlo errors beyond which a miss is more than chance
Row = Mapping[Any, Any]
Bounds = tuple[float, float]

# heading -> column of `reading.shares`; all but the first two are shares or widths.
SHOWN = {
    "no number": "refused",
    "covers": "covered",
    "anytime covers": "anytime",
    "null: called": "false",
    "null: p ≤ 0.05": "false_p",
    "null: shuffled p ≤ 0.05": "shuffled",
    "wrong way": "wrong_way",
    "found": "found",
    "half-width": "half_width",
    "of the simple one's": "ratio",
    "simple covers": "simple_covered",
}
WIDTHS = ("half_width", "ratio")


def fixed(cells: pd.DataFrame) -> str:
    """A row a kind and cell, pace first, the kinds in their order."""
    order = {name: place for place, name in enumerate(BY_NAME)}
    places = cells["kind"].map(order)
    rows = cells.assign(place=places).sort_values("place", kind="stable")
    table = _table(rows, ["kind"], _asked_of_kind)
    return "\n\n".join([table, _kinds(cells["kind"].unique()), LEGEND])


def drawn(cells: pd.DataFrame) -> str:
    return "\n\n".join([_table(cells, [], _asked_of_random), LEGEND])


LEGEND = (
    "Bold: more than two Monte-Carlo errors (±, worlds as clusters) from what is asked. Called: a "
    "verdict that something differs. Half-width: median, log scale for spread and mistakes."
)


def _asked_of_kind(row: Row) -> dict[str, Bounds]:
    """Column of the shares -> what it may be."""
    kind = BY_NAME[str(row["kind"])]
    asked: dict[str, Bounds] = {
        "false": (0, MOST_FALSE["fixed"]),
        "refused": (0, MOST_REFUSED),
    }
    if row["outcome"] == "mistakes":
        return asked | {"covered": MISTAKES}
    if row["outcome"] != "pace":
        return asked
    if kind.pace is not None:
        asked["covered"] = kind.pace
    if kind.ratio is not None:
        asked["ratio"] = (0, kind.ratio)
    if kind.width_s is not None and row["about"] == kind.width_s[0]:
        asked["half_width"] = (0, kind.width_s[1])
    return asked


def _asked_of_random(row: Row) -> dict[str, Bounds]:
    asked: dict[str, Bounds] = {"false": (0, MOST_FALSE["random"])}
    return asked | ({"covered": RANDOM_COVERAGE} if row["about"] == "all" else {})


def _table(cells: pd.DataFrame, first: list[str], asked: Any) -> str:
    keys = [*first, "outcome", "scope", "about", "worlds", "rows"]
    shown = {head: name for head, name in SHOWN.items() if cells[name].notna().any()}
    head = "| " + " | ".join([*keys, *shown]) + " |"
    rule = "|" + "---|" * (len(keys) - 2) + "---:|" * (len(shown) + 2)
    rows = (
        [str(row[key]) for key in keys] + list(_values(row, shown, asked(row)))
        for row in cells.to_dict("records")
    )
    return "\n".join([head, rule, *("| " + " | ".join(row) + " |" for row in rows)])


def _values(row: Row, shown: Mapping[str, str], asked: Mapping[str, Bounds]) -> Iterator[str]:
    for name in shown.values():
        value, error = float(row[name]), float(row[f"{name}_error"])
        text = _width(value) if name in WIDTHS else _percent(value, error)
        low, high = asked.get(name, (-np.inf, np.inf))
        yield f"**{text}**" if max(low - value, value - high) > ERRORS * error else text


def _width(value: float) -> str:
    return f"{value:.3g}" if np.isfinite(value) else "–"


def _percent(share: float, error: float) -> str:
    return f"{100 * share:.1f} ± {100 * error:.1f} %" if np.isfinite(share) else "–"


def _kinds(names: np.ndarray) -> str:
    return "\n".join(f"- **{name}**: {BY_NAME[name].says}" for name in BY_NAME if name in names)


def failures(table: pd.DataFrame) -> str:
    """Worlds that failed, by message, and rows that the analysis and the truth do not share."""
    worlds = table.drop_duplicates(["kind", "seed", "number"])
    counts = Counter(alike(failure) for failure in worlds["failure"] if failure)
    lines = [f"- {count} × {failure}" for failure, count in counts.most_common()]
    missing = table["row"].eq("truth").sum()
    head = f"{len(worlds)} worlds, {sum(counts.values())} on which the analysis failed"
    return "\n".join([f"{head}; {missing} rows that were to be there and are not.", *lines])
