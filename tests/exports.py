"""Small exports as files, for tests of what happens around reading them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

LAPS = [18.2, 16.1, 16.0, 16.3, 16.2, 16.1]
CARS: Mapping[str, Sequence[float]] = {"101 Ann Arbor": LAPS, "102 Bo Burg": LAPS, "7 Cy Coe": LAPS}


def laps_csv(
    path: Path, cars: Mapping[str, Sequence[float]] = CARS, start: str = "10:00:00"
) -> Path:
    """A row a lap: car 'transponder name' -> lap times."""
    rows = ["Transponder,Driver,Lap,Lap time"]
    for car, times in cars.items():
        number, _, name = car.partition(" ")
        rows += [f"{number},{name},{lap},{seconds}" for lap, seconds in enumerate(times, 1)]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([f"Start: {start}", *rows]) + "\n")
    return path
