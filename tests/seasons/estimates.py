"""Earlier seasons joined on drawn estimates alone, without laps: many more seasons a cell.

    python -m tests.seasons.estimates > tests/seasons/ESTIMATES.md

Three seasons, this one known to 0.035 s on 4 degrees of freedom and two to 0.02 s on 10 (as three
and six meetings of four cars are); effects vary about their mean by the SD of the first column.
"""

from __future__ import annotations

import argparse

import numpy as np

from pipeline.models.earlier import Seasons, between_seasons, combined
from pipeline.models.engine.inference import Estimate

ERROR, DF = np.array([0.035, 0.02, 0.02]), np.array([4.0, 10.0, 10.0])
MEDIAN = 0.05  # s, of the prior on the SD between seasons


def drawn(between: float, contrasts: int, rng: np.random.Generator) -> tuple[list, np.ndarray]:
    """Of each contrast what three seasons say, and the truth of the first."""
    effects = rng.normal(0, 0.08, (contrasts, 1)) + rng.normal(0, between, (contrasts, 3))
    y = effects + rng.normal(0, ERROR, effects.shape)
    v = ERROR**2 * rng.chisquare(DF, effects.shape) / DF
    return [Seasons(one, variance, DF) for one, variance in zip(y, v, strict=True)], effects[:, 0]


def held(rows: list, truth: np.ndarray) -> list[tuple[bool, bool, float]]:
    """Of each contrast: held with earlier seasons, alone, and log of the ratio of the widths."""
    between, out = between_seasons(rows, MEDIAN), []
    for row, t in zip(rows, truth, strict=True):
        alone = Estimate(row.y[0], float(np.sqrt(row.v[0])), row.df[0]).interval()
        both = combined(row, between).interval()
        inside = [low <= t <= high for low, high in (both, alone)]
        ratio = np.log((both[1] - both[0]) / (alone[1] - alone[0]))
        out.append((inside[0], inside[1], float(ratio)))
    return out


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--draws", type=int, default=6000, help="contrasts a cell")
    draws = reader.parse_args().draws
    print("# Earlier seasons joined, on drawn estimates\n")
    print(f"`python -m tests.seasons.estimates --draws {draws}`: per cent of {draws} contrasts a")
    print(f"cell, error {100 * np.sqrt(0.05 * 0.95 / draws):.1f} points.\n")
    print("| SD between seasons, s | contrasts at once | held | held alone | narrower |")
    print("|---:|---:|---:|---:|---:|")
    for contrasts in (1, 2, 8):
        for between in (0.0, 0.02, 0.05, 0.08, 0.15):
            rng = np.random.default_rng([3, contrasts, int(1000 * between)])
            found = [
                one
                for _ in range(draws // contrasts)
                for one in held(*drawn(between, contrasts, rng))
            ]
            both, alone, ratio = np.mean(found, axis=0)
            narrower = 100 * (1 - np.exp(ratio))
            cells = f"{100 * both:.1f} | {100 * alone:.1f} | {narrower:.0f} %"
            print(f"| {between:g} | {contrasts} | {cells} |", flush=True)


if __name__ == "__main__":
    main()
