"""What moved since the last meeting, a line a part: choices first, then what was settled."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from pipeline.decide.places import Part
from pipeline.decide.situations import rows_of
from pipeline.report.words import sentence
from pipeline.tables.cells import Row, text
from pipeline.tables.outcomes import OUTCOMES

if TYPE_CHECKING:
    import pandas as pd

Line = tuple[str, str]


def moved_lines(
    changes: pd.DataFrame | None, parts: Mapping[str, Part], grips: Sequence[str]
) -> list[Line]:
    """(part, sentence) of each part whose choice moved, or whose effect was or is settled.

    parts: those that are spoken of; others, as what counts up by itself, are left out. What moved
    in a feel is in the table and not here: it changes no choice.
    """
    if changes is None:
        return []
    rows = [row for row in rows_of(changes) if str(row["factor"]) in parts]
    choices = [row for row in rows if row["what"] == "choice"]
    verdicts = [row for row in rows if row["what"] != "choice" and _is_news(row)]
    lines = [
        (parts[factor].label, words)
        for factor, own in groupby(choices, key=lambda row: str(row["factor"]))
        for words in _of_choices(list(own), grips)
    ]
    for row in verdicts:
        part = parts[str(row["factor"])]
        label = f"{part.label} {part.level(row['level'])}".strip()
        lines.append((label, sentence(f"{row['before']} before, now {row['now']}: {row['why']}")))
    return lines


def _of_choices(rows: Sequence[Row], grips: Sequence[str]) -> Iterator[str]:
    """A sentence for each move, with the grips at which it was made; that over all grips is said
    only where no grip has a word."""
    asked = [row for row in rows if text(row, "grip")] or list(rows)
    moves: dict[tuple[str, str, str], list[str]] = {}
    for row in asked:
        before, now = str(row["before"]), _with_level(row)
        moves.setdefault((before, now, str(row["why"])), []).append(text(row, "grip"))
    for (before, now, why), places in moves.items():
        yield sentence(f"{before} before, now {now}{_where(places, grips)}: {why}")


def _with_level(row: Row) -> str:
    now, level = str(row["now"]), text(row, "level")
    return now if not level or level in now.split() or " " in now else f"{now} {level}"


def _where(places: Iterable[str], grips: Sequence[str]) -> str:
    words = [grip for grip in grips if grip in set(places) - {""}]
    if not words:
        return ""
    if len(words) == len([grip for grip in grips if grip]) > 1:
        return " at any grip"
    return f" at {' and '.join(words)} grip"


def _is_news(row: Row) -> bool:
    """A verdict of the clock that was settled or is no longer; not every leaning."""
    said = f"{row['before']} {row['now']}"
    return "settled" in said and any(name in said.split() for name in OUTCOMES)
