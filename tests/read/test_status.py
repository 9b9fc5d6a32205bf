"""What a lap is, drawn as heats of eight laps; and how often the rules err."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.read import ReadOptions, read_export
from pipeline.read.status import NAMES, grouped_median, lap_status
from tests.read import simulated, simulated_traffic

HEATS = {
    "a calm run": """
        18.1   16.2   16.3   16.1   16.2   16.4   16.2   16.3
        first  clean  clean  clean  clean  clean  clean  clean
    """,
    "a crash and a marshal": """
        18.1   16.2   16.3   21.5      16.2   16.4   16.2   16.3
        first  clean  clean  incident  clean  clean  clean  clean
    """,
    "the line missed the car once": """
        18.1   16.2   16.3   32.5    16.2   16.4   16.2   16.3
        first  clean  clean  missed  clean  clean  clean  clean
    """,
    "the line missed the car twice in a row": """
        18.1   16.2   16.3   48.7    16.2   16.4   16.2   16.3
        first  clean  clean  missed  clean  clean  clean  clean
    """,
    "the line saw the car twice": """
        18.1   16.2   16.3   1.1     15.1    16.4   16.2   16.3
        first  clean  clean  double  double  clean  clean  clean
    """,
    "the line saw the car twice at the first passing": """
        1.1     18.1   16.3   16.2   16.1   16.4   16.2   16.3
        double  first  clean  clean  clean  clean  clean  clean
    """,
    "a stop": """
        18.1   16.2   16.3   74.3   16.2   16.4   16.2   16.3
        first  clean  clean  other  clean  clean  clean  clean
    """,
    "a short cut": """
        18.1   16.2   16.3   12.3   16.2   16.4   16.2   16.3
        first  clean  clean  other  clean  clean  clean  clean
    """,
    "a wild driver": """
        18.1   16.2   17.3   15.4   16.9   16.4   15.2   17.0
        first  clean  clean  clean  clean  clean  clean  clean
    """,
    "crashes in three laps of eight": """
        18.1   21.2      16.3   22.9      16.2   24.0      16.2   16.3
        first  incident  clean  incident  clean  incident  clean  clean
    """,
    "one lap": """
        18.1
        first
    """,
}


def drawn(picture: str) -> tuple[np.ndarray, list[str]]:
    times, statuses = (line.split() for line in picture.strip().splitlines())
    return np.array([float(t) for t in times]), statuses


@pytest.mark.parametrize("name", HEATS)
def test_heat(name: str) -> None:
    lap_s, expected = drawn(HEATS[name])
    run = np.zeros(len(lap_s), dtype=np.int64)
    opens = np.arange(len(lap_s)) == 0
    assert NAMES[lap_status(run, lap_s, opens)].tolist() == expected


def test_runs_do_not_see_each_other() -> None:
    pictures = [drawn(picture) for picture in HEATS.values()]
    run = np.repeat(np.arange(len(pictures)), [len(times) for times, _ in pictures])
    opens = np.append(True, np.diff(run) != 0)
    together = NAMES[lap_status(run, np.concatenate([t for t, _ in pictures]), opens)].tolist()
    apart = [status for _, statuses in pictures for status in statuses]
    same = np.mean([a == b for a, b in zip(together, apart, strict=True)])
    assert same > 0.98  # the file's usual spread steadies that of single runs


def test_medians_by_group_are_numpys() -> None:
    chance = np.random.default_rng(3)
    group = np.sort(chance.integers(0, 40, 500))
    values = chance.uniform(1, 100, 500)
    found = grouped_median(values, np.bincount(group, minlength=41))
    for g in np.unique(group):
        assert found[g] == np.median(values[group == g])
    assert np.isnan(found[40])


def passings(seconds: list[float], folder: Path) -> list[str]:
    lines = ["seconds since start;transponder", *(f"{s};1234567" for s in seconds)]
    path = folder / "q1.csv"
    path.write_text("\n".join(lines))
    options = ReadOptions(
        "spring", date="2026-03-28", mapping={"elapsed": "seconds since start"}, layout="passings"
    )
    export = read_export(path, options)
    return [f"{t:g} {s}" for t, s in zip(export.laps["lap_s"], export.laps["status"], strict=True)]


def test_the_lap_after_a_double_passing_is_whole(tmp_path: Path) -> None:
    found = passings([5, 21, 37, 38.2, 53, 69], tmp_path)
    assert found == ["16 first", "16 clean", "1.2 double", "16 clean", "16 clean"]


@pytest.mark.parametrize("name", [n for n in simulated.CASES if n != "no faults at all"])
def test_rules_err_rarely(name: str) -> None:
    found = simulated.rates(
        simulated.simulate(400, np.random.default_rng(5), **simulated.CASES[name])
    )
    assert found.false_alarm < 0.005
    assert found.found_incident > 0.9
    assert found.found_missed > 0.9
    assert found.found_double > 0.95
    assert found.lost_spread < (0.06 if "tails" in name else 0.01)


def test_traffic_is_found_where_cars_hinder_each_other() -> None:
    found = simulated_traffic.rates(40, seed=2)
    assert found["found"] > 0.75
    assert found["false_alarm"] < 0.1
    assert abs(found["lost_s_after"]) < 0.25 * found["lost_s_before"]


def test_no_traffic_where_cars_pass_through_each_other(tmp_path: Path) -> None:
    chance = np.random.default_rng(4)
    lines = ["Driver,Lap,Lap time,Time of day"]
    for car in range(12):
        clock = 36_000.5 + 0.3 * car
        for lap in range(20):
            seconds = 16 + 0.03 * car + 0.2 * chance.standard_normal()
            clock += seconds
            at = f"{int(clock // 3600):02d}:{int(clock % 3600 // 60):02d}:{clock % 60:06.3f}"
            lines.append(f"Car {car},{lap + 1},{seconds:.3f},{at}")
    path = tmp_path / "q1.csv"
    path.write_text("\n".join(lines))
    export = read_export(path, ReadOptions("spring", date="2026-03-28"))
    assert set(export.laps["status"]) == {"first", "clean"}
