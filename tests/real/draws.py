"""Labels by lot on real runs: worlds in which nothing was changed, or only what was added.

Whatever is found where nothing was added is false. Each effect is added to the laps of the runs
that the lot labelled B, so that its truth is known:

- pace: the same seconds on every lap; over a race as many times as it has laps;
- spread: laps drawn away from their run's own line;
- fade: a slope, about the middle of the run;
- mistakes: of the laps that are slow by themselves, half at A are put back among the others, so
  that B has twice as many.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

import pipeline
from tests.real.naive import best_laps_compared, t_test_on_laps
from tests.real.races import Races

Record = dict[str, Any]
OUTCOMES = ("pace", "spread", "mistakes", "fade", "race")
# Half a per cent of a lap of 90 s: 0.08 s of one of 16 s.
PACE_S, SPREAD, FADE_S, MISTAKES = 0.45, 1.4, 0.03, 2.0
RACE_S, WORTHWHILE_S = 5_400.0, 0.1
FACTOR = {"name": "label", "kind": "category", "levels": ["A", "B"], "reference": "A"}
# Every lap that the tool may call an incident is slower than this share over its run's median.
SLOW = 0.03
RUN_COLUMNS = [
    *("meeting", "date", "session", "session_kind", "driver", "team", "run_no", "start", "label"),
]


@dataclass(frozen=True)
class Row:
    """A kind of draw: how many meetings, how many cars as the team, and which of them."""

    meetings: int
    cars: int
    which: str = "by lot"

    @property
    def name(self) -> str:
        kind = {"slowest": "slowest ", "fastest": "fastest "}.get(self.which, "")
        meetings = "1 meeting" if self.meetings == 1 else f"{self.meetings} meetings"
        return f"{meetings}, {self.cars} {kind}cars"


ROWS = (
    Row(1, 10),
    Row(3, 4),
    Row(6, 2),
    Row(6, 4),
    Row(6, 4, "slowest"),
    Row(6, 4, "fastest"),
    Row(12, 4),
)


# The row on which laps that the whole field drove slowly are also taken out by their flags.
HELD = Row(6, 4)


@dataclass(frozen=True, eq=False)
class Draw:
    """Some meetings with their team and labels. runs: with team (bool) and label."""

    runs: pd.DataFrame
    laps: pd.DataFrame

    @property
    def changed(self) -> np.ndarray:
        """(n,) bool: laps of runs at B."""
        return (self.runs["label"] == "B").to_numpy()[self.laps["run"].to_numpy()]


def draw(races: Races, row: Row, chance: np.random.Generator) -> Draw:
    """Meetings, team and labels by lot; the fastest and the slowest cars are those they are."""
    meetings = chance.choice(races.meetings, min(row.meetings, len(races.meetings)), replace=False)
    part = races.only(sorted(meetings))
    drivers = _drivers(part, row, chance)
    team = part.runs["driver"].isin(drivers)
    label = pd.Series(chance.choice(["A", "B"], len(part.runs))).where(team, None)
    return Draw(part.runs.assign(team=team, label=label)[RUN_COLUMNS], part.laps)


def _drivers(races: Races, row: Row, chance: np.random.Generator) -> list[str]:
    if row.which == "by lot":
        everybody = sorted(set(races.runs["driver"]))
        return [str(name) for name in chance.choice(everybody, row.cars, replace=False)]
    ranks = _relative_pace(races).rank(ascending=row.which == "fastest", method="first")
    return [str(name) for name in ranks.index[ranks <= row.cars]]


def _relative_pace(races: Races) -> pd.Series:
    """Each driver's median lap over the meetings' medians; who missed half of them is not asked."""
    run = races.laps["run"].to_numpy()
    laps = races.runs[["meeting", "driver"]].iloc[run].assign(s=races.laps["lap_s"].to_numpy())
    of_entry = laps.groupby(["driver", "meeting"])["s"].median()
    ratio = of_entry / laps.groupby("meeting")["s"].median().reindex(of_entry.index, level=1)
    by_driver = ratio.groupby("driver")
    return by_driver.mean()[by_driver.size() > len(races.meetings) / 2]


def added(world: Draw, outcome: str, up: bool, chance: np.random.Generator) -> Draw:
    """The same laps with an effect on this outcome; up: B has more of it."""
    laps, sign = world.laps, 1 if up else -1
    by_run = laps.groupby("run")["lap_s"]
    seconds = laps["lap_s"].to_numpy()
    usual = by_run.transform("median").to_numpy()
    ordinary = np.abs(seconds - usual) < SLOW * usual
    changed = world.changed
    if outcome == "pace":
        seconds = seconds + sign * PACE_S * changed
    elif outcome == "fade":
        middle = laps.groupby("run")["lap"].transform("mean").to_numpy()
        seconds = seconds + sign * FADE_S * changed * (laps["lap"].to_numpy() - middle)
    elif outcome == "spread":
        line = _own_lines(laps, ordinary)
        wider = line + SPREAD**sign * (seconds - line)
        seconds = np.where(changed & ordinary, wider, seconds)
    else:
        team = world.runs["team"].to_numpy()[laps["run"].to_numpy()]
        fewer = (changed != up) & team & (seconds > (1 + SLOW) * usual) & (laps["lap"] > 1)
        fewer &= chance.random(len(laps)) < 1 - 1 / MISTAKES
        seconds = np.where(fewer, usual, seconds)
    return Draw(world.runs, laps.assign(lap_s=seconds))


def unflagged(world: Draw) -> Draw:
    """Without the laps at which the field was held or stopped, as their flags say."""
    laps = world.laps[~world.laps["flag"].isin(["slow", "stopped"])]
    return Draw(world.runs, laps.reset_index(drop=True))


def _own_lines(laps: pd.DataFrame, ordinary: np.ndarray) -> np.ndarray:
    """Each run's straight line through its ordinary laps, at each lap (n,)."""
    line = laps["lap_s"].to_numpy(copy=True)
    for _, rows in laps[ordinary].groupby("run"):
        if len(rows) > 2:
            slope, level = np.polyfit(rows["lap"], rows["lap_s"], 1)
            line[rows.index] = level + slope * rows["lap"]
    return line


def truth(world: Draw, outcome: str, of: str, up: bool) -> float:
    """True effect on an outcome of an effect added on another: 0, or 1 for ratios, of nothing."""
    sign = 1 if up else -1
    of_race = sign * PACE_S * RACE_S / float(world.laps["lap_s"].median())
    effects = {
        ("pace", "pace"): sign * PACE_S,
        ("pace", "race"): of_race,
        ("fade", "fade"): sign * FADE_S,
        ("spread", "spread"): SPREAD**sign,
        ("mistakes", "mistakes"): MISTAKES**sign,
    }
    return effects.get((of, outcome), 1.0 if outcome in ("spread", "mistakes") else 0.0)


def records(races: Races, row: Row, seed: int, number: int) -> list[Record]:
    """One draw: all outcomes with nothing added, pace and one other with an effect; a record each.

    The seed, the row and the number alone decide.
    """
    chance = np.random.default_rng([seed, zlib.crc32(row.name.encode()), number])
    world, up = draw(races, row, chance), bool(chance.random() < 0.5)
    other = ("spread", "mistakes", "fade")[number % 3]
    out = _analysed(world, "nothing", up, OUTCOMES, chance)
    out += _analysed(world, "pace", up, ("pace", "race"), chance)
    out += _analysed(world, other, up, (other,), chance)
    if row == HELD:
        out += _analysed(unflagged(world), "flagged laps out", up, ("pace",), chance)
    about = {"row": row.name, "number": number}
    return [about | record for record in out]


def _analysed(
    world: Draw, effect: str, up: bool, outcomes: tuple[str, ...], chance: np.random.Generator
) -> list[Record]:
    laps = added(world, effect, up, chance) if effect in OUTCOMES else world
    naive = {"t_test": t_test_on_laps(laps), "best": best_laps_compared(laps)}
    base = {"effect": effect, "failure": "", **(naive if effect != "spread" else {})}
    try:
        found = effects_of(laps, outcomes)
    except pipeline.UserError as error:
        return [base | {"outcome": name, "failure": str(error)} for name in outcomes]
    return [
        base
        | {name: row[name] for name in ("outcome", "estimate", "ci_low", "ci_high", "p_value")}
        | {"verdict": row["verdict"], "truth": truth(world, str(row["outcome"]), effect, up)}
        for row in found.to_dict("records")
    ]


def effects_of(world: Draw, outcomes: tuple[str, ...]) -> pd.DataFrame:
    """The rows of `effects` for B against A."""
    found = pipeline.analyse(
        world.runs, world.laps[["run", "lap", "lap_s"]], [FACTOR], outcomes=list(outcomes),
        conditions=[], race_seconds=RACE_S, worthwhile_s=WORTHWHILE_S, by_driver=False,
    )  # fmt: skip
    return found.effects
