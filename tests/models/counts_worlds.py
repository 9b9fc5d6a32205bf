"""Test days and seasons of incidents with a team in a field, drawn from wide ranges, and a study of
the intervals of `mistake_effects` on them.

    python -m tests.models.counts_worlds --worlds 400
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pandas as pd

from pipeline.models.design import build_design
from pipeline.models.effects import Effect
from pipeline.models.identify import standings
from pipeline.models.mistakes import mistake_effects
from pipeline.tables.records import SeasonData
from pipeline.team.factors import Factor

BAR = Factor("bar", "Bar", "category", ("thin", "thick"), "thin")
OIL = Factor("oil", "Oil", "category", ("light", "middle", "heavy"), "light")
SESSIONS = ("practice", "qualifying", "final")
Range = tuple[float, float]


@dataclass(frozen=True)
class World:
    """A kind of season; (low, high) are drawn from, uniformly or, rate, on the log scale.

    rate: incidents a lap of a middling driver. slope_sd: between meetings, of the log ratio.
    own_fall: how much the team's log rate falls over a day beside the field's. order: 'random', or
    'semi': mostly the reference in the morning and mostly the level in the afternoon. null_share:
    how often the level does nothing on average.
    """

    name: str
    meetings: Range = (1, 1)
    team: Range = (4, 4)
    rivals: Range = (20, 20)
    runs: Range = (8, 8)
    rate: Range = (0.02, 0.05)
    slope_sd: Range = (0.0, 0.0)
    own_fall: Range = (0.0, 0.0)
    order: str = "random"
    null_share: float = 0.5


PLAIN = World("a day, random order")
WORLDS = (
    PLAIN,
    replace(PLAIN, name="a day, semi", order="semi"),
    replace(PLAIN, name="falls for the team alone, semi", order="semi", own_fall=(0.5, 1.5)),
    replace(PLAIN, name="falls, random order", own_fall=(0.5, 1.5)),
    replace(PLAIN, name="few incidents", rate=(0.002, 0.008)),
    replace(PLAIN, name="few incidents, semi", rate=(0.002, 0.008), order="semi"),
    replace(PLAIN, name="many incidents", rate=(0.06, 0.15)),
    replace(PLAIN, name="1 car", team=(1, 1)),
    replace(PLAIN, name="1 car, semi, falls", team=(1, 1), order="semi", own_fall=(0.5, 1.5)),
    replace(PLAIN, name="2 cars alone", team=(2, 2), rivals=(0, 0)),
    replace(PLAIN, name="2 meetings, SD 0.4", meetings=(2, 2), slope_sd=(0.4, 0.4)),
    replace(PLAIN, name="3 meetings, SD 0", meetings=(3, 3)),
    replace(PLAIN, name="3 meetings, SD 0.2", meetings=(3, 3), slope_sd=(0.2, 0.2)),
    replace(PLAIN, name="3 meetings, SD 0.4", meetings=(3, 3), slope_sd=(0.4, 0.4)),
    replace(
        PLAIN, name="3 meetings, SD 0.4, many", meetings=(3, 3), slope_sd=(0.4, 0.4),
        rate=(0.06, 0.15),
    ),
    replace(
        PLAIN, name="3 meetings, SD 0.4, few", meetings=(3, 3), slope_sd=(0.4, 0.4),
        rate=(0.002, 0.008),
    ),
    replace(
        PLAIN, name="3 meetings, 1 car, SD 0.4", meetings=(3, 3), team=(1, 1), slope_sd=(0.4, 0.4)
    ),
    replace(PLAIN, name="6 meetings, SD 0.4", meetings=(6, 6), slope_sd=(0.4, 0.4)),
    replace(
        PLAIN, name="12 meetings, SD 0.4", meetings=(12, 12), slope_sd=(0.4, 0.4), rivals=(30, 50)
    ),
    replace(PLAIN, name="12 meetings, SD 0", meetings=(12, 12), rivals=(30, 50)),
    World(
        "anything", (1, 6), (1, 6), (0, 40), (6, 12), (0.002, 0.15), (0.0, 0.4), (-0.5, 1.0), "any"
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Drawn:
    """A season and its truth: the mean log ratio of the bar, and that of each of its meetings.

    runs: a row a run with `laps` and `incidents`.
    """

    runs: pd.DataFrame
    mean: float
    by_meeting: dict[str, float]


def draw(world: World, rng: np.random.Generator) -> Drawn:
    """One season; what the kind leaves open comes from wide ranges."""
    meetings, team, rivals, turns = (
        int(rng.integers(int(low), int(high) + 1))
        for low, high in (world.meetings, world.team, world.rivals, world.runs)
    )
    shape = (meetings, team + rivals, turns)
    meeting, driver, turn = (axis.ravel() for axis in np.indices(shape))
    ours = driver < team
    progress = (turn + rng.uniform(0, 0.6, len(turn))) / turns
    order = rng.choice(["random", "semi"]) if world.order == "any" else world.order
    bar = np.where(ours, _settings(order, meetings * (team + rivals), turns, rng), 0)
    oil = np.where(ours, rng.integers(0, 3, len(turn)), 0)
    mean = 0.0 if rng.random() < world.null_share else rng.choice([-1, 1]) * rng.uniform(0.2, 0.7)
    ratio = mean + rng.uniform(*world.slope_sd) * rng.normal(size=meetings)
    kind = np.minimum(turn * 3 // turns, 2)
    log_rate = (
        np.log(world.rate[0]) + rng.random() * np.log(world.rate[1] / world.rate[0])
        + rng.normal(0, rng.uniform(0.1, 0.8), team + rivals)[driver]
        + rng.normal(0, rng.uniform(0, 0.3), shape[:2])[meeting, driver]
        + rng.normal(0, 0.3, meetings)[meeting]
        + rng.uniform(-0.3, 0.3, 3)[kind]
        + rng.uniform(-0.8, 0.4, meetings)[meeting] * progress
        - np.where(ours, rng.uniform(*world.own_fall, meetings)[meeting] * progress, 0.0)
        + bar * ratio[meeting]
        + np.r_[0.0, rng.uniform(-0.5, 0.5, 2)][oil]
    )  # fmt: skip
    laps = np.maximum(rng.integers(12, 31) + rng.integers(-3, 4, len(turn)), 2)
    expected = laps * np.exp(log_rate) * _luck(rng, len(turn))
    names = [f"meeting {m}" for m in range(meetings)]
    runs = _frame(meeting, driver, turn, kind, ours, 9 + 8 * progress).assign(
        bar=np.where(ours, np.array(BAR.levels)[bar], None),
        oil=np.where(ours, np.array(OIL.levels)[oil], None),
        laps=laps,
        incidents=rng.poisson(expected),
    )
    return Drawn(runs, float(mean), dict(zip(names, map(float, ratio), strict=True)))


def _settings(order: str, cars: int, turns: int, rng: np.random.Generator) -> np.ndarray:
    """0 or 1 of each run, car by car."""
    if order == "semi":
        often = np.where(np.arange(turns) < turns / 2, 0.2, 0.8)
        return (rng.random((cars, turns)) < often).astype(int).ravel()
    half = np.arange(turns) % 2
    return np.concatenate([rng.permutation(half) for _ in range(cars)])


def _luck(rng: np.random.Generator, runs: int) -> np.ndarray:
    """Of each run, mean 1: none, gamma, or log-normal."""
    alpha = rng.uniform(0.02, 0.8)
    match rng.integers(3):
        case 0:
            return np.ones(runs)
        case 1:
            return rng.gamma(1 / alpha, alpha, runs)
        case _:
            spread = np.log1p(alpha)
            return np.exp(rng.normal(-spread / 2, np.sqrt(spread), runs))


def _frame(meeting, driver, turn, kind, ours, hour) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "meeting": [f"meeting {m}" for m in meeting],
            "date": [f"2026-{m + 1:02}-07" for m in meeting],
            "session": [f"round {t}" for t in turn],
            "session_kind": np.array(SESSIONS)[kind],
            "heat": [f"heat {d % 3}" for d in driver],
            "driver": [f"driver {d:02}" for d in driver],
            "team": ours,
            "run_no": turn + 1,
            "hour": hour,
            "surface": "carpet",
            "grip": None,
        }
    )


def analysed(drawn: Drawn) -> Effect:
    """The bar's effect over all conditions."""
    data = SeasonData(drawn.runs, pd.DataFrame(), (BAR, OIL))
    design = build_design(data, np.arange(len(drawn.runs)))
    asked = standings(design, data.factors, "all", np.ones(len(drawn.runs), bool))
    laps = SimpleNamespace(
        timed=drawn.runs["laps"].to_numpy(float), incidents=drawn.runs["incidents"].to_numpy(float)
    )
    effects, _ = mistake_effects(design, laps, asked)
    return next(effect for effect in effects if effect.standing.contrast.factor == "bar")


@dataclass(frozen=True)
class Outcome:
    """Of one world. covers, covers_these: the interval holds the truth of what it speaks of.
    called: 1 as more, -1 as fewer, 0. width: of half the interval."""

    covers: bool
    covers_these: bool
    called: int
    mean: float
    width: float


def outcomes(world: World, number: int, seed: int = 2026) -> Iterator[Outcome | None]:
    """Of so many worlds; None where no number is given."""
    for k in range(number):
        rng = np.random.default_rng([seed, *world.name.encode(), k])
        drawn = draw(world, rng)
        effect = analysed(drawn)
        if effect.estimate is None or effect.these is None:
            yield None
            continue
        here = float(np.mean([drawn.by_meeting[name] for name in effect.standing.meetings]))
        one = len(effect.standing.meetings) == 1
        truth = here if one else drawn.mean
        (low, high), (near, far) = effect.estimate.interval(), effect.these.interval()
        yield Outcome(
            low <= truth <= high, near <= here <= far, int(low > 0) - int(high < 0), truth,
            (high - low) / 2,
        )  # fmt: skip


def _line(world: World, number: int) -> str:
    everything = list(outcomes(world, number))
    told = [o for o in everything if o is not None]
    null = [o.called != 0 for o in told if o.mean == 0.0]
    real = [o for o in told if o.mean != 0.0]
    cells = [
        np.mean([o.covers for o in told]),
        np.mean([o.covers_these for o in told]),
        np.mean(null),
        np.mean([o.called * o.mean > 0 for o in real]),
        np.mean([o.called * o.mean < 0 for o in real]),
        1 - len(told) / number,
    ]
    width = np.median([o.width for o in told])
    return f"{world.name:32}" + "".join(f"{100 * c:8.1f}" for c in cells) + f"{width:8.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--worlds", type=int, default=400)
    parser.add_argument("--only", default="", help="kinds whose name contains this")
    options = parser.parse_args()
    print(f"{'':32}  covers   these    null   found   wrong refused  +- log")
    for world in WORLDS:
        if options.only in world.name:
            print(_line(world, options.worlds), flush=True)


if __name__ == "__main__":
    main()
