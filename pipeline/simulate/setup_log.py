"""The setup log as people write it: units in cells, decimal commas, `std`, any case."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

import numpy as np

from pipeline.simulate.car import SetupFactor
from pipeline.simulate.world import Run, Settings, World

CHANGES = ("meeting", "driver", "class", "run", "factor", "value")


def changes_log(world: World, settings: Settings, rng: np.random.Generator) -> str:
    """A row for each change, and for each setting a driver starts the season with."""
    held: dict[tuple[int, str, str], str] = {}
    rows = []
    for r in world.team_runs:
        run = world.runs[r]
        racing_class = world.session(run).racing_class
        for factor, value in settings[r].items():
            key = (run.driver, racing_class, factor)
            known = held.get(key) == value
            if known and not (run.run_no == 1 and rng.uniform() < 0.04):
                continue
            held[key] = value
            rows.append([
                world.meetings[run.meeting].name,
                _as_written(world.drivers[run.driver].name, rng),
                racing_class,
                _when(world, run, rng),
                factor,
                "same" if known else value_text(world.factors[factor], value, rng),
            ])  # fmt: skip
    return csv_text(CHANGES, rows)


def sheet_log(world: World, settings: Settings, rng: np.random.Generator) -> str:
    """A row for each run, a column for each factor."""
    factors = list(world.factors)
    rows = []
    for r in world.team_runs:
        run = world.runs[r]
        cells = [value_text(world.factors[f], settings[r][f], rng) for f in factors]
        meeting, name = world.meetings[run.meeting].name, world.drivers[run.driver].name
        rows.append([meeting, name, world.session(run).racing_class, str(run.run_no), *cells])
    return csv_text(["meeting", "driver", "class", "run", *factors], rows)


def _when(world: World, run: Run, rng: np.random.Generator) -> str:
    """The run's number, or the session's name, or a time just before the start."""
    chance = rng.uniform()
    if chance < 0.10:
        return world.session(run).name
    if chance < 0.18 and len(world.meetings[run.meeting].dates) == 1:
        minutes = int(world.heat(run).start * 60.0) - 4
        return f"{minutes // 60}:{minutes % 60:02d}"
    return str(run.run_no)


def _as_written(name: str, rng: np.random.Generator) -> str:
    return name.lower() if rng.uniform() < 0.06 else name


def value_text(factor: SetupFactor, value: str, rng: np.random.Generator) -> str:
    """One of the ways in which a person writes the value."""
    chance = rng.uniform()
    if value == factor.reference and factor.kind != "number" and chance < 0.30:
        return "std"
    text = value.replace(".", ",") if chance < 0.45 else value
    if factor.unit and chance > 0.80:
        text = f"{text} {factor.unit}"
    return text


def csv_text(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of the team folder."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue()
