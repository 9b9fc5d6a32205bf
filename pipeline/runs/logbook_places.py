"""Which run of the exports a row of a logbook is.

A logbook counts its runs by itself and has the phone's time of each. The exports may lack a run
(no transponder) or have one more (nobody wrote): number and time then say different things.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from pipeline.runs.setup_places import NEAR_HOURS, Place, Placed, Places, Run

if TYPE_CHECKING:
    from pipeline.runs.setups import Book, SetupLog

Pairs = dict[int, Run]
# From the phone's time to the start (h): a car is made ready while the heat before is on the track,
# or written down when it is back. Common practice, no published source.
MOST_BEFORE = 0.75
MOST_AFTER = 1 / 3
_ROUNDING = 1e-6  # h; times are whole seconds


def place_books(log: SetupLog, places: Places) -> list[Placed]:
    """The rows of all logbooks that are about a run of the store; the rest goes to the log."""
    return [placed for book in log.books for placed in _place(log, places, book)]


def _place(log: SetupLog, places: Places, book: Book) -> Iterator[Placed]:
    racing_class = places.class_of(book.entries[0]) if book.entries else None
    if racing_class is None:
        return
    runs = places.runs.get((book.meeting, book.driver), [])
    runs = [run for run in runs if run.racing_class == racing_class]
    pairs = _pairs(log, book, runs)
    date = places.days.get(book.meeting, "")
    for entry in book.entries:
        run = pairs.get(int(entry.run))
        if run:
            yield Placed(entry, racing_class, Place(run.place, run.run_no), date)
        elif not runs:
            # As with a typed change: what was on the car last is what the next run starts from.
            yield Placed(entry, racing_class, places.next_run(entry, racing_class, date), date)
    missing = [str(number) for number in book.starts if number not in pairs]
    if missing:
        held = "do not count" if runs else "hold from the next run"
        say = f"{book.name}: the store has no run of {book.driver} at {book.meeting} for run "
        log.warnings.append(f"{say}{', '.join(missing)} of the logbook; such rows {held}")


def _pairs(log: SetupLog, book: Book, runs: list[Run]) -> Pairs:
    """Number in the logbook -> run of the store, by number unless the times prove otherwise.

    A driver closes a run some minutes before it, or after, and does so much alike all day: the
    lag from the phone's time to the start. Where the lags by number are alike and such as a
    person has, the numbers are right. Where they leap, a run is missing on one side, if the times
    match more rows at one lag than the numbers do; else the phone's clock leapt. Where they are
    alike and strange, the clock is off, or nobody wrote down the first run: that is asked.
    """
    by_number = {run.run_no: run for run in runs if run.run_no in book.starts}
    if len({run.date for run in runs}) != 1 or not all(run.timed for run in runs):
        return by_number
    said = {number: hour for number, hour in book.starts.items() if hour is not None}
    lags = {n: run.start - said[n] for n, run in by_number.items() if n in said}
    if not lags:
        return by_number
    usual = statistics.median(lags.values())
    alike = [n for n, lag in lags.items() if _near(lag, usual)]
    if len(alike) == len(lags) and _usual(usual):
        return by_number
    readings = _by_time(said, runs)
    most = len(readings[0]) if readings else 0
    if len(alike) == len(lags):
        asked = most >= len(lags) - 1
    else:
        asked = most > len(alike) and len(readings) > 1
    if asked and most:
        _ask(log, book, by_number, readings[0])
        return {}
    if most > len(alike):
        _say_moved(log, book, readings[0], said)
        return readings[0]
    _say_clock(log, book, by_number, {n: hour for n, hour in said.items() if n in lags},
               [] if not _usual(usual) else alike)  # fmt: skip
    return by_number


def _by_time(said: Mapping[int, float], runs: list[Run]) -> list[Pairs]:
    """The readings that give most rows a run, each at one lag that a person may have."""
    lags = {run.start - hour for run in runs for hour in said.values()}
    found = [_at_lag(said, runs, lag) for lag in sorted(lags) if _usual(lag)]
    most = max(map(len, found), default=0)
    different: list[Pairs] = []
    for pairs in found:
        if len(pairs) == most and pairs not in different:
            different.append(pairs)
    return different


def _at_lag(said: Mapping[int, float], runs: list[Run], lag: float) -> Pairs:
    """Each row to the run nearest in time; nothing where two share one or the order turns."""
    pairs: Pairs = {}
    for number in sorted(said):
        run = min(runs, key=lambda run: abs(run.start - said[number] - lag))
        if _near(run.start - said[number], lag):
            pairs[number] = run
    order = [run.run_no for run in pairs.values()]
    return pairs if order == sorted(set(order)) else {}


def _near(lag: float, usual: float) -> bool:
    # Half the time between two runs of a driver (common practice: half an hour and more), so that
    # no row is near to two.
    return abs(lag - usual) <= NEAR_HOURS + _ROUNDING


def _usual(lag: float) -> bool:
    """Whether a driver may close runs so long before the start (h), or after it."""
    return -MOST_AFTER - _ROUNDING <= lag <= MOST_BEFORE + _ROUNDING


def _say_moved(log: SetupLog, book: Book, pairs: Pairs, said: Mapping[int, float]) -> None:
    log.warnings += [
        f"{book.name}: run {n} of the logbook went out at {_clock(said[n])}; by that time it is "
        f"run {run.run_no} ({run.session}) of the store, and counts as that"
        for n, run in pairs.items()
        if run.run_no != n
    ]


def _say_clock(
    log: SetupLog, book: Book, pairs: Pairs, said: Mapping[int, float], alike: list[int]
) -> None:
    log.warnings += [
        f"{book.name}: run {n} went out at {_clock(hour)} by the phone, at "
        f"{_clock(pairs[n].start)} by the exports; its number counts"
        for n, hour in said.items()
        if n not in alike
    ]


def _ask(log: SetupLog, book: Book, by_number: Pairs, by_time: Pairs) -> None:
    number, run = next(iter(by_time.items()))
    hour = book.starts[number]
    other = by_number.get(number)
    reading = f"at {_clock(other.start)} by its number" if other else "nowhere by its number"
    entry = next(entry for entry in book.entries if int(entry.run) == number)
    found = f"run {number} at {_clock(hour or 0)}, which is {reading}, and run {run.run_no} at "
    found += f"{_clock(run.start)} by its time"
    advice = "Mend the numbers if a run is missing in the logbook, the times if the phone's clock "
    advice += "was wrong; a row without a time goes by its number"
    log.fault(entry.line, "start", found, "one run", advice, book.name)


def _clock(hour: float) -> str:
    minutes = round(hour * 60)
    return f"{minutes // 60 % 24:02}:{minutes % 60:02}"
