"""A heat on a track where one cannot drive through another car; what the traffic rule finds.

`python -m tests.read.simulated_traffic` prints the rates. Cars differ in pace and repeatability; a
car that would cross the line less than 0.2 s behind, or ahead of, the car in front either passes
it (one time in three, at a cost) or is held behind it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.read.status import run_centres
from pipeline.read.traffic import in_traffic

USUAL, LAPS, HOLD = 16.0, 20, 0.2


@dataclass(frozen=True)
class Heat:
    """run, lap_s, begin, end (n,) sorted by run; lost (n,): seconds lost to the car ahead."""

    run: np.ndarray
    lap_s: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    lost: np.ndarray


def drive(cars: int, chance: np.random.Generator, pace_sd: float = 0.4) -> Heat:
    """One heat of LAPS laps, cars starting a second apart."""
    pace = USUAL + np.sort(pace_sd * chance.standard_normal(cars))
    sigma = chance.uniform(0.1, 0.35, cars)
    clock = np.arange(cars) * 1.0
    begin, end, lost = (np.zeros((cars, LAPS)) for _ in range(3))
    done = np.zeros(cars, dtype=int)
    last: list[tuple[float, int]] = [(clock[car], car) for car in range(cars)]
    while (done < LAPS).any():
        car = int(np.argmin(np.where(done < LAPS, clock, np.inf)))
        start = clock[car]
        free = start + max(pace[car] + sigma[car] * chance.standard_normal(), USUAL * 0.9)
        ahead = _ahead(last, start, car)
        finish = free
        if ahead is not None:
            leads = begin[ahead, done[ahead] - 1] if done[ahead] else clock[ahead]
            finish = _hindered(free, start, float(clock[ahead]), float(leads), chance)
        begin[car, done[car]], end[car, done[car]] = start, finish
        lost[car, done[car]] = finish - free
        clock[car], done[car] = finish, done[car] + 1
        last = [item for item in last if item[1] != car] + [(start, car)]
    run = np.repeat(np.arange(cars), LAPS)
    return Heat(run, (end - begin).ravel(), begin.ravel(), end.ravel(), lost.ravel())


def _ahead(last: list[tuple[float, int]], start: float, car: int) -> int | None:
    """The car that began its lap just before."""
    before = [(when, other) for when, other in last if other != car and when <= start]
    return max(before)[1] if before else None


def _hindered(
    free: float, start: float, front: float, front_began: float, chance: np.random.Generator
) -> float:
    """When the car crosses the line, with the car in front due there at `front`."""
    if front_began > start or free > front + HOLD:
        return free
    if chance.random() < 1 / 3:
        return free + chance.uniform(0.05, 0.3)
    return max(free, front + HOLD + chance.uniform(0, 0.1))


def rates(heats: int, seed: int, cars: int = 10) -> dict[str, float]:
    """Over many heats: share of hindered laps found, share of free laps flagged, and the bias of
    the mean of the laps left, in s, before and after."""
    chance = np.random.default_rng(seed)
    flagged, lost = [], []
    for _ in range(heats):
        heat = drive(cars, chance)
        opens = np.append(True, np.diff(heat.run) != 0)
        centre = run_centres(heat.run, heat.lap_s, ~opens).centre
        begin, end = ((1e6 * (x + 60)).astype(np.int64) for x in (heat.begin, heat.end))
        flagged.append(in_traffic(np.zeros(len(centre), int), heat.run, begin, end, centre)[~opens])
        lost.append(heat.lost[~opens])
    flag, loss = np.concatenate(flagged), np.concatenate(lost)
    return {
        "hindered": float((loss > 0.05).mean()),
        "found": float(flag[loss > 0.05].mean()),
        "false_alarm": float(flag[loss <= 0.05].mean()),
        "lost_s_before": float(loss.mean()),
        "lost_s_after": float(loss[~flag].mean()),
    }


def main() -> None:
    for cars in (6, 10, 12):
        found = rates(200, 5, cars)
        print(f"{cars:>3} cars  " + "  ".join(f"{k} {v:.3f}" for k, v in found.items()))


if __name__ == "__main__":
    main()
