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


@dataclass(frozen=True)
class Shape:
    """One thing measured: what, and in words and figures how it is."""

    what: str
    how: str


def shapes(races: Races) -> list[Shape]:
    laps = ordinary_laps(races)
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


def ordinary_laps(races: Races) -> pd.DataFrame:
    """run, entry (driver at a meeting), driver, meeting, lap, at (share of the meeting's time), y
    (lap in per cent of the meeting's usual one), field (what all cars share at that time, per
    cent), rest (y about the run's own line)."""
    laps = races.laps
    run = laps["run"].to_numpy()
    runs = races.runs.iloc[run].reset_index(drop=True)
    clock = runs["start"] - runs.groupby("meeting")["start"].transform("min")
    at = clock.dt.total_seconds() + laps.groupby("run")["lap_s"].cumsum()
    share = (laps["lap_s"] / laps.groupby("run")["lap_s"].transform("median") - 1).abs()
    good = (laps["lap"] > 1) & ~laps["flag"].isin(["slow", "stopped"]) & (share < ORDINARY)
    good &= good.groupby(run).transform("sum") >= LEAST_LAPS
    out = pd.DataFrame(
        {"run": run, "entry": runs["driver"] + " " + runs["meeting"], "driver": runs["driver"],
         "meeting": runs["meeting"], "lap": laps["lap"], "at": at, "y": laps["lap_s"]}
    )[good.to_numpy()].reset_index(drop=True)  # fmt: skip
    out["y"] *= 100 / out.groupby("meeting")["y"].transform("median")
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


def _quantiles(values: pd.Series, digits: int = 2) -> str:
    low, middle, high = values.quantile([0.05, 0.5, 0.95])
    return f"{low:.{digits}f}, {middle:.{digits}f}, {high:.{digits}f}"


def _stints(races: Races) -> list[Shape]:
    number = races.runs.groupby(["meeting", "driver"]).size()
    shares = number.value_counts(normalize=True).sort_index()
    each = ", ".join(f"{count} in {100 * share:.0f} %" for count, share in shares.items())
    of_entry = races.runs.groupby(["meeting", "driver"])["laps"]
    return [
        Shape("runs of a driver at a meeting", each),
        Shape("laps of a run (5, 50, 95 %)", _quantiles(races.runs["laps"], 0)),
        Shape(
            "longest over shortest run of a driver at a meeting",
            _quantiles((of_entry.max() / of_entry.min())[number > 1], 1),
        ),
    ]


def _scatter(laps: pd.DataFrame) -> list[Shape]:
    rest = laps.groupby("run")["rest"]
    nu = rest.size() - 2
    sd = np.sqrt(rest.apply(lambda v: (v**2).sum()) / nu)
    driver = laps.groupby("run")["driver"].first()
    log = np.log(sd)
    between = log.groupby(driver).mean().std()
    within = np.sqrt(max(float(log.groupby(driver).var().mean() - (1 / (2 * nu)).mean()), 0))
    return [
        Shape("SD of laps about the run's own line, % (5, 50, 95 %)", _quantiles(sd)),
        Shape("its log: SD between drivers; between runs of a driver beyond chance",
              f"{between:.2f}; {within:.2f}"),
    ]  # fmt: skip


def _tails(laps: pd.DataFrame) -> list[Shape]:
    middle = laps.groupby("run")["rest"].transform(lambda v: 1.4826 * v.abs().median())
    z = laps["rest"] / middle
    sd = laps.groupby("run")["rest"].transform("std")
    own = laps["rest"] / sd
    beyond = [f"{100 * (z > k).mean():.1f} and {100 * (z < -k).mean():.1f} %" for k in (3, 5)]
    return [
        Shape("laps slower and faster by more than 3 robust SD", beyond[0]),
        Shape("by more than 5", beyond[1]),
        Shape("skewness; excess kurtosis", f"{own.skew():.2f}; {own.kurt():.2f}"),
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
    return [Shape("autocorrelation at 1, 2, 3 laps", ", ".join(f"{r:.2f}" for r in found))]


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
    words = ", ".join(f"{np.mean(v):+.2f} ± {np.std(v) / np.sqrt(len(v)):.2f}"
                      for v in gaps.values())  # fmt: skip
    return [Shape("laps 2, 3, 4, 5 beside the line of the later ones, %", words)]


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
              _quantiles(ends["first"] - ends["last"])),
        Shape("drift within a run, % a lap (5, 50, 95 %)", _quantiles(driven, 3)),
        Shape("the same beside the field: median; SD between runs beyond chance",
              f"{beside.median():+.3f}; {spread:.3f}"),
    ]  # fmt: skip


def _together(laps: pd.DataFrame) -> list[Shape]:
    """What cars share for some minutes beyond the field's smooth curve: correlation of their laps'
    residuals within bins of three laps' time."""
    own = laps["y"] - laps["field"]
    rest = own - own.groupby(laps["run"]).transform("mean")
    three = (
        3
        * laps.groupby("meeting")["at"].transform("max")
        / laps.groupby("meeting")["lap"].transform("max")
    )
    place = laps["meeting"] + " " + (laps["at"] // three).astype(int).astype(str)
    by_car = rest.groupby([place, laps["driver"]]).mean()
    bins = by_car.groupby(level=0)
    size = bins.size()
    between = float((bins.mean()[size > 4]).var() - (by_car.var() / size[size > 4]).mean())
    return [Shape("shared by all cars for some laps beyond the curve: share of variance",
                  f"{max(between, 0) / float(by_car.var()):.2f}")]  # fmt: skip


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
    robust = 1.4826 * float(scaled.abs().median())
    return [
        Shape("SD of runs about their driver's mean at the meeting, %; the robust one",
              f"{np.sqrt((scaled**2).mean()):.2f}; {robust:.2f}"),
        Shape("the same by driver (least, middle, most)",
              f"{by_driver.min():.2f}, {by_driver.median():.2f}, {by_driver.max():.2f}"),
    ]  # fmt: skip
