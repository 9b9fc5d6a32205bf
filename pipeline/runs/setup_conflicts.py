"""Two rows of the log that set one thing of one run differently."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from pipeline.runs.setup_places import RESET, SAME, Placed

if TYPE_CHECKING:
    from pipeline.runs.setups import SetupLog


def two_values(log: SetupLog, placed: list[Placed]) -> None:
    """Two rows that set one factor of one run differently: both places are named."""
    first: dict[tuple[str, str, int], Placed] = {}
    for each in sorted(placed, key=lambda each: each.entry.line):
        entry = each.entry
        if entry.value == SAME[0] or not each.at.run_no:
            continue
        other = first.setdefault(
            (entry.driver + each.racing_class, entry.factor, each.at.place), each
        )
        # Two changes at different times before the same run follow each other: no conflict.
        follow = None not in (each.at.clock, other.at.clock) and each.at.clock != other.at.clock
        if other.entry.value != entry.value and not follow:
            found = f"'{entry.value}' for {entry.factor} of {entry.driver}'s run {each.at.run_no} "
            found += f"at {entry.meeting}, and '{other.entry.value}' in line {other.entry.line}"
            log.fault(entry.line, "value", found, "one value for a run")


def settle_between(log: SetupLog, typed: list[Placed], kept: list[Placed]) -> list[Placed]:
    """The rows of logbooks that count beside what a person typed.

    A setting that the logbook does not know leaves the person's rows of that meeting standing.
    Where both name a run and differ, the logbook counts if it replaces that row (`log --replace`),
    and the row is said to be overruled; else both are a fault.
    """
    known = {_thing(each) for each in typed}
    kept = [k for k in kept if k.entry.value != RESET or _thing(k) not in known]
    replaced = {(book.name, *each) for book in log.books for each in book.replaces}
    for row, book_row in contradictions(typed, kept):
        here, there = row.entry, book_row.entry
        what = f"{here.factor} of {here.driver}'s run {row.at.run_no} at {here.meeting}"
        if (there.source, there.run, there.factor, here.value) in replaced:
            log.warnings.append(
                f"{log.name}, line {here.line}: '{here.value}' for {what} is overruled by "
                f"'{there.value}' in line {there.line} of {there.source}"
            )
            continue
        found = f"'{here.value}' for {what}, and '{there.value}' in line {there.line} of "
        advice = "Mend the one that is wrong, or take the logbook in with `log --replace`"
        log.fault(here.line, "", found + there.source, "one value for a run", advice)
    return kept


def contradictions(typed: list[Placed], kept: list[Placed]) -> Iterator[tuple[Placed, Placed]]:
    """(typed row, row of a logbook) that set one thing of one run differently."""
    last = {(*_car(each), each.at.place): each for each in typed if each.at.run_no}
    for book_row in kept:
        row = last.get((*_car(book_row), book_row.at.place)) if book_row.at.run_no else None
        if row and row.entry.value not in (book_row.entry.value, RESET, SAME[0]):
            yield row, book_row


def _thing(each: Placed) -> tuple[str, ...]:
    return (*_car(each), each.entry.meeting)


def _car(each: Placed) -> tuple[str, str, str]:
    return each.entry.driver, each.racing_class, each.entry.factor
