"""What was really run of a planned day, and what is left of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, nan
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import CallError, Problem
from pipeline.plan.orders import UNKNOWN, Order, settings_of
from pipeline.plan.request import MOST_RUNS, DayRequest
from pipeline.plan.slots import Slots, clock, going_on
from pipeline.team.sheets import nearest
from pipeline.team.tables import plain, time_of_day

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.plan.file import Drawn
    from pipeline.runs.setups import Book
    from pipeline.team.folder import Team


@dataclass(frozen=True)
class Driven:
    """A run that was driven. settings: factor -> level, None where it is not known; hour of its
    start from midnight, NaN where that is not known; counts: whether its laps do."""

    settings: Mapping[str, str | None]
    hour: float = nan
    counts: bool = True


@dataclass(frozen=True)
class Left:
    """What somebody says of the rest of the day.

    without: drivers who do not run on. runs: of each driver in all, None for as planned. first:
    time of day of the next run, '' for as soon as one can be.
    """

    without: tuple[str, ...] = ()
    runs: int | None = None
    first: str = ""


def driven_runs(team: Team, meeting: str, racing_class: str | None) -> dict[str, list[Driven]]:
    """Plain name of a driver -> the runs of the meeting in their order, from store and logbooks.

    A logbook may be ahead of the timing exports: its last runs are taken as it has them.
    """
    from pipeline.runs.gathering import read_season
    from pipeline.runs.logbooks import read_log
    from pipeline.store.parquet import open_store

    found: dict[str, list[Driven]] = {}
    if meeting in open_store(team.folder).meetings():
        season = read_season(team, racing_class)
        runs, log = season.data.runs, season.setups
        here = runs[(runs["meeting"] == meeting) & runs["team"]].sort_values("run_no")
        names = [factor.name for factor in team.factors]
        for driver, own in here.groupby("driver", sort=False):
            found[plain(str(driver))] = [_of_store(run, names) for run in records(own)]
    else:
        log = read_log(team)
    for book in log.books:
        if plain(book.meeting) == plain(meeting):
            known = found.setdefault(plain(book.driver), [])
            known += _of_book(book, len(known))
    return found


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): cell for name, cell in row.items()} for row in frame.to_dict("records")]


def _of_store(run: Mapping[str, Any], names: Sequence[str]) -> Driven:
    start, known = run["start"], bool(run["hour_known"])
    hour = run["hour"] if known else nan
    if isinstance(start, str) and known:
        hour = int(start[11:13]) + int(start[14:16]) / 60
    settings = {name: run[name] if isinstance(run[name], str) else None for name in names}
    return Driven(settings, float(hour), not isinstance(run["excluded"], str))


def _of_book(book: Book, known: int) -> list[Driven]:
    """The runs of a logbook beyond so many of which there are laps."""
    rows: dict[int, dict[str, str]] = {number: {} for number in book.starts}
    for entry in book.entries:
        rows.setdefault(int(entry.run), {})[entry.factor] = entry.value
    hours = {number: nan if hour is None else hour for number, hour in book.starts.items()}
    return [Driven(rows[n], hours.get(n, nan)) for n in sorted(rows)[known:]]


def rest_of(
    drawn: Drawn, driven: Mapping[str, Sequence[Driven]], left: Left
) -> tuple[Slots, Order]:
    """The runs of the day as they are and will be, and the order if it goes on as planned.

    A round that a driver missed is not made up: each who runs on has as many runs left as whoever
    has most behind him, unless `left.runs` says otherwise. Raises CallError where nothing is left.
    """
    request, stage = drawn.request, drawn.stages[-1]
    rows = [list(driven.get(plain(name), ())) for name in request.drivers]
    out = _out(request, left.without)
    rounds = max(map(len, rows), default=0)
    total = request.runs if left.runs is None else left.runs
    if total > MOST_RUNS or total <= rounds or all(out):
        raise CallError("there is nothing left to plan", [_nothing(total, rounds, all(out))])
    ends = [len(own) + (0 if gone else total - rounds) for own, gone in zip(rows, out, strict=True)]
    width = max(ends)
    hours, counts = np.full((len(rows), width), nan), np.ones((len(rows), width), dtype=bool)
    done = []
    for driver, own in enumerate(rows):
        numbers = [setting_number(request, run.settings) for run in own]
        hours[driver, : len(own)] = [run.hour for run in own]
        counts[driver, : len(own)] = [
            run.counts and number != UNKNOWN for run, number in zip(own, numbers, strict=True)
        ]
        done.append(tuple(numbers))
    slots = Slots(
        _timed(request, hours, list(map(len, rows)), left.first), counts, tuple(done), tuple(ends)
    )
    return slots, going_on(_widened(stage.order, width), slots)


def _out(request: DayRequest, without: Sequence[str]) -> list[bool]:
    known = {plain(name) for name in request.drivers}
    strange = [name for name in without if plain(name) not in known]
    if strange:
        raise CallError(
            "somebody is named who is not in the plan",
            [
                Problem(f"'{name}'", f"one of {', '.join(request.drivers)}", "--without",
                        advice=nearest(name, request.drivers))
                for name in strange
            ],
        )  # fmt: skip
    gone = set(map(plain, without))
    return [plain(name) in gone for name in request.drivers]


def _nothing(total: int, rounds: int, nobody: bool) -> Problem:
    if nobody:
        return Problem("nobody who runs on", "one driver or more", "--without")
    if total > MOST_RUNS:
        return Problem(f"{total} runs", f"at most {MOST_RUNS}", "--runs")
    found = f"{rounds} of {total} runs driven"
    return Problem(found, "runs that are still to come", advice="--runs N gives the day more.")


def setting_number(request: DayRequest, settings: Mapping[str, object]) -> int:
    """Number of a setting, from factor -> level; UNKNOWN where it is none of the plan's."""
    places = []
    for factor in request.factors:
        level = settings.get(factor.name)
        if level not in factor.levels:
            return UNKNOWN
        places.append(factor.levels.index(str(level)))
    levels = settings_of(request.factors).levels
    return int(np.flatnonzero((levels == places).all(axis=1))[0])


def _timed(request: DayRequest, hours: np.ndarray, driven: Sequence[int], first: str) -> np.ndarray:
    """The hours, unknown ones as planned, and what is to come from the next start on."""
    between = request.minutes / 60
    out = np.where(
        np.isfinite(hours), hours, request.first_hour + between * np.arange(hours.shape[1])
    )
    last = max(
        (out[d, n - 1] for d, n in enumerate(driven) if n), default=request.first_hour - between
    )
    start = _hour(first) if first else max(last + between, request.first_hour)
    for driver, count in enumerate(driven):
        out[driver, count:] = start + between * np.arange(hours.shape[1] - count)
    return out


def _hour(first: str) -> float:
    found = time_of_day(first)
    if not found:
        raise CallError(
            "a time that cannot be read", [Problem(f"'{first}'", "a time as 09:40", "--first")]
        )
    return int(found[:2]) + int(found[3:5]) / 60


def known_settings(
    request: DayRequest, driven: Mapping[str, Sequence[Driven]]
) -> dict[tuple[int, int], dict[str, str]]:
    """(driver, run) -> what was on the car of the plan's factors, as far as it is known."""
    return {
        (driver, number): {
            factor.name: str(run.settings[factor.name])
            for factor in request.factors
            if run.settings.get(factor.name) is not None
        }
        for driver, name in enumerate(request.drivers)
        for number, run in enumerate(driven.get(plain(name), ()))
    }


def _widened(order: Order, width: int) -> Order:
    more = max(width - order.shape[1], 0)
    return np.asarray(np.pad(order, ((0, 0), (0, more)), mode="edge"))


def rest_notes(request: DayRequest, slots: Slots) -> list[str]:
    """What the reader should know about the runs that were driven."""
    notes = []
    names = request.drivers
    rounds = max(map(len, slots.done), default=0)
    for driver, own in enumerate(slots.done):
        strange = [str(n + 1) for n in range(len(own)) if not slots.counts[driver, n]]
        if strange:
            notes.append(
                f"{names[driver]}, run {', '.join(strange)}: left out, or a setting that is not "
                "known or not in the plan; it counts for nothing here."
            )
        if slots.ends[driver] == len(own):
            notes.append(f"{names[driver]} runs no more; the {len(own)} runs driven count.")
        elif len(own) < rounds:
            notes.append(
                f"{names[driver]} has {len(own)} runs where others have {rounds}; what was missed "
                "is not made up."
            )
    nexts = [
        slots.hours[d, len(own)] for d, own in enumerate(slots.done) if slots.ends[d] > len(own)
    ]
    start = clock(min(nexts)) if nexts and isfinite(min(nexts)) else ""
    return [*notes, f"The next runs start at {start}."] if start else notes
