"""What becomes of laps that lost a little: `python -m tests.models.small_errors` prints the table.

Runs of 22 laps of 15 s; 6 laps in a hundred lose exactly so much. Called an incident by the rules
of `pipeline/read/status.py`; of those that pass as clean, the mean weight by
`pipeline/runs/robust.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.read import status
from pipeline.runs.robust import clean_weights

LOSSES = (0.3, 0.5, 0.8, 1.2, 2.0, 3.0)
SPREADS = (0.1, 0.2, 0.3)
LAPS, USUAL, RATE, CARS = 22, 15.0, 0.06, 20


@dataclass(frozen=True)
class Found:
    """Shares of laps that lost so much: called an incident, and weight of those called clean;
    and of laps that lost nothing: not called clean, and weight."""

    incident: float
    weight: float
    false_alarm: float
    clean_weight: float


def found(loss: float, spread: float, runs: int = 1000, seed: int = 1) -> Found:
    """Of laps of SD `spread` s, some of which lost `loss` s."""
    rng = np.random.default_rng(seed)
    lost = rng.random((runs, LAPS)) < RATE
    lap_s = (USUAL + rng.normal(0, spread, (runs, LAPS)) + loss * lost).ravel()
    run, lap = np.repeat(np.arange(runs), LAPS), np.tile(np.arange(1, LAPS + 1), runs)
    lost = lost.ravel() & (lap > 1)
    code = status.lap_status(run, lap_s, lap == 1)
    clean = code == status.CLEAN
    weight = np.full(len(run), np.nan)
    weight[clean] = clean_weights(run[clean], lap[clean], lap_s[clean], np.arange(runs) % CARS)
    honest = ~lost & (lap > 1)
    return Found(
        incident=float(np.isin(code[lost], (status.INCIDENT, status.OTHER)).mean()),
        weight=float(np.nanmean(weight[lost])) if clean[lost].any() else 0.0,
        false_alarm=float((~clean[honest]).mean()),
        clean_weight=float(np.nanmean(weight[honest])),
    )


def main() -> None:
    print(
        "| lap SD | loss | called incident | weight of the rest | false alarm | weight of clean |"
    )
    print("|---|---|---|---|---|---|")
    for spread in SPREADS:
        for loss in LOSSES:
            one = found(loss, spread)
            print(
                f"| {spread} s | {loss} s | {one.incident:.1%} | {one.weight:.2f} | "
                f"{one.false_alarm:.2%} | {one.clean_weight:.3f} |"
            )


if __name__ == "__main__":
    main()
