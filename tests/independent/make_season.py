"""A season with known truths, drawn from a plain statistical model.

    python -m tests.independent.make_season DIR

writes a team folder DIR/team (six meetings, 36 drivers, a team of five, exports in three
layouts) and DIR/truth: every clean lap as it was drawn, and the effects. People, venues and
numbers are invented. Nothing here is shared with the package, so that agreement means something.
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.independent import exports

SEED = 20_260_411
TEAM = ["Ada Lindqvist", "Bruno Färber", "Cem Aksoylu", "Dorit Vennesluis", "Elio Marchetta"]
FIRST = ["Finn", "Greta", "Hugo", "Ines", "Jonas", "Kaya", "Lars", "Mila"]
LAST = ["Østerby", "Quintal", "Rösler", "Straka"]
FIELD = [f"{first} {last}" for first in FIRST for last in LAST][:31]
DRIVERS = TEAM + FIELD

MEETINGS = [  # name, date, surface, grip, layout of its exports
    ("birch-hall-1", "2026-01-18", "carpet", "low", "laps"),
    ("lakeside-1", "2026-02-15", "carpet", "medium", "passings"),
    ("old-mill-1", "2026-03-14", "asphalt", "low", "grid"),
    ("birch-hall-2", "2026-04-11", "carpet", "high", "laps"),
    ("lakeside-2", "2026-05-09", "carpet", "high", "passings"),
    ("old-mill-2", "2026-06-13", "asphalt", "medium", "grid"),
]
ROUNDS = ["Practice 1", "Practice 2", "Qualifying 1", "Qualifying 2", "Qualifying 3"]
ROUNDS += ["Qualifying 4", "Final 1", "Final 2"]

# What the options are worth: pace (s a lap) and spread (ratio of SD) against the reference.
LEVELS = {
    "rear_bar": ["1.3", "1.2", "1.4"],
    "front_spring": ["soft", "hard"],
    "deck_screws": ["in", "out"],
    "front_toe": ["0.0", "0.5", "1.0"],
    "rear_spring": ["blue", "grey"],
    "rear_oil": ["400", "450"],
    "wing": ["low", "high"],
}
PACE = {
    ("rear_bar", "1.2"): 0.05,
    ("rear_bar", "1.4"): -0.06,
    ("front_spring", "hard"): -0.08,
    ("deck_screws", "out"): 0.0,
    ("front_toe", "0.5"): 0.03,
    ("front_toe", "1.0"): 0.06,
    ("rear_spring", "grey"): -0.04,
    ("wing", "high"): 0.02,
}
SPREAD = {("rear_bar", "1.4"): 1.25, ("front_spring", "hard"): 0.85}
ALIASED = ("rear_spring", "rear_oil")
CHANGED_ONCE = "wing"

RUN_SD, DRIVER_SD, ENTRY_SD, HEAT_SECONDS = 0.08, 0.35, 0.10, 300.0
INCIDENT_RATE, MISSED_RATE = 0.025, 0.002


@dataclass
class Run:
    """One car in one heat: laps in seconds from the tone, in order; which of them are clean."""

    meeting: int
    round: int
    heat: int
    driver: int
    start: float
    setting: dict[str, str]
    laps: list[float] = field(default_factory=list)
    clean: list[bool] = field(default_factory=list)


def draw_season(seed: int = SEED) -> list[Run]:
    """All runs of the season, in order of time."""
    rng = np.random.default_rng(seed)
    pace = rng.normal(0, DRIVER_SD, len(DRIVERS))
    sigma = np.exp(rng.uniform(np.log(0.12), np.log(0.36), len(DRIVERS)))
    settings = [{name: levels[0] for name, levels in LEVELS.items()} for _ in TEAM]
    runs = []
    for meeting in range(len(MEETINGS)):
        grip = draw_grip(rng)
        entry = pace + rng.normal(0, ENTRY_SD, len(DRIVERS))
        for race in range(len(ROUNDS)):
            heats = np.split(rng.permutation(len(DRIVERS)), 3)
            for place, driver in enumerate(range(len(TEAM))):
                settings[driver] = next_setting(rng, settings[driver], meeting, race, place)
            for heat, drivers in enumerate(heats):
                start = heat_start(race, heat)
                base = 15.2 + 0.4 * (meeting % 3) + grip(start / 3600) - 0.05 * (race > 5)
                for driver in drivers:
                    setting = dict(settings[driver]) if driver < len(TEAM) else {}
                    run = Run(meeting, race, heat, int(driver), start, setting)
                    drive(rng, run, base + entry[driver], sigma[driver])
                    runs.append(run)
    return runs


def heat_start(race: int, heat: int) -> float:
    """Seconds since midnight: heats every ten minutes from 9:00, an hour's lunch."""
    return 9 * 3600 + 600.0 * (3 * race + heat) + 3600 * (race >= 5)


def draw_grip(rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """Seconds a lap by hour of the day: rubber goes down, flattening; the sun moves it too."""
    gain, rate = rng.uniform(0.2, 0.6), rng.uniform(0.5, 1.2)
    wave, phase = rng.normal(0, 0.05), rng.uniform(0, 6)
    return lambda hour: gain * np.exp(-rate * (hour - 9)) + wave * np.sin(hour + phase)


def next_setting(
    rng: np.random.Generator, setting: dict[str, str], meeting: int, race: int, driver: int
) -> dict[str, str]:
    """One or two settings change between runs; two always together; the wing only once."""
    setting = dict(setting)
    free = [name for name in LEVELS if name not in (*ALIASED, CHANGED_ONCE)] + [ALIASED[0]]
    for name in rng.choice(free, size=rng.integers(0, 3), replace=False):
        others = [level for level in LEVELS[name] if level != setting[name]]
        setting[name] = str(rng.choice(others))
        if name == ALIASED[0]:
            setting[ALIASED[1]] = LEVELS[ALIASED[1]][LEVELS[name].index(setting[name])]
    wing_on = meeting == 2 and driver == 1 and race >= 5
    setting[CHANGED_ONCE] = LEVELS[CHANGED_ONCE][int(wing_on)]
    return setting


def drive(rng: np.random.Generator, run: Run, seconds: float, sigma: float) -> None:
    """Laps until the heat is over: the tyres come in, then fade; some laps are lost."""
    seconds += rng.normal(0, RUN_SD) + sum(PACE.get(s, 0.0) for s in run.setting.items())
    sigma *= float(np.prod([SPREAD.get(s, 1.0) for s in run.setting.items()]))
    elapsed, lap = 0.0, 0
    while elapsed < HEAT_SECONDS:
        lap += 1
        time = seconds + 0.25 * np.exp(-lap / 2) + 0.006 * lap + rng.normal(0, sigma)
        lost = rng.random() < INCIDENT_RATE
        time += rng.uniform(3, 9) if lost else 0.0
        time += rng.uniform(0.5, 3) if lap == 1 else 0.0
        run.laps.append(round(float(time), 3))
        run.clean.append(lap > 1 and not lost)
        elapsed += time


def write_season(folder: Path, seed: int = SEED) -> Path:
    """Write DIR/team and DIR/truth; returns the team folder."""
    runs = draw_season(seed)
    team = folder / "team"
    exports.write_team_files(team, runs)
    exports.write_exports(team / "exports", runs)
    write_truth(folder / "truth", runs)
    return team


def write_truth(folder: Path, runs: list[Run]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    columns = ["meeting", "session", "kind", "run", "driver", "team", "hour", "lap", "lap_s"]
    with (folder / "laps.csv").open("w", encoding="utf-8", newline="") as stream:
        out = csv.writer(stream)
        out.writerow([*columns, *LEVELS])
        for number, run in enumerate(runs):
            out.writerows(truth_rows(number, run))


def truth_rows(number: int, run: Run) -> list[list[object]]:
    """The run's clean laps; a rival's settings are unknown and stand empty."""
    session = ROUNDS[run.round]
    head = [MEETINGS[run.meeting][0], session, session.split()[0], number, DRIVERS[run.driver]]
    head += [run.driver < len(TEAM), f"{(run.start + HEAT_SECONDS / 2) / 3600:.4f}"]
    tail = [run.setting.get(name, "") for name in LEVELS]
    laps = enumerate(zip(run.laps, run.clean, strict=True), 1)
    return [[*head, lap, f"{time:.3f}", *tail] for lap, (time, clean) in laps if clean]


if __name__ == "__main__":
    print(write_season(Path(sys.argv[1])))
