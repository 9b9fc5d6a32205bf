"""Laps with a known truth: what a rule finds of it. `python -m tests.read.simulated` prints rates.

A run is 15 to 22 laps of 16 s; a driver's lap SD is 0.1 to 0.5 s; laps follow each other (AR 0.2),
get quicker over the first laps and slower over the run; some are crashes with a marshal (3 to
10 s), some missed by the line, some counted twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.read import status

USUAL = 16.0
KINDS = ("clean", "incident", "missed", "double", "rest")


@dataclass(frozen=True)
class Simulated:
    """run, lap_s, opens, truth (n,); sigma (r,): each run's lap SD."""

    run: np.ndarray
    lap_s: np.ndarray
    opens: np.ndarray
    truth: np.ndarray
    sigma: np.ndarray


def simulate(
    runs: int,
    chance: np.random.Generator,
    sigma: tuple[float, float] = (0.1, 0.5),
    crash: float = 0.02,
    missed: float = 0.004,
    double: float = 0.003,
    tails: float | None = None,
) -> Simulated:
    """Laps of many runs. tails: degrees of freedom of a t distribution, None for a normal one."""
    sizes = chance.integers(15, 23, runs)
    run = np.repeat(np.arange(runs), sizes)
    place = np.arange(len(run)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    sigmas = np.exp(chance.uniform(np.log(sigma[0]), np.log(sigma[1]), runs))
    noise = _noise(len(run), tails, chance)
    noise[1:] = 0.2 * noise[:-1] + np.sqrt(1 - 0.04) * noise[1:]
    trend = 0.25 * np.exp(-place / 2.0) + 0.01 * place
    lap_s = USUAL + trend + sigmas[run] * noise
    truth = np.zeros(len(run), dtype=int)
    hit = chance.random(len(run)) < crash
    lap_s[hit] += chance.uniform(3, 10, hit.sum())
    truth[hit] = 1
    return _with_faults(run, lap_s, truth, place == 0, sigmas, missed, double, chance)


def _noise(count: int, tails: float | None, chance: np.random.Generator) -> np.ndarray:
    if tails is None:
        return chance.standard_normal(count)
    return chance.standard_t(tails, count) / np.sqrt(tails / (tails - 2))


def _with_faults(
    run: np.ndarray,
    lap_s: np.ndarray,
    truth: np.ndarray,
    opens: np.ndarray,
    sigma: np.ndarray,
    missed: float,
    double: float,
    chance: np.random.Generator,
) -> Simulated:
    """Merge some laps with the next (missed), cut some in two (double)."""
    out: list[tuple[int, float, int]] = []
    skip = False
    for i in range(len(run)):
        if skip:
            skip = False
            continue
        draw = chance.random()
        last = i + 1 == len(run) or run[i + 1] != run[i]
        if draw < missed and not opens[i] and not last and truth[i] == truth[i + 1] == 0:
            out.append((run[i], lap_s[i] + lap_s[i + 1], 2))
            skip = True
        elif draw > 1 - double and not opens[i] and truth[i] == 0:
            part = chance.uniform(0.3, 1.8)
            out += [(run[i], part, 3), (run[i], lap_s[i] - part, 4)]
        else:
            out.append((run[i], lap_s[i], truth[i]))
    table = np.array(out)
    runs = table[:, 0].astype(np.int64)
    first = np.append(True, np.diff(runs) != 0)
    return Simulated(runs, table[:, 1], first, table[:, 2].astype(int), sigma)


@dataclass(frozen=True)
class Rates:
    """Shares. false_alarm: clean laps not called clean. found: by kind of fault. lost_spread:
    how much smaller the SD of laps called clean is than that of clean laps."""

    false_alarm: float
    found_incident: float
    found_missed: float
    found_double: float
    lost_spread: float
    slipped: float


def rates(laps: Simulated) -> Rates:
    """What the rules make of the laps, first laps left out."""
    called = status.lap_status(laps.run, laps.lap_s, laps.opens)
    use = ~laps.opens
    clean, called_clean = use & (laps.truth == 0), use & (called == status.CLEAN)

    def found(kind: int, *codes: int) -> float:
        return float(np.isin(called[use & (laps.truth == kind)], codes).mean())

    return Rates(
        false_alarm=float((called[clean] != status.CLEAN).mean()),
        found_incident=found(1, status.INCIDENT, status.OTHER),
        found_missed=found(2, status.MISSED),
        found_double=found(3, status.DOUBLE),
        lost_spread=1 - _spread(laps, clean & called_clean) / _spread(laps, clean),
        slipped=float((laps.truth[called_clean] != 0).mean()),
    )


def _spread(laps: Simulated, use: np.ndarray) -> float:
    """Root mean of the runs' variances."""
    count = np.bincount(laps.run[use])
    mean = np.bincount(laps.run[use], laps.lap_s[use]) / np.maximum(count, 1)
    squares = np.bincount(laps.run[use], (laps.lap_s[use] - mean[laps.run[use]]) ** 2)
    return float(np.sqrt((squares[count > 2] / (count[count > 2] - 1)).mean()))


CASES: dict[str, dict[str, object]] = {
    "normal, SD 0.1 to 0.5 s": {},
    "SD 0.1 s": {"sigma": (0.1, 0.1)},
    "SD 0.3 s": {"sigma": (0.3, 0.3)},
    "SD 0.5 s": {"sigma": (0.5, 0.5)},
    "heavy tails (t, 5 df)": {"tails": 5.0},
    "a crash in eight laps": {"crash": 0.125},
    "no faults at all": {"crash": 0.0, "missed": 0.0, "double": 0.0},
}


def main() -> None:
    names = ("false alarm", "incident", "missed", "double", "spread lost", "slipped in")
    print(f"{'laps':<26}" + "".join(f"{name:>13}" for name in names))
    for name, options in CASES.items():
        found = rates(simulate(4_000, np.random.default_rng(11), **options))  # type: ignore[arg-type]
        values = (
            found.false_alarm, found.found_incident, found.found_missed, found.found_double,
            found.lost_spread, found.slipped,
        )  # fmt: skip
        print(f"{name:<26}" + "".join(f"{100 * value:>12.2f}%" for value in values))


if __name__ == "__main__":
    main()
