"""One world, analysed and held against its truth: what the study keeps of it."""

from __future__ import annotations

import signal
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType, SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from numpy.random import default_rng

from tests.worlds import simple
from tests.worlds.draw import draw
from tests.worlds.hostile import BY_NAME
from tests.worlds.parameters import OUTCOMES, flat
from tests.worlds.world import World, world

RANDOM = "random"
KEYS = ["outcome", "factor", "level", "condition", "driver"]
SAID = [
    "estimate", "std_error", "df", "ci_low", "ci_high", "p_value", "q_value", "p_shuffled",
    "anytime_low", "anytime_high", "n_runs", "n_drivers", "n_meetings", "n_switches",
    "verdict", "scope", "remark", "mixed_with",
]  # fmt: skip
TEXTS = [*KEYS, "reference", "row", "verdict", "scope", "remark", "mixed_with"]
DIGITS = 6  # of a number kept: more than any share or width needs
MOST_SECONDS = 300  # after which an analysis is taken to hang

Record = dict[str, Any]
Analysis = Callable[..., Any]


@dataclass(frozen=True)
class Asked:
    """What the analysis is asked for; `analysis`: the package's, or the simple one."""

    outcomes: tuple[str, ...] = OUTCOMES
    conditions: bool = False
    drivers: bool = False
    analysis: str = "pipeline"


def make_world(kind: str, seed: int, number: int) -> World:
    """World `number` of a kind, the same for ever."""
    rng = default_rng([seed, number])
    parameters = draw(rng) if kind == RANDOM else BY_NAME[kind].parameters(rng)
    return world(parameters, rng)


def record(kind: str, seed: int, number: int, asked: Asked) -> Record:
    """kind, number, failure ('' if none), seconds, parameters, rows (column -> values)."""
    one = make_world(kind, seed, number)
    began = time.perf_counter()
    try:
        with _time_limit(MOST_SECONDS):
            result = ANALYSES[asked.analysis](one, asked)
        failure, rows = "", _rows(one, result)
    except Exception as error:  # whatever it is, the study goes on and counts it
        failure, rows = _said(error), _no_rows(one)
    return {
        "kind": kind,
        "seed": seed,
        "number": number,
        "failure": failure,
        "seconds": round(time.perf_counter() - began, 3),
        "parameters": flat(one.parameters),
        "rows": _compact(_with_simple(one, rows)),
    }


@contextmanager
def _time_limit(seconds: int) -> Iterator[None]:
    def stop(number: int, frame: FrameType | None) -> None:
        raise TimeoutError(f"took more than {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def _said(error: Exception) -> str:
    """The error and the line it came from."""
    frames = traceback.extract_tb(error.__traceback__)
    place = f"{frames[-1].filename.rpartition('/')[2]}:{frames[-1].lineno}" if frames else ""
    return f"{type(error).__name__}: {error} ({place})"


def _by_package(one: World, asked: Asked) -> Any:
    from pipeline import analyse

    conditions: dict[str, list[str]] = {} if asked.conditions else {"conditions": []}
    return analyse(
        one.runs,
        one.laps,
        one.factors,
        outcomes=list(asked.outcomes),
        race_seconds=one.race_seconds,
        by_driver=asked.drivers,
        **conditions,
    )


def _simply(one: World, asked: Asked) -> Any:
    """The simple analysis in the package's shape, to try the study and to be compared."""
    effects = simple.analyse(one.runs, one.laps, one.factors)
    side = np.where(effects["estimate"] < 0, "faster", "slower")
    words = np.where(effects["p_value"] <= 0.05, side, "not enough runs")
    verdict = pd.Series(words, dtype=object, index=effects.index)
    return SimpleNamespace(
        effects=effects.assign(
            outcome="pace", condition="all", scope="these meetings", verdict=verdict
        )
    )


ANALYSES: dict[str, Analysis] = {"pipeline": _by_package, "simple": _simply}


def _no_rows(one: World) -> pd.DataFrame:
    return one.truth.iloc[:0].reindex(columns=[*one.truth.columns, *SAID, "row", "truth"])


def _rows(one: World, result: Any) -> pd.DataFrame:
    """A row a number that the analysis was to give, or gave beside that.

    `truth`: the one that the row's scope speaks of. `row`: `both`; `truth` where the analysis has
    no such row, `effects` where the world has no such truth.
    """
    said = _all_said(result)
    # Whole kinds of row that the analysis does not give are not asked for.
    truth = one.truth.merge(said[["outcome", "condition", "driver"]].drop_duplicates())
    rows = truth.merge(said, on=KEYS, how="outer", indicator="row")
    rows["row"] = rows["row"].astype(str).replace({"left_only": "truth", "right_only": "effects"})
    # An analysis that does not say promises what holds beyond its meetings, if there are several.
    usual = "the next meeting" if one.parameters.meetings > 1 else "this meeting"
    scope = rows["scope"].astype(object).where(rows["scope"].notna(), usual)
    rows["truth"] = rows["truth_next"].where(scope.eq("the next meeting"), rows["truth_these"])
    return rows


def _all_said(result: Any) -> pd.DataFrame:
    frames = [result.effects.assign(driver="")]
    by_driver = getattr(result, "by_driver", None)
    if by_driver is not None and len(by_driver):
        frames.append(by_driver.assign(condition=by_driver.get("condition", "all")))
    said = pd.concat([frame.reindex(columns=KEYS + SAID) for frame in frames], ignore_index=True)
    said[KEYS] = said[KEYS].astype(object)
    return said


def _with_simple(one: World, rows: pd.DataFrame) -> pd.DataFrame:
    """Half-width of the simple analysis and whether it covers these meetings' pace."""
    plain = simple.analyse(one.runs, one.laps, one.factors).set_index(["factor", "level"])
    pace = rows["outcome"].eq("pace") & rows["condition"].eq("all") & rows["driver"].eq("")
    place = pd.MultiIndex.from_frame(rows[["factor", "level"]])
    found = plain.reindex(place).set_index(rows.index).where(pace)
    covers = (rows["truth_these"] - found["estimate"]).abs() <= found["half_width"]
    return rows.assign(
        simple_half_width=found["half_width"],
        simple_covers=covers.astype(float).where(found["half_width"].notna()),
    )


def _compact(rows: pd.DataFrame) -> dict[str, list[Any]]:
    """Column -> values, as JSON has them; numbers to the digits that matter."""
    texts = {name: rows[name].astype(object).fillna("").astype(str).tolist() for name in TEXTS}
    others = [name for name in rows.columns if name not in texts]
    return texts | {name: _numbers(pd.to_numeric(rows[name])) for name in others}


def _numbers(column: pd.Series) -> list[float | None]:
    values = column.to_numpy(dtype=float, na_value=np.nan)
    return [float(f"{value:.{DIGITS}g}") if np.isfinite(value) else None for value in values]
