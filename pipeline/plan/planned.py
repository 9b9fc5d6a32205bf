"""A planned day, read from the file that `plan --out` leaves (plan.json)."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import CallError, Problem, UserError
from pipeline.team.sheets import nearest
from pipeline.team.tables import plain, time_of_day

if TYPE_CHECKING:
    from pipeline.plan.file import Drawn
    from pipeline.team.folder import Team

NAME = "plan.json"


@dataclass(frozen=True)
class PlannedRun:
    """What is to be on the car in a run: factor -> level; start as HH:MM, or ''."""

    settings: Mapping[str, str]
    start: str = ""


@dataclass(frozen=True)
class PlannedDay:
    """runs: (driver as in the plan, number of the run) -> run, with what is held all day.

    asked: factor, level and reference of each question. drawn: what the orders were drawn from;
    None where the file does not say.
    """

    runs: Mapping[tuple[str, int], PlannedRun] = field(default_factory=dict)
    asked: tuple[tuple[str, str, str], ...] = ()
    drawn: Drawn | None = None

    def planned(self, driver: str, run: int) -> Mapping[str, str] | None:
        """Factor -> level as planned before the run was driven; None where it was not planned."""
        if self.drawn is None:
            found = self.runs.get((driver, run))
            return found.settings if found else None
        return self.drawn.settings(driver, run)

    def of_driver(self, driver: str) -> dict[int, PlannedRun]:
        """The runs of one driver, by number."""
        return {n: run for (name, n), run in self.runs.items() if plain(name) == plain(driver)}


def read_plan(team: Team, path: Path, meeting: str) -> PlannedDay:
    """The plan of that meeting, its levels as team.toml has them.

    Raises CallError where there is no such file, UserError, with every fault, for one that is no
    plan of this meeting and team.
    """
    reader = _Reader(team, path.name)
    day = reader.day(plan_content(path), meeting)
    if reader.problems:
        raise UserError(f"'{path}' is no plan for {meeting}; nothing was changed:", reader.problems)
    return day


def find_plans(team: Team, meeting: str) -> list[Path]:
    """The plans of that meeting in the team folder and two folders deep, the latest last.

    The latest is the one that was resumed most often, of several the one written last.
    """
    found = []
    for pattern in (NAME, f"*/{NAME}", f"*/*/{NAME}"):
        for path in team.folder.glob(pattern):
            with contextlib.suppress(UserError):
                raw = plan_content(path)
                if isinstance(raw, dict) and plain(str(raw.get("meeting"))) == plain(meeting):
                    stages = raw.get("drawn")
                    resumed = len(stages) if isinstance(stages, list) else 0
                    found.append((resumed, path.stat().st_mtime_ns, path))
    return [path for _, _, path in sorted(found)]


def plan_content(path: Path) -> Any:
    """What the file holds, as JSON; nothing of it is checked. Raises as `read_plan`."""
    try:
        return json.loads(path.read_text("utf-8-sig"))
    except FileNotFoundError:
        raise CallError(f"there is no file '{path}'") from None
    except OSError as error:
        raise UserError(f"'{path}' cannot be read: {error.strerror or error}") from None
    except (ValueError, RecursionError):
        raise UserError(f"'{path}' is no plan: expected JSON as `plan --out` writes it") from None


class _Reader:
    """Goes through the file and collects faults."""

    def __init__(self, team: Team, name: str) -> None:
        self.team, self.name = team, name
        self.problems: list[Problem] = []

    def day(self, raw: Any, meeting: str) -> PlannedDay:
        if not isinstance(raw, dict) or not isinstance(raw.get("runs"), list):
            self.fault("no list `runs`", "a plan as `plan --out` writes it")
            return PlannedDay()
        of = raw.get("meeting")
        if of and plain(str(of)) != plain(meeting):
            self.fault(f"a plan for '{of}'", f"one for '{meeting}'", "meeting")
        held = dict(self.settings(raw.get("held") or {}, "held"))
        runs: dict[tuple[str, int], PlannedRun] = {}
        for place, each in enumerate(raw["runs"], start=1):
            key, run = self.run(each, held, f"runs, {place}")
            if key in runs:
                self.fault(f"run {key[1]} of {key[0]} again", "each run once", f"runs, {place}")
            runs[key] = run
        return PlannedDay(runs, tuple(self.asked(raw)), self.drawn(raw))

    def asked(self, raw: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
        """The plan's questions; of a file without them nothing was asked."""
        for place, each in enumerate(raw.get("contrasts") or (), start=1):
            at = f"contrasts, {place}"
            name = str(each.get("factor")) if isinstance(each, dict) else ""
            levels = (
                [dict(self.settings({name: each[x]}, at)) for x in ("level", "reference")]
                if name and {"level", "reference"} <= set(each)
                else []
            )
            if levels and all(levels):
                factor = next(iter(levels[0]))
                yield factor, levels[0][factor], levels[1][factor]

    def drawn(self, raw: Mapping[str, Any]) -> Drawn | None:
        if "drawn" not in raw:
            return None
        from pipeline.plan.file import drawn_of

        try:
            return drawn_of(json.dumps(raw))
        except (CallError, KeyError, TypeError, ValueError, IndexError, AttributeError):
            self.fault("nothing that can be drawn again", "what `plan --out` wrote", "drawn")
            return None

    def run(self, raw: Any, held: Mapping[str, str], at: str) -> tuple[tuple[str, int], PlannedRun]:
        raw = raw if isinstance(raw, dict) else {}
        driver, number, start = raw.get("driver"), raw.get("run"), raw.get("start") or ""
        if not isinstance(driver, str) or not driver:
            self.fault(repr(driver), "a driver's name", f"{at}: driver")
        if not isinstance(number, int) or isinstance(number, bool) or not 1 <= number <= 200:
            self.fault(repr(number), "the number of a run, from 1", f"{at}: run")
            number = 0
        clock = time_of_day(start) if isinstance(start, str) else None
        if clock is None:
            self.fault(repr(start), "a time of day as 09:40", f"{at}: start")
        settings = {**held, **dict(self.settings(raw.get("settings"), f"{at}: settings"))}
        return (str(driver), number), PlannedRun(settings, (clock or "")[:5])

    def settings(self, raw: Any, at: str) -> Iterator[tuple[str, str]]:
        if not isinstance(raw, dict):
            self.fault(repr(raw), "factors with their levels", at)
            return
        for name, level in raw.items():
            factor = self.team.factor(name)
            if factor is None:
                known = [f.name for f in self.team.factors]
                self.fault(f"'{name}'", "a factor of team.toml", at, nearest(name, known))
                continue
            read = factor.read(str(level))
            if read is None:
                advice = nearest(str(level), factor.levels)
                self.fault(f"'{level}'", factor.expected(), f"{at}: {name}", advice)
            else:
                yield factor.name, read

    def fault(self, found: str, expected: str, at: str = "", advice: str = "") -> None:
        self.problems.append(Problem(found, expected, self.name, None, at, advice))
