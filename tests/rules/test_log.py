"""The setup log against itself and against the clock: what is a conflict, and what is near."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from pipeline.runs.logbook_places import place_books
from pipeline.runs.setup_conflicts import contradictions, settle_between, two_values
from pipeline.runs.setup_places import Place, Placed, Run
from pipeline.runs.setups import Book, Entry, SetupLog


def row(value: str, run_no: int = 2, line: int = 5, **more: Any) -> Placed:
    """A row of the log that is about a run: place `run_no`, unless told otherwise."""
    clock, place = more.pop("clock", None), more.pop("place", run_no)
    told = {"meeting": "spring", "driver": "Ann", "factor": "bar", "source": ""} | more
    racing_class = told.pop("racing_class", "")
    entry = Entry(line=line, run=str(run_no), value=value, racing_class=racing_class, **told)
    return Placed(entry, racing_class, Place(place, run_no, clock), "2026-05-02")


@pytest.mark.parametrize(
    ("first", "second", "is_fault"),
    [
        ({}, {"value": "1.4"}, True),
        ({}, {"value": "1.3"}, False),
        ({}, {"value": "1.4", "run_no": 3}, False),
        ({}, {"value": "1.4", "driver": "Bo"}, False),
        ({}, {"value": "1.4", "factor": "oil"}, False),
        ({}, {"value": "1.4", "racing_class": "formula"}, False),
        # two changes at different times before one run follow each other
        ({"clock": 10.0}, {"value": "1.4", "clock": 10.5}, False),
        ({"clock": 10.0}, {"value": "1.4", "clock": 10.0}, True),
        ({"clock": 10.0}, {"value": "1.4"}, True),
        ({}, {"value": "1.4", "clock": 10.0}, True),
        # what says nothing of a run, or sets nothing, is no conflict
        ({"run_no": 0}, {"value": "1.4", "run_no": 0}, False),
        ({}, {"value": "same"}, False),
        ({"value": "same"}, {"value": "1.4"}, False),
        ({"value": "reset"}, {"value": "1.4"}, True),
    ],
)
def test_two_rows_of_one_run(first: dict[str, Any], second: dict[str, Any], is_fault: bool) -> None:
    placed = [row(**{"value": "1.3", "line": 5, **first}), row(**{"line": 7, **second})]
    for order in (placed, placed[::-1]):
        log = SetupLog()
        two_values(log, order)
        assert [p.line for p in log.problems] == [7] * is_fault
        value = placed[0].entry.value
        assert all("'1.4' for bar of Ann's run 2" in p.found for p in log.problems)
        assert all(f"'{value}' in line 5" in p.found for p in log.problems)


BOOK = {"source": "logbooks/spring/Ann.csv", "line": 3}


@pytest.mark.parametrize(
    ("typed", "kept", "differ"),
    [
        ({}, {"value": "1.4"}, True),
        ({}, {"value": "1.3"}, False),
        ({"value": "reset"}, {"value": "1.4"}, False),
        ({"value": "same"}, {"value": "1.4"}, False),
        ({"run_no": 0}, {"value": "1.4", "run_no": 0}, False),
        ({"run_no": 0, "place": 2}, {"value": "1.4"}, False),
        ({}, {"value": "1.4", "run_no": 0, "place": 2}, False),
        ({}, {"value": "1.4", "run_no": 3}, False),
        ({"factor": "oil"}, {"value": "1.4"}, False),
        ({"driver": "Bo"}, {"value": "1.4"}, False),
        ({"racing_class": "formula"}, {"value": "1.4"}, False),
    ],
)
def test_a_typed_row_and_a_logbook(
    typed: dict[str, Any], kept: dict[str, Any], differ: bool
) -> None:
    rows = [row(**{"value": "1.3", **typed})], [row(**BOOK, **kept)]
    assert len(list(contradictions(*rows))) == differ
    log = SetupLog()
    assert settle_between(log, *rows) == rows[1]
    assert (len(log.problems), log.warnings) == (differ, [])


def book(**more: Any) -> Book:
    told: dict[str, Any] = {"name": BOOK["source"], "meeting": "spring", "driver": "Ann"}
    return Book(**({"entries": (), "starts": {}} | told | more))


def test_a_logbook_that_replaces_overrules() -> None:
    typed, kept = [row("1.3")], [row("1.4", **BOOK)]
    log = SetupLog(books=[book(replaces=frozenset([("2", "bar", "1.3")]))])
    assert settle_between(log, typed, kept) == kept
    assert log.problems == []
    (said,) = log.warnings
    assert said.startswith(
        "setups.csv, line 5: '1.3' for bar of Ann's run 2 at spring is overruled"
    )
    for other in [("3", "bar", "1.3"), ("2", "oil", "1.3"), ("2", "bar", "1.2")]:
        log = SetupLog(books=[book(replaces=frozenset([other]))])
        settle_between(log, typed, kept)
        assert (len(log.problems), log.warnings) == (1, [])


def test_both_a_replaced_row_and_another_are_looked_at() -> None:
    typed = [row("1.3"), row("1.3", run_no=3, line=6)]
    kept = [row("1.4", **BOOK), row("1.4", run_no=3, **{**BOOK, "line": 4})]
    log = SetupLog(books=[book(replaces=frozenset([("2", "bar", "1.3")]))])
    settle_between(log, typed, kept)
    assert (len(log.warnings), [p.line for p in log.problems]) == (1, [6])


@pytest.mark.parametrize(
    ("more", "stays"), [({}, False), ({"meeting": "summer"}, True), ({"factor": "oil"}, True)]
)
def test_what_a_logbook_does_not_know_leaves_the_typed_rows(
    more: dict[str, Any], stays: bool
) -> None:
    typed, kept = [row("1.3", run_no=1)], [row("reset", run_no=4, **BOOK, **more)]
    assert settle_between(SetupLog(), typed, kept) == (kept if stays else [])


@dataclass
class Store:
    """What the exports have of one driver's day: starts of his runs, h."""

    starts: list[float]
    timed: tuple[bool, ...] = (True,)
    dates: tuple[str, ...] = ("2026-05-02",)
    days: dict[str, str] = field(default_factory=lambda: {"spring": "2026-05-02"})

    @property
    def runs(self) -> dict[tuple[str, str], list[Run]]:
        made = [
            Run(meeting="spring", row=n, place=10 + n, run_no=n, start=start, session=f"Q{n}",
                racing_class="",
                date=self.dates[n % len(self.dates)], timed=self.timed[n % len(self.timed)])
            for n, start in enumerate(self.starts, 1)
        ]  # fmt: skip
        return {("spring", "Ann"): made} if made else {}

    def class_of(self, entry: Entry) -> str:
        return ""

    def next_run(self, entry: Entry, racing_class: str, date: str) -> Place:
        return Place(99, 0)


def told(starts: list[float | None], store: Store) -> tuple[dict[int, int], SetupLog]:
    """Number in the logbook -> run of the store that it counts for; a row for each number."""
    entries = [
        Entry(line=n + 1, run=str(n), value="1.3", meeting="spring", driver="Ann", factor="bar",
              racing_class="", source="book")
        for n in range(1, len(starts) + 1)
    ]  # fmt: skip
    log = SetupLog(books=[book(entries=tuple(entries), starts=dict(enumerate(starts, 1)))])
    placed = place_books(log, store)  # type: ignore[arg-type]
    return {int(p.entry.run): p.at.run_no for p in placed}, log


SAME_RUNS = {1: 1, 2: 2, 3: 3}


@pytest.mark.parametrize(
    ("said", "starts", "runs", "warnings", "faults"),
    [
        # a car goes out three quarters of an hour after its row was closed, or was out a third
        # of an hour before: as far as that the numbers are right, whatever the phone says
        ([9.25], [10.0], {1: 1}, 0, 0),
        ([9.24], [10.0], {1: 1}, 1, 0),
        ([10 + 1 / 3], [10.0], {1: 1}, 0, 0),
        ([10.34], [10.0], {1: 1}, 1, 0),
        # lags within a quarter of an hour of the usual one are alike
        ([9.9, 10.9, 11.65], [10.0, 11.0, 12.0], SAME_RUNS, 0, 0),
        ([9.9, 10.9, 11.64], [10.0, 11.0, 12.0], SAME_RUNS, 1, 0),
        ([9.9, 10.9, 12.15], [10.0, 11.0, 12.0], SAME_RUNS, 0, 0),
        ([9.9, 10.9, 12.16], [10.0, 11.0, 12.0], SAME_RUNS, 1, 0),
        # the exports lack the second run: by the times the third row is their second
        ([9.9, 10.9, 11.9], [10.0, 12.0], {1: 1, 3: 2}, 2, 0),
        # nobody wrote the first run down: all lags are an hour, which is asked
        ([9.9, 10.9, 11.9], [9.0, 10.0, 11.0, 12.0], {}, 1, 1),
        # as where two of three rows fit, but not where one does
        ([9.9, 10.9, 11.9], [9.0, 10.0, 11.0], {}, 1, 1),
        ([10.9, 11.9, 12.9], [9.0, 10.0, 11.0], SAME_RUNS, 3, 0),
        ([11.3, 13.1, 13.1], [9.25, 11.25, 11.5], SAME_RUNS, 3, 0),
        ([10.0, 11.3, 12.0], [11.0, 12.25], {}, 1, 1),
        # leaps, and the times can be read in two ways: which one is asked
        ([10.0, 10.5], [10.6, 12.0], {}, 1, 1),
        ([13.1, 9.0], [9.25, 9.75, 12.25, 12.75], {}, 1, 1),
        # leaps, and the times fit no more rows than the numbers
        ([12.5, 9.8, 13.4], [9.5, 10.25, 11.0, 11.75], SAME_RUNS, 3, 0),
        # a reading in which the order turns is none: the fourth row alone
        ([8.9, 9.0, 12.7, 12.2], [10.5, 11.75, 12.0, 12.5], {4: 4}, 1, 0),
        # the phone is half a day off: no time fits, the numbers count
        ([21.9, 22.9, 23.9], [10.0, 11.0, 12.0], SAME_RUNS, 3, 0),
        # one time that leapt is the phone's
        ([9.9, 3.0, 11.9], [10.0, 11.0, 12.0], SAME_RUNS, 1, 0),
        # without times the numbers count
        ([None, None], [10.0, 11.0, 12.0], {1: 1, 2: 2}, 0, 0),
        ([9.9, None, 11.9], [10.0, 11.0, 12.0], SAME_RUNS, 0, 0),
        # more rows than runs
        ([9.9, 10.9, 11.9], [10.0, 11.0], {1: 1, 2: 2}, 1, 0),
        ([9.9], [], {1: 0}, 1, 0),
    ],
)
def test_which_run_a_row_of_a_logbook_is(
    said: list[float | None], starts: list[float], runs: dict[int, int], warnings: int, faults: int
) -> None:
    found, log = told(said, Store(starts))
    assert (found, len(log.warnings), len(log.problems)) == (runs, warnings, faults)


@pytest.mark.parametrize(
    "store",
    [
        Store([10.0, 12.0], timed=(False,)),
        Store([10.0, 12.0], timed=(True, False)),
        Store([10.0, 12.0], dates=("2026-05-02", "2026-05-03")),
    ],
    ids=["no clock", "half a clock", "two days"],
)
def test_where_the_exports_have_no_clock_of_one_day_numbers_count(store: Store) -> None:
    found, log = told([9.9, 10.9, 11.9], store)
    assert (found, len(log.warnings), log.problems) == ({1: 1, 2: 2}, 1, [])


def test_it_is_said_which_run_a_row_counts_for() -> None:
    _, moved = told([9.9, 10.9, 11.9], Store([10.0, 12.0]))
    where = BOOK["source"]
    assert moved.warnings == [
        f"{where}: run 3 of the logbook went out at 11:54; by that time it is run 2 (Q2) of the "
        "store, and counts as that",
        f"{where}: the store has no run of Ann at spring for run 2 of the logbook; such rows do "
        "not count",
    ]
    _, leapt = told([9.9, 3.0, 11.9], Store([10.0, 11.0, 12.0]))
    assert leapt.warnings == [
        f"{where}: run 2 went out at 03:00 by the phone, at 11:00 by the exports; its number counts"
    ]
    _, late = told([23.9, 25.1, 26.9], Store([24.0, 26.0, 27.0]))
    assert "run 2 went out at 01:06 by the phone, at 02:00 by the exports" in late.warnings[0]
    _, before = told([9.9], Store([]))
    assert before.warnings[0].endswith("such rows hold from the next run")


def test_what_is_asked() -> None:
    _, log = told([9.9, 10.9, 11.9], Store([9.0, 10.0, 11.0]))
    (fault,) = log.problems
    assert (fault.line, fault.column, fault.where) == (2, "start", BOOK["source"])
    assert fault.found == (
        "run 1 at 09:54, which is at 09:00 by its number, and run 2 at 10:00 by its time"
    )
    _, log = told([9.6, 10.1, 12.0], Store([11.0, 12.0]))
    (fault,) = log.problems
    assert (fault.line, fault.found) == (
        4, "run 3 at 12:00, which is nowhere by its number, and run 2 at 12:00 by its time",
    )  # fmt: skip
