"""What a driver's file may say of choices: the driver's own and the team's, without its counts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from pipeline.decide.sentences import fit_or_try
from pipeline.decide.situations import rows_of
from pipeline.tables.cells import number, text
from pipeline.tables.decisions import CHOICES, Decisions

if TYPE_CHECKING:
    import pandas as pd


def private_decisions(decisions: Decisions, driver: str, all_named: bool) -> Decisions:
    """The tables of a decision as `driver` may see them; texts are still to be scrubbed.

    Of a part that two drivers ran, own and team's numbers would give the other's: there the team's
    stand, unless all of the team may be named. Counts say no more than 'one' or 'more'.
    """
    choices, tests = decisions.choices, decisions.tests
    seen = choices[choices["driver"].isin(["", driver])]
    pairs = set(seen.loc[seen["n_drivers"] == 2, "factor"])
    if pairs and not all_named:
        rows = [*_kept(seen, pairs), *_of_team(seen, pairs, decisions.worth_changing_s)]
        seen = CHOICES.conform(_in_order(rows, seen))
    return replace(
        decisions,
        choices=seen.assign(
            sentence=None,
            n_runs=None,
            n_drivers=seen["n_drivers"].clip(upper=2),
            n_meetings=seen["n_meetings"].clip(upper=2),
            n_here=seen["n_here"].clip(upper=1),
        ),
        felt={place: words for place, words in decisions.felt.items() if place[3] == driver},
        tests=tests[tests["driver"].fillna("").isin(["", driver])].assign(sentence=""),
    )


def _kept(seen: pd.DataFrame, pairs: set[str]) -> Iterator[dict[str, Any]]:
    yield from rows_of(seen[(seen["driver"] == "") | ~seen["factor"].isin(pairs)])


def _of_team(
    seen: pd.DataFrame, pairs: set[str], worth_changing_s: float
) -> Iterator[dict[str, Any]]:
    """The driver's rows of these parts with the team's numbers, against what is on the car."""
    team: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    own: dict[tuple[str, ...], dict[str, Any]] = {}
    for row in rows_of(seen[seen["factor"].isin(pairs)]):
        key = tuple(text(row, name) for name in ("factor", "grip", "surface"))
        if text(row, "driver"):
            own[key] = row
        else:
            team.setdefault(key, []).append(row)
    for key, mine in own.items():
        present = text(mine, "present")
        gains = {str(r["level"]): number(r, "gain_s") for r in team.get(key, [])}
        zero = gains.get(present)
        for row in team.get(key, []):
            saved = None if zero is None else (number(row, "gain_s") or 0.0) - zero
            told = {**row, "driver": mine["driver"], "present": present or None,
                    "gain_present_s": saved, "gain_present_low": None,
                    "gain_present_high": None}  # fmt: skip
            yield {**told, "advice": _advice(told, saved, worth_changing_s)}


def _advice(row: dict[str, Any], saved: float | None, worth_changing_s: float) -> str | None:
    """The contract's rules, for the row on which the team's advice stands."""
    told = text(row, "advice")
    if told in ("", "either") or saved is None:
        return told or None
    if saved <= worth_changing_s:
        return "keep"
    return fit_or_try(row)


def _in_order(rows: list[dict[str, Any]], seen: pd.DataFrame) -> pd.DataFrame:
    """The rows in the order of the factors."""
    import pandas as pd

    order = {str(name): i for i, name in enumerate(seen["factor"].unique())}
    ordered: list[dict[str, Any]] = sorted(rows, key=lambda row: order[str(row["factor"])])
    return pd.DataFrame(ordered)
