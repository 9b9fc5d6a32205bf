"""Real laps beside the random worlds: do the worlds reach what real laps are like?

What is in per cent of a lap is held in units of the usual lap SD there, since a lap of 15 s varies
by more per cent than one of 90 s and the models know no lap of a certain length.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.random import default_rng

from tests.real.races import Races
from tests.real.shapes import SCATTER, Shape, shapes
from tests.worlds.draw import draw
from tests.worlds.world import World, world

INNER = (0.05, 0.95)
# Fewer runs say little of their shapes.
LEAST_RUNS = 60
# Of real laps, what may be off by 5 % may be off by so many of their SD.
REACH = 11


def compared(races: Races, count: int, seed: int = 1) -> pd.DataFrame:
    """A row a figure: what, place (in its words, from 1), real, and among the worlds low and high
    (5 and 95 %) and share (of worlds below the real one); NaN where no world has it."""
    real = figures(shapes(races))
    drawn = pd.DataFrame([figures(found) for found in _worlds(count, seed)])
    low, high = (drawn.quantile(q) for q in INNER)
    below = (drawn < real).sum() / drawn.notna().sum()
    table = pd.DataFrame({"real": real, "low": low, "high": high, "share": below}).loc[real.index]
    return table.rename_axis(["what", "place"]).reset_index()


def figures(found: list[Shape]) -> pd.Series:
    """The figures by what and place; those of a lap over the middle lap SD but that one itself."""
    unit = next(shape.values[1] for shape in found if shape.what == SCATTER)
    scaled = {
        (shape.what, place): value / (unit if shape.of_lap and shape.what != SCATTER else 1)
        for shape in found
        for place, value in enumerate(shape.values, start=1)
    }
    return pd.Series(scaled, dtype=float)


def _worlds(count: int, seed: int) -> Iterator[list[Shape]]:
    for number in range(count):
        rng = default_rng([seed, number])
        # What is no incident has to be told, and the clock known, to look at laps alone.
        p = replace(draw(rng), status_column=True, known_starts=True)
        made = world(p, rng)
        if len(made.runs) >= LEAST_RUNS:
            yield shapes(races_of_world(made), REACH * p.lap_sd / p.lap_s)


def races_of_world(made: World) -> Races:
    """Its runs and laps as real ones; laps that the whole field drove slowly under a flag."""
    runs = made.runs.assign(
        start=pd.to_datetime(made.runs["start"]),
        laps=np.bincount(made.laps["run"], minlength=len(made.runs)),
    )
    held = made.laps["status"] == "neutralised"
    return Races(runs, made.laps.assign(flag=np.where(held, "slow", "green")))
