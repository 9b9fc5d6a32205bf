"""What is asked of a test day, checked once."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pipeline.errors import CallError, Problem
from pipeline.team.tables import time_of_day

MOST_RUNS = 30
MOST_DRIVERS = 12
MOST_SETTINGS = 400
FIRST = "09:00"  # of the first run, where none is named
LOG_COLUMNS = ("meeting", "driver", "run", "class", "factor", "value")


@dataclass(frozen=True)
class PlanFactor:
    """A factor to try. `levels[0]` is the reference; a number enters as a slope."""

    name: str
    levels: tuple[str, ...]
    label: str = ""
    unit: str = ""
    kind: str = "category"
    slow: bool = False

    @property
    def reference(self) -> str:
        return self.levels[0]

    @property
    def title(self) -> str:
        return self.label or self.name


@dataclass(frozen=True)
class Components:
    """The scatter that a test day has to live with.

    lap_sd_s: SD of a driver's clean laps within a run, s.
    run_sd_s: SD between runs of the same car on the same track, s a lap.
    curve_s: typical departure of the day's grip from a straight line over the hours, s a lap.
    clean_laps: clean laps in a run.
    source: where the numbers come from, in words.
    df: degrees of freedom with which runs elsewhere have shown it; they count in the season's
        intervals, beside those of the day.
    """

    lap_sd_s: float
    run_sd_s: float
    curve_s: float
    clean_laps: float
    source: str = ""
    df: float = 0.0

    @property
    def run_variance(self) -> float:
        """Variance of a run's mean lap about grip, driver and setting, s²."""
        return self.run_sd_s**2 + self.lap_sd_s**2 / self.clean_laps


# Common practice, no published source: fast drivers repeat a lap within 0.1 to 0.2 s, club
# drivers within 0.3 s and more. How much whole runs differ beyond that (tyres, battery, lines) is
# this project's assumption. Grip that gains 0.6 s over a day and flattens, 1 - exp(-2t), departs
# from its straight line by 0.053 s (root mean square over eight runs).
COMPONENTS_BY_SKILL = {
    "fast": Components(0.15, 0.06, 0.05, 20, "assumed, for fast team drivers"),
    "club": Components(0.35, 0.10, 0.05, 18, "assumed, for club drivers"),
}


@dataclass(frozen=True)
class DayRequest:
    """A test day to plan: who, how many runs, what to try, within which limits.

    changes_between_runs: factors changed at most between two runs of a driver; None for one,
        or two where there are more than two factors.
    slow_changes: changes of a slow factor at most, per driver and day.
    warm_up: first runs of each driver, at the reference.
    minutes: from one run of a driver to the next.
    difference_s: difference that matters, s a lap.
    first: time of day of the first run, HH:MM.
    held: factor and level of what is to stay as it is all day.
    """

    factors: tuple[PlanFactor, ...]
    drivers: tuple[str, ...]
    runs: int
    components: Components = COMPONENTS_BY_SKILL["fast"]
    changes_between_runs: int | None = None
    slow_changes: int = 2
    warm_up: int = 1
    minutes: float = 45.0
    difference_s: float = 0.03
    meeting: str = "test-day"
    first: str = FIRST
    held: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        problems = [*_count_problems(self), *_factor_problems(self.factors)]
        problems += [*_first_problems(self.first), *_held_problems(self)]
        problems += _text_problems([self.meeting, *self.drivers])
        problems += _twice(self.drivers, "--driver", "each driver once")
        if problems:
            raise CallError("this test day cannot be planned as asked", problems)

    @property
    def first_hour(self) -> float:
        """Start of the first run, hours from midnight."""
        hour, minute, _ = (time_of_day(self.first) or FIRST + ":00").split(":")
        return int(hour) + int(minute) / 60

    @property
    def most_changes(self) -> int:
        if self.changes_between_runs is not None:
            return self.changes_between_runs
        return 1 if len(self.factors) <= 2 else 2

    @property
    def contrasts(self) -> int:
        """Number of columns the settings need in the model."""
        return sum(1 if f.kind == "number" else len(f.levels) - 1 for f in self.factors)


def _count_problems(request: DayRequest) -> list[Problem]:
    limits: list[tuple[str, float, float, float]] = [
        ("--drivers", len(request.drivers), 1, MOST_DRIVERS),
        ("--runs", request.runs, 2, MOST_RUNS),
        ("--warm-up", request.warm_up, 0, max(request.runs - 2, 0)),
        ("--changes-between-runs", request.most_changes, 1, math.inf),
        ("--difference", request.difference_s, 1e-6, 60),
        ("--minutes", request.minutes, 1, 600),
    ]
    problems = [
        Problem(f"{value:g}", _range_in_words(low, high), where=option)
        for option, value, low, high in limits
        if not low <= value <= high
    ]
    return problems or _size_problems(request)


def _first_problems(first: str) -> list[Problem]:
    return [] if time_of_day(first) else [Problem(f"'{first}'", "a time as 09:40", "--first")]


def _held_problems(request: DayRequest) -> list[Problem]:
    names = [name for name, _ in request.held]
    planned = {factor.name for factor in request.factors}
    problems = _twice(names, "--hold", "each factor once")
    problems += [
        Problem(f"'{name}'", "a factor that is not tried on this day", where="--hold")
        for name in names
        if name in planned or name.casefold() in LOG_COLUMNS
    ]
    return problems + _text_problems(text for pair in request.held for text in pair)


def _range_in_words(low: float, high: float) -> str:
    return f"{low:g} or more" if math.isinf(high) else f"a number from {low:g} to {high:g}"


def _size_problems(request: DayRequest) -> list[Problem]:
    drivers, runs = len(request.drivers), request.runs
    problems = []
    if math.prod(len(factor.levels) for factor in request.factors) > MOST_SETTINGS:
        problems.append(
            Problem(
                "too many combinations of levels",
                f"at most {MOST_SETTINGS}",
                where="--factor",
                advice="Plan fewer factors on one day.",
            )
        )
    # Each driver costs one run, the trend of grip one; one must be left to measure scatter.
    least = drivers + 1 + request.contrasts + 1
    if drivers * runs < least:
        problems.append(
            Problem(
                f"{drivers * runs} runs in all for {request.contrasts} comparison(s)",
                f"at least {least} ({math.ceil(least / drivers)} a driver)",
                where="--runs",
                advice="More runs, fewer levels or fewer factors.",
            )
        )
    return problems


def _factor_problems(factors: Sequence[PlanFactor]) -> list[Problem]:
    if not factors:
        return [Problem("no factor", "at least one factor to try", where="--factor")]
    names = [factor.name for factor in factors]
    problems = _twice(names, "--factor", "each factor once")
    problems += [
        Problem(f"'{name}'", "a name that no other column of setups.csv has", where="--factor")
        for name in names
        if name.casefold() in LOG_COLUMNS
    ]
    for factor in factors:
        problems += _level_problems(factor)
    return problems + _text_problems(text for f in factors for text in (f.name, *f.levels))


def _twice(names: Sequence[str], where: str, expected: str) -> list[Problem]:
    double = [name for name in dict.fromkeys(names) if names.count(name) > 1]
    return [Problem(f"'{name}' twice", expected, where=where) for name in double]


def _level_problems(factor: PlanFactor) -> list[Problem]:
    where = f"--levels {factor.name}"
    problems = []
    if len(set(factor.levels)) < 2 or len(set(factor.levels)) < len(factor.levels):
        found = ", ".join(factor.levels) or "none"
        problems.append(Problem(found, "two or more different levels", where=where))
    if factor.kind == "number":
        strange = [level for level in factor.levels if not is_number(level)]
        problems += [Problem(f"'{level}'", "a number", where=where) for level in strange]
    return problems


def run_hours(runs: int, minutes: float) -> list[float]:
    """Times of a driver's runs from the first one, h."""
    return [run * minutes / 60 for run in range(runs)]


def is_number(text: str) -> bool:
    """Whether the text is a finite number, with a decimal point."""
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _text_problems(texts: Iterable[str]) -> list[Problem]:
    """Names and levels go into a spreadsheet: nothing that one would take for a formula."""
    return [
        Problem(
            repr(text),
            "a name without control characters that does not start like a formula",
            advice="Leave out = + - @ at its start.",
        )
        for text in texts
        if not text.strip()
        or (text[0] in "=+-@" and not is_number(text))
        or any(ord(character) < 32 for character in text)
    ]
