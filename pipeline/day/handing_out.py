"""`logbook`: pages for the drivers who are asked for, each with nobody else's name in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.day.page import GENERATOR, Car, Logbook, logbook_html, usual_step
from pipeline.errors import CallError, UserError
from pipeline.plan.planned import PlannedDay, read_plan
from pipeline.report.privacy import Others, leaks
from pipeline.runs.gathering import gather
from pipeline.runs.logbooks import last_settings, read_log
from pipeline.store.parquet import file_stem, open_store
from pipeline.tables.outputs import write_files
from pipeline.team.people import known_driver
from pipeline.team.sheets import nearest

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.team.folder import Meeting, Team

MOST_BYTES = 200_000
_RUN_COLUMNS = ["meeting", "date", "class", "session", "driver", "team", "run_no", "start_hour"]
_RUN_COLUMNS += ["hour_known"]


@dataclass(frozen=True)
class LogbookCall:
    """What the user asks for; see `backtoback logbook --help`.

    drivers: names, in any case; none for all of the team. together: one page for all of them.
    """

    meeting: str
    drivers: tuple[str, ...] = ()
    plan: Path | None = None
    together: bool = False


@dataclass(frozen=True)
class HandedOut:
    """The pages written, and what is to be said about them."""

    paths: tuple[Path, ...]
    notes: tuple[str, ...] = ()


def write_logbooks(team: Team, call: LogbookCall, out: Path) -> HandedOut:
    """Write the pages into `out`, all of them or none.

    Raises CallError for an unknown meeting or driver, UserError for a plan that is not this
    meeting's, a page that would name others or grow too large, and a file in the way that is no
    logbook page.
    """
    meeting = known_meeting(team, call.meeting)
    drivers = [known_driver(team, name) for name in call.drivers] or team.team_drivers
    if not drivers:
        raise CallError("drivers.csv has nobody with `yes` in its column team")
    plan = read_plan(team, call.plan, meeting.meeting) if call.plan else PlannedDay()
    book, notes = _whole(team, meeting, list(dict.fromkeys(drivers)), plan)
    together = [book.cars] if call.together else [[car] for car in book.cars]
    pages = {_name(book.meeting, cars): _page(team, book, cars).encode() for cars in together}
    for name in pages:
        refuse_foreign(out / name)
    paths = write_files(out, pages, force=True, listed=False)
    without = [car.driver for car in book.cars if call.plan and not car.planned]
    notes += [f"the plan has no run of {driver}" for driver in without]
    return HandedOut(tuple(paths), tuple(notes))


def _name(meeting: str, cars: Sequence[Car]) -> str:
    who = file_stem(cars[0].driver) if len(cars) == 1 else f"{len(cars)}-cars"
    return f"logbook-{file_stem(meeting)}-{who}.html"


def known_meeting(team: Team, name: str) -> Meeting:
    """The row of meetings.csv. Raises CallError, with the nearest name, if there is none."""
    meeting = team.meeting(name)
    if meeting is None:
        close = nearest(name, team.meetings["meeting"])
        raise CallError(f"meeting '{name}' is not in meetings.csv. {close}".rstrip())
    return meeting


def _whole(
    team: Team, meeting: Meeting, drivers: list[str], plan: PlannedDay
) -> tuple[Logbook, list[str]]:
    """One page for all drivers, and what is to be said about where it starts from."""
    log, runs = read_log(team), _no_runs()
    if open_store(team.folder).meetings():
        everything = gather(team)
        log, runs = everything.setups, everything.runs
    last = last_settings(team, log, runs)
    file = f"logbook-{file_stem(meeting.meeting)}"
    cars = [
        Car(driver, f"{file}-{file_stem(driver)}.csv", last.get(driver, {}),
            plan.of_driver(driver))
        for driver in drivers
    ]  # fmt: skip
    steps = {
        factor.name: usual_step(factor, runs[factor.name].dropna().to_list())
        for factor in team.factors
        if factor.kind == "number" and factor.name in runs
    }
    notes = []
    if log.problems:
        notes.append(
            f"the setup log has faults ({log.problems[0]}, …): what the cars had last may be wrong"
        )
    return Logbook(meeting.meeting, cars, team.factors, team.feels, steps), notes


def _no_runs() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=_RUN_COLUMNS)


def _page(team: Team, book: Logbook, cars: Sequence[Car]) -> str:
    """The page of these cars. Raises UserError where it would name others or be too large."""
    own = Logbook(book.meeting, cars, book.factors, book.feels, book.steps)
    shown = {car.driver for car in cars}
    who = " and ".join(car.driver for car in cars)
    found = leaks("\n".join(_words(own)), _others(team, shown))
    if found:
        raise UserError(
            f"the logbook of {who} was not written: it would hold {len(found)} names or "
            "transponders of others. Look for them in the meeting's name, in labels, units and "
            "levels of team.toml"
        )
    html = logbook_html(own)
    if len(html.encode()) > MOST_BYTES:
        raise UserError(
            f"the logbook of {who} was not written: it would have {len(html.encode()) // 1000} kB, "
            f"and more than {MOST_BYTES // 1000} is too much for a message. Ask for fewer drivers "
            "at once, or take factors that nobody changes out of team.toml"
        )
    return html


def _others(team: Team, shown: set[str]) -> Others:
    everybody = set(team.drivers["driver"])
    numbers = frozenset(team.drivers["transponder"]) - {""}
    return Others(frozenset(shown), frozenset(everybody - shown), frozenset(), numbers)


def _words(book: Logbook) -> list[str]:
    """Everything on the page that a person wrote."""
    texts = [book.meeting, *(car.driver for car in book.cars)]
    for factor in book.factors:
        texts += [factor.label, factor.unit, *factor.levels, factor.reference]
    for feel in book.feels:
        texts += [feel.label, feel.worse, feel.better]
    return texts


def refuse_foreign(path: Path) -> None:
    """A file in the way that is no page of this tool stays. Raises UserError."""
    if path.is_symlink() or path.exists():
        made = path.is_file() and not path.is_symlink()
        mark = f'<meta name="generator" content="{GENERATOR}">'.encode()
        if not made or mark not in path.read_bytes()[:4000]:
            raise UserError(
                f"'{path}' is there already and was not made by backtoback; not written"
            )
