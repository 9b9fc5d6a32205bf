"""The same rows by end, by start, by position, by car or by lot: the same laps, runs and sessions.

And what a clock that was really set back looks like in each of these orders.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.read import Export, ReadOptions, read_export
from tests.read.heat import hours

KEYS = ["session", "heat", "driver", "lap"]
CARS = 7


@dataclass(frozen=True)
class Row:
    """A lap; at: seconds of the day at its end; since: seconds since the session's start."""

    car: int
    session: str
    lap: int
    seconds: float
    at: float
    since: float


def day(
    chance: np.random.Generator,
    starts: tuple[float, ...] = (36_000.25, 39_600.5, 43_200.75),
    laps: int = 12,
    usual: float = 16.0,
) -> list[Row]:
    """Sessions of laps; cars lie up to a lap apart, and one stops early."""
    rows = []
    for number, start in enumerate(starts, 1):
        for car in range(CARS):
            times = usual + car / 8 + chance.normal(0, 0.02 * usual, laps)
            times[0] += chance.uniform(0, usual)
            for lap in range(laps if car else laps // 2):
                since = float(times[: lap + 1].sum())
                rows.append(Row(car, f"Q{number}", lap + 1, times[lap], start + since, since))
    return rows


def by_lot(rows: list[Row]) -> list[Row]:
    return [rows[i] for i in np.random.default_rng(5).permutation(len(rows))]


ORDERS: dict[str, Callable[[list[Row]], list[Row]]] = {
    "by end": lambda rows: sorted(rows, key=lambda r: r.at),
    "by start": lambda rows: sorted(rows, key=lambda r: r.at - r.seconds),
    "by position": lambda rows: sorted(rows, key=lambda r: (r.session, r.lap, r.at)),
    "by car": lambda rows: sorted(rows, key=lambda r: (r.car, r.at)),
    "by car and session": lambda rows: sorted(rows, key=lambda r: (r.session, r.car, r.at)),
    "last session first": lambda rows: sorted(rows, key=lambda r: (-int(r.session[1:]), r.at)),
    "by lot": by_lot,
}
LAYOUTS: dict[str, tuple[str, Callable[[Row], str]]] = {
    "laps": (
        "Driver;Lap;Lap time;Time of day",
        lambda r: f"Car {r.car};{r.lap};{r.seconds:.3f};{hours()(r.at)}",
    ),
    "laps of sessions": (
        "Session;Driver;Lap;Lap time;Time of day",
        lambda r: f"{r.session};Car {r.car};{r.lap};{r.seconds:.3f};{hours()(r.at)}",
    ),
    "laps without numbers": (
        "Driver;Lap time;Time of day",
        lambda r: f"Car {r.car};{r.seconds:.3f};{hours()(r.at)}",
    ),
    "laps by the time since the start": (
        "Session;Driver;Lap;Elapsed time",
        lambda r: f"{r.session};Car {r.car};{r.lap};{r.since:.3f}",
    ),
    "passings": ("Time of day;Driver", lambda r: f"{hours()(r.at)};Car {r.car}"),
    "passings of sessions": (
        "Session;Time of day;Driver",
        lambda r: f"{r.session};{hours()(r.at)};Car {r.car}",
    ),
    "passings by the time since the start": (
        "Session;Elapsed;Driver",
        lambda r: f"{r.session};{r.since:.3f};Car {r.car}",
    ),
}


def read(rows: list[Row], layout: str, folder: Path) -> Export:
    header, line = LAYOUTS[layout]
    path = folder / "day.csv"
    path.write_text("\n".join([header, *map(line, rows)]) + "\n")
    return read_export(path, ReadOptions("spring", date="2026-03-28", timezone="Europe/Berlin"))


def laps_of(export: Export) -> pd.DataFrame:
    columns = [*KEYS, "lap_s", "at", "elapsed_s", "status"]
    laps = export.laps.sort_values(KEYS, ignore_index=True)
    return laps[columns].round({"lap_s": 3, "elapsed_s": 3})


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("usual", [16.0, 95.0])
def test_any_order_gives_the_same(usual: float, layout: str, order: str, tmp_path: Path) -> None:
    if order == "last session first" and "Session" not in LAYOUTS[layout][0]:
        pytest.skip("without names of sessions this is what a clock set back looks like")
    rows = day(np.random.default_rng(3), usual=usual)
    if usual > 90:  # stints of one race: sessions that lie in each other's time
        rows = day(np.random.default_rng(4), (36_000.25, 37_300.5, 38_500.75), usual=usual)
    expected = read(ORDERS["by end"](rows), layout, tmp_path)
    assert expected.rows_kept == len(rows)
    found = read(ORDERS[order](rows), layout, tmp_path)
    assert found.rows_kept == len(rows)
    assert not [warning for warning in found.warnings if "set back" in warning]
    pd.testing.assert_frame_equal(laps_of(found), laps_of(expected))
    sessions = [
        export.sessions.sort_values(["session", "heat"], ignore_index=True).drop(columns="order")
        for export in (found, expected)
    ]
    pd.testing.assert_frame_equal(*sessions)


def set_back(rows: list[Row], seconds: float, cars: int = CARS) -> list[Row]:
    """From the middle of the second session on the clock of so many cars is behind."""
    moment = np.median([row.at for row in rows if row.session == "Q2"])
    return [
        replace(row, at=row.at - seconds) if row.at > moment and row.car < cars else row
        for row in rows
    ]


@pytest.mark.parametrize("order", ["by end", "by start", "by position", "by car"])
@pytest.mark.parametrize("layout", ["laps", "laps without numbers", "passings"])
def test_a_clock_set_back_is_told_in_any_order(layout: str, order: str, tmp_path: Path) -> None:
    rows = ORDERS[order](day(np.random.default_rng(3)))
    if order == "by car":  # nothing tells of a car that was not there when it happened
        rows = [row for row in rows if row.car]
    export = read(set_back(rows, 1_800), layout, tmp_path)
    told = [warning for warning in export.warnings if "set back by 0:" in warning]
    assert len(told) == 1
    assert export.rows_kept == len(rows)
    # The session is cut where the clock was; nothing that followed lies among what was before.
    runs = export.laps.groupby(["session", "driver"])["lap_s"].agg(["size", "max"])
    assert export.laps["session"].nunique() == 4
    assert runs["max"].max() < 60


@pytest.mark.parametrize(("cars", "told"), [(2, False), (5, True)])
def test_it_shows_in_most_cars_at_once(cars: int, told: bool, tmp_path: Path) -> None:
    rows = set_back(ORDERS["by end"](day(np.random.default_rng(3))), 120, cars)
    export = read(rows, "laps without numbers", tmp_path)
    assert any("set back" in warning for warning in export.warnings) == told


def test_rows_that_stand_late_are_put_in_their_place(tmp_path: Path) -> None:
    rows = ORDERS["by end"](day(np.random.default_rng(3)))
    late = [*rows[:20], *rows[21:60], rows[20], *rows[60:]]
    for layout in ("laps", "laps without numbers", "passings"):
        found, expected = (laps_of(read(each, layout, tmp_path)) for each in (late, rows))
        pd.testing.assert_frame_equal(found, expected)


@pytest.mark.parametrize("order", ["by end", "by start", "by position", "by car"])
def test_midnight_passes_in_any_order(order: str, tmp_path: Path) -> None:
    rows = day(np.random.default_rng(3), starts=(86_300.25,))
    written = [replace(row, at=row.at % 86_400) for row in ORDERS[order](rows)]
    for layout in ("laps", "laps of sessions", "passings"):
        laps = read(written, layout, tmp_path).laps
        assert laps["lap_s"].max() < 40
        days = laps["at"].dt.tz_convert("Europe/Berlin").dt.strftime("%d")
        assert set(days) == {"28", "29"}


@pytest.mark.parametrize("order", ["by end", "by car"])
def test_a_time_since_the_start_that_begins_anew_opens_a_session(
    order: str, tmp_path: Path
) -> None:
    rows = ORDERS[order](day(np.random.default_rng(3), starts=tuple(4e4 + 900.0 * np.arange(7))))
    path = tmp_path / "day.csv"
    lines = [f"{row.since:.3f};Car {row.car}" for row in rows]
    path.write_text("\n".join(["Elapsed;Driver", *lines]) + "\n")
    laps = read_export(path, ReadOptions("spring", date="2026-03-28")).laps
    assert laps["session"].nunique() == 7
    assert laps.groupby(["session", "driver"]).size().unique().tolist() == [5, 11]
    assert laps["lap_s"].max() < 20


def test_a_grid_by_rows_in_any_order(tmp_path: Path) -> None:
    times = np.random.default_rng(2).uniform(16, 17, (9, 3))
    lines = [f"{lap};" + ";".join(f"{t:.3f}" for t in row) for lap, row in enumerate(times, 1)]
    found = []
    for order in (range(9), np.random.default_rng(1).permutation(9), reversed(range(9))):
        path = tmp_path / "grid.csv"
        path.write_text("\n".join(["Heat 2", "Lap;Ada;Bo;Cy", *(lines[i] for i in order)]) + "\n")
        found.append(laps_of(read_export(path, ReadOptions("spring", date="2026-03-28"))))
    for other in found[1:]:
        pd.testing.assert_frame_equal(other, found[0])


@pytest.mark.parametrize("order", ["by start", "by position"])
@pytest.mark.parametrize("layout", ["laps", "laps without numbers", "laps of sessions"])
def test_a_few_steps_back_between_cars_are_none(layout: str, order: str, tmp_path: Path) -> None:
    """Cars that follow each other evenly, but for two laps of half a minute more."""
    rows = []
    for car in range(12):
        times = np.full(60, 95.0)
        times[10 + car] += 30 * (car in (3, 7))
        ends = 36_000.25 + 6 * car + np.cumsum(times)
        rows += [Row(car, "Q1", k + 1, times[k], ends[k], 0.0) for k in range(60)]
    found, expected = (read(ORDERS[each](rows), layout, tmp_path) for each in (order, "by end"))
    assert not [warning for warning in found.warnings if "set back" in warning]
    pd.testing.assert_frame_equal(laps_of(found), laps_of(expected))
