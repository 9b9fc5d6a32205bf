"""A planned test day lived through: a team folder, what was fitted, and laps straight into it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from tests.commands import Said, run
from tests.folders import team_folder
from tests.laps import heat, stored

CARS = {"Ann Arbor": "101 Ann Arbor", "Bo Burg": "102 Bo Burg"}
MEETING = "spring"
Runs = Mapping[tuple[str, int], Mapping[str, str]]


def planned(folder: Path, runs: int, *more: object) -> dict[str, Any]:
    """The team folder with plan.json of both drivers' day in `day`."""
    team_folder(folder)
    said = run(
        "--team", folder, "plan", "--factor", "rear_bar", "--levels", "rear_bar=1.3,1.4",
        "--drivers", 2, "--runs", runs, "--meeting", MEETING, "--out", folder / "day", *more,
    )  # fmt: skip
    assert said.status == 0, said.err
    return read(folder)


def read(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "day" / "plan.json").read_text("utf-8"))
    return found


def settings(plan: Mapping[str, Any]) -> dict[tuple[str, int], dict[str, str]]:
    """(driver, run) -> what the plan has on the car."""
    return {(each["driver"], each["run"]): each["settings"] for each in plan["runs"]}


def drive(
    folder: Path,
    fitted: Runs,
    pace: Callable[[str, int, Mapping[str, str]], float],
    seed: int = 1,
    rivals: int = 0,
) -> None:
    """The runs into the store, three quarters of an hour apart, and into the log.

    pace: seconds a lap of a driver's run with a setting. A run's own luck is 0.02 s, a lap's 0.1.
    """
    chance = np.random.default_rng(seed)
    heats = []
    for number in sorted({number for _, number in fitted}):
        here = {d: setting for (d, own), setting in fitted.items() if own == number}
        cars = {CARS[d]: pace(d, number, setting) for d, setting in here.items()}
        cars |= {f"{n} Rival {n}": 16.5 - 0.02 * number for n in range(rivals)}
        start = f"{8 + number * 45 // 60}:{number * 45 % 60:02d}"
        times = {car: _laps(mean, chance) for car, mean in cars.items()}
        heats.append(heat(f"T{number}", start, times, meeting=MEETING, order=number))
    stored(folder, *heats)
    rows = [f"{MEETING},{d},{n},{s.get('rear_bar', '')}" for (d, n), s in sorted(fitted.items())]
    (folder / "setups.csv").write_text("\n".join(["meeting,driver,run,rear_bar", *rows]) + "\n")


def _laps(mean: float, chance: np.random.Generator) -> list[float]:
    own = mean + chance.normal(0, 0.02)
    return [18.0, *(round(float(lap), 3) for lap in chance.normal(own, 0.1, 14))]


def sheet(folder: Path, *more: object) -> Said:
    return run("--team", folder, "meeting", MEETING, *more)
