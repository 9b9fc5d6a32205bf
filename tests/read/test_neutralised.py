"""Laps driven while the whole field was slow: the rule's bounds, drawn, and how often it errs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.read import Export, ReadOptions, read_export
from pipeline.read.neutralised import slow_for_all
from pipeline.read.status import run_centres
from tests.read import simulated_stops
from tests.read.heat import hours

USUAL = 16.0
CALM = [USUAL] * 10
STOPPED = [*[USUAL] * 4, 40.0, *[USUAL] * 5]
Field = list[list[float]]


def held(cars: Field, starts: list[float] | None = None, names: list[int] | None = None) -> Field:
    """What the rule says of each lap of each run, as drawn. starts: s; names: of the cars."""
    run = np.repeat(np.arange(len(cars)), [len(laps) for laps in cars])
    lap_s = np.array([seconds for laps in cars for seconds in laps])
    opens = np.append(True, np.diff(run) != 0)
    centre = run_centres(run, lap_s, ~opens).centre
    ends = [
        start + np.cumsum(laps)
        for start, laps in zip(starts or range(1, len(cars) + 1), cars, strict=True)
    ]
    end = np.round(1e6 * np.concatenate(ends)).astype(np.int64)
    begin = end - np.round(1e6 * lap_s).astype(np.int64)
    car = np.array(names or range(len(cars)))
    found = slow_for_all(np.zeros(len(cars), int), car, run, begin, end, centre)
    return [found[run == number].tolist() for number in range(len(cars))]


def count(found: Field) -> list[int]:
    return [sum(laps) for laps in found]


@pytest.mark.parametrize(("cars", "expected"), [(4, 0), (5, 1)])
def test_five_cars_are_needed(cars: int, expected: int) -> None:
    assert count(held([STOPPED] * cars)) == [expected] * cars


@pytest.mark.parametrize(("seconds", "expected"), [(1.069 * USUAL, 0), (1.071 * USUAL, 1)])
def test_slow_is_seven_per_cent(seconds: float, expected: int) -> None:
    laps = [*CALM[:4], seconds, *CALM[:5]]
    assert count(held([laps] * 8, starts=[1 + k / 100 for k in range(8)])) == [expected] * 8


@pytest.mark.parametrize(("calm", "expected"), [(3, 0), (2, 1)])
def test_nearly_all_others_are_more_than_three_quarters(calm: int, expected: int) -> None:
    """Of ten cars those held have seven or eight of nine others beside them: 67 or 78 %."""
    cars = [STOPPED] * (10 - calm) + [CALM] * calm
    found = count(held(cars, starts=[1 + k / 1000 for k in range(10)]))
    assert found[: 10 - calm] == [expected] * (10 - calm)


@pytest.mark.parametrize(("overlap", "expected"), [(7.5, 0), (8.5, 1)])
def test_a_lap_beside_it_belongs_to_it_by_half(overlap: float, expected: int) -> None:
    """A late car's lap of 16 s of which so much lies in the others' stopped lap."""
    before = 4 * USUAL + 40 - overlap  # it ends its lap before it so long before the stop's end
    late = [*CALM[:4], before - 4 * USUAL, *CALM]
    found = held([STOPPED] * 9 + [late], starts=[0.0] * 10)
    assert count(found[:9]) == [1] * 9
    assert found[9][5] == bool(expected)


def test_the_laps_own_time_is_not_asked() -> None:
    """A car that just came out is held as the others are, whatever its own laps say."""
    found = held([STOPPED] * 7 + [[40.0, 41.0, 42.0]], starts=[1.0] * 7 + [10.0])
    assert count(found) == [1] * 7 + [1]


def test_a_run_that_lies_wholly_in_it_is_told_by_the_cars_other_runs() -> None:
    """A shower over the second heat: all laps of it but the first ones."""
    dry, wet = [USUAL] * 18, [1.3 * USUAL] * 14
    starts = [float(s + k) for s in (1, 400, 800) for k in range(6)]
    found = count(held([dry] * 6 + [wet] * 6 + [dry] * 6, starts, [*range(6)] * 3))
    assert found == [0] * 6 + [13] * 6 + [0] * 6


@pytest.mark.parametrize(("heats", "expected"), [(5, True), (7, False)])
def test_what_lasts_longer_than_half_an_hour_is_weather(heats: int, expected: bool) -> None:
    """Heats of 20 slow laps (5.3 minutes each) between dry ones."""
    dry, wet = [USUAL] * 20, [1.1 * USUAL] * 18
    cars = [dry] * 6 * (heats + 1) + [wet] * 6 * heats + [dry] * 6
    starts = [400.0 * (number // 6) + number % 6 + 1 for number in range(len(cars))]
    found = held(cars, starts, [*range(6)] * (len(cars) // 6))
    assert any(map(any, found)) == expected


def test_another_day_is_not_compared() -> None:
    """A slower second day is another track, not a stop."""
    fast, slow = [USUAL] * 20, [1.2 * USUAL] * 3
    starts = [float(k + 1) for k in range(6)] + [86_400.0 + k for k in range(6)]
    assert not any(map(any, held([fast] * 6 + [slow] * 6, starts, [*range(6)] * 2)))
    same_day = [float(k + 1) for k in range(6)] + [3_600.0 + k for k in range(6)]
    assert any(map(any, held([fast] * 6 + [slow] * 6, same_day, [*range(6)] * 2)))


def test_first_laps_are_no_stretch() -> None:
    """Slow for everybody at each start, and most so where cars start one after the other."""
    cars = [[30.0 + k, *CALM] for k in range(8)]
    assert not any(map(any, held(cars, starts=[0.0] * 8)))


@pytest.mark.parametrize("name", [n for n in simulated_stops.WORLDS if "4 cars" not in n])
def test_the_rule_errs_rarely(name: str) -> None:
    found = simulated_stops.rates(simulated_stops.WORLDS[name], 60, 3)
    assert found["false"] < 0.02
    assert not found["found"] < 0.95
    assert found["lost_s"] < 0.03


def heat_file(folder: Path, cars: int, racing_class: str = "A") -> Export:
    """A heat in which all cars stand for 30 s; the last car has an accident of its own before."""
    lines = ["Driver;Class;Lap;Lap time;Time of day;Session"]
    for car in range(cars):
        clock = 36_000.5 + 0.7 * car
        times = [18.0, 16.2, 16.3, 24.0 if car == cars - 1 else 16.2, 46.0, 16.2, 16.3, 16.1]
        for lap, seconds in enumerate(times, 1):
            clock += seconds
            mine = racing_class if car else "A"
            lines.append(f"Car {car};{mine};{lap};{seconds:.3f};{hours()(clock)};Final")
    path = folder / "final.csv"
    path.write_text("\n".join(lines) + "\n")
    return read_export(path, ReadOptions("spring", date="2026-03-28"))


def test_neutralised_laps_are_no_mistakes_and_shift_nothing(tmp_path: Path) -> None:
    laps = heat_file(tmp_path, 6).laps
    assert (laps.groupby("driver")["status"].agg(list).loc["Car 0"]) == [
        *["first", "clean", "clean", "clean", "neutralised", "clean", "clean", "clean"]
    ]
    assert laps.groupby("driver")["status"].agg(list).loc["Car 5"][3] == "incident"


def test_classes_are_not_held_beside_each_other(tmp_path: Path) -> None:
    laps = heat_file(tmp_path, 5, "B").laps
    assert "neutralised" not in set(laps["status"])
    assert "neutralised" in set(heat_file(tmp_path, 6, "B").laps["status"])


def test_a_heat_without_a_clock_is_told_from_its_start(tmp_path: Path) -> None:
    lines = ["Heat 2", "Lap;" + ";".join(f"Car {k}" for k in range(6))]
    for lap, seconds in enumerate([18.0, 16.2, 16.3, 46.0, 16.2, 16.1], 1):
        lines.append(f"{lap};" + ";".join(f"{seconds + k / 20:.2f}" for k in range(6)))
    path = tmp_path / "grid.csv"
    path.write_text("\n".join(lines) + "\n")
    laps = read_export(path, ReadOptions("spring", date="2026-03-28")).laps
    assert set(laps.loc[laps["lap"] == 4, "status"]) == {"neutralised"}
    assert set(laps.loc[laps["lap"] != 4, "status"]) == {"first", "clean"}
