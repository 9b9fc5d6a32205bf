"""What stints of real laps are like, in figures that a simulated world can be held beside.

Times are in per cent of the meeting's usual lap. A lap counts here from a run's second on, if no
flag held it and it is within 5 % of its run's median; runs count with 8 such laps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.interpolate import BSpline

from tests.real.races import Races

ORDINARY = 0.05
LEAST_LAPS = 8
KNOTS = 7
FIRST_SETTLED = 6
SCATTER = "SD of laps about the run's own line, % (5, 50, 95 %)"


@dataclass(frozen=True)
class Shape:
    """One thing measured: what, its figures, and the words that hold them. `of_lap`: they are in
    per cent of a lap."""

    what: str
    values: tuple[float, ...]
    words: str
    of_lap: bool = False

    @property
    def how(self) -> str:
        return self.words.format(*self.values)


def shapes(races: Races, within: float = ORDINARY) -> list[Shape]:
    """within: of its run's median, how far a lap may be off it."""
    laps = ordinary_laps(races, within)
    return [
        *_stints(races),
        *_scatter(laps),
        *_tails(laps),
        *_memory(laps),
        *_beginnings(laps),
        *_drift(laps),
        *_luck(laps),
        *_together(laps),
    ]


def ordinary_laps(races: Races, within: float = ORDINARY) -> pd.DataFrame:
    """run, entry (driver at a meeting), driver, meeting, lap, at (s since the meeting's start),
    usual (the meeting's usual lap, s), y (lap in per cent of it), field (what all cars share at
    that time, per cent), rest (y about the run's own line)."""
    laps = races.laps
    run = laps["run"].to_numpy()
    runs = races.runs.iloc[run].reset_index(drop=True)
    clock = runs["start"] - runs.groupby("meeting")["start"].transform("min")
    at = clock.dt.total_seconds() + laps.groupby("run")["lap_s"].cumsum()
    share = (laps["lap_s"] / laps.groupby("run")["lap_s"].transform("median") - 1).abs()
    good = (laps["lap"] > 1) & ~laps["flag"].isin(["slow", "stopped"]) & (share < within)
    good &= good.groupby(run).transform("sum") >= LEAST_LAPS
    out = pd.DataFrame(
        {"run": run, "entry": runs["driver"] + " " + runs["meeting"], "driver": runs["driver"],
         "meeting": runs["meeting"], "lap": laps["lap"], "at": at, "y": laps["lap_s"]}
    )[good.to_numpy()].reset_index(drop=True)  # fmt: skip
    out["usual"] = out.groupby("meeting")["y"].transform("median")
    out["y"] *= 100 / out["usual"]
    out["field"] = _by_group(out, "meeting", _shared)
    out["rest"] = _by_group(out, "run", lambda part: _about_line(part["lap"], part["y"]))
    return out


def _by_group(
    laps: pd.DataFrame, key: str, each: Callable[[pd.DataFrame], np.ndarray]
) -> np.ndarray:
    values = np.empty(len(laps))
    for rows in laps.groupby(key).indices.values():
        values[rows] = each(laps.iloc[rows])
    return values


def _about_line(lap: pd.Series, y: pd.Series) -> np.ndarray:
    return np.asarray(y - np.polyval(np.polyfit(lap, y, 1), lap))


def _shared(part: pd.DataFrame) -> np.ndarray:
    """A cubic spline of the time through the laps of a meeting, about each driver's mean."""
    t = (part["at"] - part["at"].min()) / (part["at"].max() - part["at"].min() + 1)
    knots = np.r_[[0.0] * 3, np.linspace(0, 1, KNOTS), [1.0] * 3]
    basis = BSpline.design_matrix(t.to_numpy(), knots, 3).toarray()
    entry = pd.factorize(part["entry"])[0]
    count = np.bincount(entry)
    means = [np.bincount(entry, column)[entry] / count[entry] for column in basis.T]
    y = part["y"] - part.groupby("entry")["y"].transform("mean")
    weights = np.linalg.lstsq(basis - np.column_stack(means), y, rcond=None)[0]
    return np.asarray(basis @ weights)


def _quantiles(values: pd.Series) -> tuple[float, ...]:
    """At 5, 50 and 95 %."""
    return tuple(values.quantile([0.05, 0.5, 0.95]))


def _stints(races: Races) -> list[Shape]:
    number = races.runs.groupby(["meeting", "driver"]).size()
    of_entry = races.runs.groupby(["meeting", "driver"])["laps"]
    ratio = (of_entry.max() / of_entry.min())[number > 1]
    each = "{:.0f}, {:.0f}, {:.0f}"
    return [
        Shape("runs of a driver at a meeting (least, middle, most)",
              (number.min(), number.median(), number.max()), each),
        Shape("laps of a run (5, 50, 95 %)", _quantiles(races.runs["laps"]), each),
        Shape("longest over shortest run of a driver at a meeting (5, 50, 95 %)",
              _quantiles(ratio), "{:.1f}, {:.1f}, {:.1f}"),
    ]  # fmt: skip


def _scatter(laps: pd.DataFrame) -> list[Shape]:
    rest = laps.groupby("run")["rest"]
    nu = rest.size() - 2
    sd = np.sqrt(rest.apply(lambda v: (v**2).sum()) / nu)
    driver = laps.groupby("run")["driver"].first()
    log = np.log(sd)
    between = float(log.groupby(driver).mean().std())
    within = np.sqrt(max(float(log.groupby(driver).var().mean() - (1 / (2 * nu)).mean()), 0))
    return [
        Shape(SCATTER, _quantiles(sd), "{:.2f}, {:.2f}, {:.2f}", of_lap=True),
        Shape("its log: SD between drivers; between runs of a driver beyond chance",
              (between, within), "{:.2f}; {:.2f}"),
    ]  # fmt: skip


def _tails(laps: pd.DataFrame) -> list[Shape]:
    middle = laps.groupby("run")["rest"].transform(lambda v: 1.4826 * v.abs().median())
    z = laps["rest"] / middle
    own = laps["rest"] / laps.groupby("run")["rest"].transform("std")
    beyond = [(100 * (z > k).mean(), 100 * (z < -k).mean()) for k in (3, 5)]
    return [
        Shape("laps slower and faster by more than 3 robust SD, %", beyond[0], "{:.1f} and {:.1f}"),
        Shape("by more than 5, %", beyond[1], "{:.1f} and {:.1f}"),
        Shape("skewness; excess kurtosis", (own.skew(), own.kurt()), "{:.2f}; {:.2f}"),
    ]


def _memory(laps: pd.DataFrame) -> list[Shape]:
    """Correlation of a run's laps, with what a line of n laps takes from it (2 / n) given back."""
    z = laps["rest"] / laps.groupby("run")["rest"].transform("std")
    lost = 2 / laps.groupby("run")["lap"].transform("size")
    found = []
    for step in (1, 2, 3):
        before = z.groupby(laps["run"]).shift(step)
        follows = laps["lap"] - laps.groupby("run")["lap"].shift(step) == step
        found.append(float((z * before + lost)[follows].mean()))
    return [Shape("autocorrelation at 1, 2, 3 laps", tuple(found), "{:.2f}, {:.2f}, {:.2f}")]


def _beginnings(laps: pd.DataFrame) -> list[Shape]:
    """Laps 2 to 5 against the line through the later ones, with the field's share taken out."""
    own = (laps["y"] - laps["field"]).to_numpy()
    gaps: dict[int, list[float]] = {lap: [] for lap in range(2, FIRST_SETTLED)}
    for rows in laps.groupby("run").indices.values():
        lap, y = laps["lap"].to_numpy()[rows], own[rows]
        later = lap >= FIRST_SETTLED
        if later.sum() < LEAST_LAPS:
            continue
        level = np.polyval(np.polyfit(lap[later], y[later], 1), lap)
        for number in gaps:
            gaps[number] += (y - level)[lap == number].tolist()
    means = tuple(float(np.mean(v)) if v else np.nan for v in gaps.values())
    return [Shape("laps 2, 3, 4, 5 beside the line of the later ones, %", means,
                  "{:+.2f}, {:+.2f}, {:+.2f}, {:+.2f}", of_lap=True)]  # fmt: skip


def _drift(laps: pd.DataFrame) -> list[Shape]:
    """Slopes of each run over its laps, per cent a lap, as driven and beside the field."""
    x = laps["lap"] - laps.groupby("run")["lap"].transform("mean")
    run = laps["run"]
    weight = (x**2).groupby(run).sum()
    driven = (x * laps["y"]).groupby(run).sum() / weight
    beside = (x * (laps["y"] - laps["field"])).groupby(run).sum() / weight
    error = (laps["rest"] ** 2).groupby(run).sum() / (x.groupby(run).size() - 2) / weight
    spread = np.sqrt(max(float(beside.var() - error.median()), 0))
    ends = laps.sort_values("at").groupby("meeting")["field"].agg(["first", "last"])
    return [
        Shape("what the field gains over a meeting, % of a lap (5, 50, 95 %)",
              _quantiles(ends["first"] - ends["last"]), "{:.2f}, {:.2f}, {:.2f}", of_lap=True),
        Shape("drift within a run, % a lap (5, 50, 95 %)",
              _quantiles(driven), "{:.3f}, {:.3f}, {:.3f}", of_lap=True),
        Shape("the same beside the field: median; SD between runs beyond chance",
              (float(beside.median()), spread), "{:+.3f}; {:.3f}", of_lap=True),
    ]  # fmt: skip


def _luck(laps: pd.DataFrame) -> list[Shape]:
    """Means of runs about their driver's at the meeting, the field's share taken out."""
    own = laps.assign(own=laps["y"] - laps["field"]).groupby("run")
    runs = own.agg(own=("own", "mean"), entry=("entry", "first"), driver=("driver", "first"))
    size = runs.groupby("entry")["own"].transform("size")
    runs = runs[size > 1]
    level = runs.groupby("entry")["own"].transform("mean")
    scaled = (runs["own"] - level) * np.sqrt(size[size > 1] / (size[size > 1] - 1))
    squares = (scaled**2).groupby(runs["driver"])
    by_driver = np.sqrt(squares.mean())[squares.size() >= 10]
    both = (np.sqrt((scaled**2).mean()), 1.4826 * float(scaled.abs().median()))
    return [
        Shape("SD of runs about their driver's mean at the meeting, %; the robust one",
              both, "{:.2f}; {:.2f}", of_lap=True),
        Shape("the same by driver, who has 10 or more (least, middle, most)",
              (by_driver.min(), by_driver.median(), by_driver.max()), "{:.2f}, {:.2f}, {:.2f}",
              of_lap=True),
    ]  # fmt: skip


def _together(laps: pd.DataFrame) -> list[Shape]:
    """What cars share for some minutes beyond the field's smooth curve: correlation of their laps'
    residuals within bins of three laps' time."""
    own = laps["y"] - laps["field"]
    rest = own - own.groupby(laps["run"]).transform("mean")
    place = laps["meeting"] + " " + (laps["at"] // (3 * laps["usual"])).astype(int).astype(str)
    by_car = rest.groupby([place, laps["driver"]]).mean()
    bins = by_car.groupby(level=0)
    size = bins.size()
    between = float((bins.mean()[size > 4]).var() - (by_car.var() / size[size > 4]).mean())
    share = max(between, 0) / float(by_car.var())
    return [Shape("shared by all cars for three laps beyond the curve: share of variance",
                  (share,), "{:.2f}")]  # fmt: skip
