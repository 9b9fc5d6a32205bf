"""What came of a planned day: its questions, each with what the laps say, and where it departed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import nan
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.models.engine.inference import Estimate
from pipeline.models.looks import anytime_interval, stricter
from pipeline.models.verdicts import more_switches, verdict
from pipeline.plan.exact import DRAWS, Drawing, Exact, exact_values
from pipeline.plan.orders import UNKNOWN, Order, Settings, settings_of
from pipeline.plan.rest import records, setting_number
from pipeline.plan.trend import Array
from pipeline.tables.outcomes import SAME, is_definite
from pipeline.team.tables import plain

if TYPE_CHECKING:
    from pipeline.plan.file import Drawn
    from pipeline.plan.planned import PlannedDay
    from pipeline.tables.records import MeetingResult

Row = Mapping[str, Any]
NO_VOICE = Exact(nan, 0, 0, every=True)


@dataclass(frozen=True)
class Answer:
    """One question of the plan. estimate, low, high: s a lap, level less reference, 95 % interval;
    NaN where it cannot be told, for which `mixed_with` may give the reason. words: a verdict.
    anytime: while the day goes on, the interval that holds over all its looks together.
    more: further back-to-backs that would settle it, None where that is not known."""

    factor: str
    level: str
    reference: str
    estimate: float = nan
    low: float = nan
    high: float = nan
    words: str = ""
    mixed_with: str = ""
    more: int | None = None
    exact: Exact = NO_VOICE
    anytime: tuple[float, float] = (nan, nan)

    @property
    def is_settled(self) -> bool:
        return self.words == SAME or is_definite(self.words)


@dataclass(frozen=True)
class Departed:
    """A run that was not as planned; `planned` is empty where the plan has no such run."""

    driver: str
    run: int
    planned: Mapping[str, str]
    real: Mapping[str, str]


@dataclass(frozen=True)
class Answers:
    """driven, planned: runs of the plan's drivers; why: no p value, and the reason, or ''."""

    answers: tuple[Answer, ...]
    departed: tuple[Departed, ...]
    driven: int
    planned: int
    why: str = ""


def answer_plan(
    result: MeetingResult, day: PlannedDay, worthwhile_s: float, *, going_on: bool = False
) -> Answers:
    """The plan's questions by the meeting's own effects and by the draws of the lot.

    going_on: more runs are to come; what is settled then has to stand at every look.
    """
    rows = _rows(result, day)
    departed = tuple(_departed(rows, day))
    looks = _looks(rows, day) if going_on else None
    why, exact = _exact(result, day, rows)
    effects = _pace(result)
    answers = tuple(
        _answer(asked, effects, exact.get(asked[:2], NO_VOICE), worthwhile_s, looks)
        for asked in day.asked
    )
    return Answers(answers, departed, len(rows), len(day.runs), why)


Looks = tuple[int, int]  # rounds driven, and planned


def _looks(rows: Sequence[Row], day: PlannedDay) -> Looks:
    driven = max((int(row["run_no"]) for row in rows), default=1)
    return driven, max((number for _, number in day.runs), default=1)


def _rows(result: MeetingResult, day: PlannedDay) -> list[dict[str, Any]]:
    """The runs of the plan's drivers, each with what was `planned` for it."""
    names = {plain(name): name for name, _ in day.runs}
    rows = [row for row in records(result.runs) if plain(str(row["driver"])) in names]
    for row in rows:
        row["planned"] = day.planned(names[plain(str(row["driver"]))], int(row["run_no"])) or {}
    return rows


def _departed(rows: Sequence[Row], day: PlannedDay) -> Iterator[Departed]:
    asked = list(dict.fromkeys(factor for factor, _, _ in day.asked))
    for row in rows:
        real = {name: str(row[name]) for name in asked if isinstance(row.get(name), str)}
        planned = {name: row["planned"][name] for name in asked if name in row["planned"]}
        if real != planned:
            yield Departed(str(row["driver"]), int(row["run_no"]), planned, real)


def _pace(result: MeetingResult) -> Sequence[Row]:
    if result.effects is None:
        return []
    effects = result.effects
    return records(effects[(effects["outcome"] == "pace") & (effects["condition"] == "all")])


def _answer(
    asked: tuple[str, str, str],
    effects: Sequence[Row],
    exact: Exact,
    worthwhile_s: float,
    looks: Looks | None,
) -> Answer:
    factor, level, reference = asked
    for row in effects:
        times = _times(row, level, reference) if row["factor"] == factor else None
        if times is not None:
            return _told(Answer(*asked, exact=exact), row, times, worthwhile_s, looks)
    return Answer(*asked, exact=exact)


def _times(row: Row, level: str, reference: str) -> float | None:
    """How many of the row's contrasts the question is; None where it is another."""
    if row["level"].startswith("+"):  # a number's: one step of a straight line
        return (float(level) - float(reference)) / float(row["level"])
    if row["reference"] == reference and row["level"] == level:
        return 1.0
    return -1.0 if (row["reference"], row["level"]) == (level, reference) else None


def _told(
    answer: Answer, row: Row, times: float, worthwhile_s: float, looks: Looks | None
) -> Answer:
    if not np.isfinite(_number(row["estimate"])):
        mixed = row["mixed_with"] if isinstance(row["mixed_with"], str) else ""
        return replace(answer, words=row["verdict"], mixed_with=mixed)
    estimate = Estimate(times * row["estimate"], abs(times) * row["std_error"], row["df"])
    low, high = estimate.interval()
    anytime = anytime_interval(estimate, *looks) if looks else (low, high)
    harder = stricter(*looks) if looks else 1.0
    p = answer.exact.p_value
    words = verdict("pace", estimate, row["q_value"] * harder, worthwhile_s, p * harder)
    if looks and words == SAME:
        words = "not enough runs"
    more = more_switches(estimate, worthwhile_s, int(row["n_switches"]))
    told = replace(answer, estimate=estimate.estimate, low=low, high=high, words=words, more=more)
    return replace(told, anytime=anytime)


def _number(value: object) -> float:
    return float(value) if isinstance(value, float | int) else nan


def _exact(
    result: MeetingResult, day: PlannedDay, rows: Sequence[Row]
) -> tuple[str, dict[tuple[str, str], Exact]]:
    """Why there is no p value, or '', and what each question's is."""
    drawn = day.drawn
    if drawn is None:
        return "the plan's file does not hold what its order was drawn from", {}
    if not all(stage.is_drawn for stage in drawn.stages):
        return "the order in the plan's file is not one that could have been drawn", {}
    settings = settings_of(drawn.request.factors)
    alone = not len(result.field)
    value = "mean_s" if alone else "corrected_s"
    numbers = [setting_number(drawn.request, row) for row in rows]
    kept = [n for n, row in enumerate(rows) if numbers[n] != UNKNOWN and _counts(row, value)]
    rows = [rows[n] for n in kept]
    real = np.array([numbers[n] for n in kept], dtype=np.int64)
    drawing = _drawing(drawn, settings, rows, real)
    nuisance = _nuisance(rows, alone)
    if drawing is None or len(rows) <= nuisance.shape[1] + settings.columns.shape[1]:
        return "too few runs followed the plan", {}
    y = np.array([float(row[value]) for row in rows])
    columns = np.cumsum([0, *(_columns(f) for f in drawn.request.factors)])
    codes = np.searchsorted(columns, np.arange(columns[-1]), side="right") - 1
    found = exact_values(y, nuisance, drawing, codes, settings.contrasts)
    keys = [(factor.name, level) for factor, level in settings.names]
    return "", dict(zip(keys, found, strict=True))


def _counts(row: Row, value: str) -> bool:
    return not isinstance(row["excluded"], str) and bool(np.isfinite(_number(row[value])))


def _columns(factor: Any) -> int:
    return 1 if factor.kind == "number" else len(factor.levels) - 1


def _nuisance(rows: Sequence[Row], alone: bool) -> Array:
    """(n, p) the drivers, and a line in time; where no rival shows how grip bends, a bend."""
    names = [plain(str(row["driver"])) for row in rows]
    drivers = [np.array([name == one for name in names], float) for one in dict.fromkeys(names)]
    hour = np.array([float(row["hour"]) for row in rows])
    line = hour - hour.mean() if len(hour) else hour
    return np.column_stack([*drivers, line, line**2] if alone else [*drivers, line])


def _drawing(drawn: Drawn, settings: Settings, rows: Sequence[Row], real: Order) -> Drawing | None:
    """The runs' settings in every order; None where no run followed the plan.

    Runs that departed from it are shuffled among themselves, each driver's, as on other days.
    """
    places = [_place(drawn, row) for row in rows]
    followed = np.array(
        [
            place is not None and drawn.planned(*place) == own
            for place, own in zip(places, real, strict=True)
        ],
        dtype=bool,
    )
    if not followed.any():
        return None
    every = drawn.every if followed.all() else None
    chance = np.random.default_rng([drawn.seed, 2])
    orders = np.tile(real, (DRAWS if every is None else len(every), 1))
    again = every if every is not None else drawn.again
    for n in np.flatnonzero(followed):
        driver, run = places[n] or (0, 0)
        orders[:, n] = again[:, driver, run]
    names = np.array([plain(str(row["driver"])) for row in rows])
    for name in np.unique(names[~followed]):
        own = np.flatnonzero(~followed & (names == name))
        turns = np.argsort(chance.random((len(orders), len(own))), axis=1)
        orders[:, own] = real[own][turns]
    return Drawing(settings.columns[real], settings.columns[orders], every is not None)


def _place(drawn: Drawn, row: Row) -> tuple[int, int] | None:
    names = list(map(plain, drawn.request.drivers))
    driver, run = plain(str(row["driver"])), int(row["run_no"]) - 1
    return (
        (names.index(driver), run)
        if driver in names and drawn.has(names.index(driver), run)
        else None
    )
