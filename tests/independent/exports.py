"""Writes the independent season as a team folder: logs, and exports in three layouts."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate, groupby
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.independent.make_season import Run

TOML = """[team]
name = "Independent team"
race_seconds = 300
worthwhile_s = 0.03
"""
KINDS = {
    "rear_bar": ("Rear anti-roll bar", "ordered", '"1.2", "1.3", "1.4"', "1.3"),
    "front_spring": ("Front springs", "category", '"soft", "hard"', "soft"),
    "deck_screws": ("Screws of the top deck", "category", '"in", "out"', "in"),
    "front_toe": ("Front toe-out", "number", "", "0.0"),
    "rear_spring": ("Rear springs", "category", '"blue", "grey"', "blue"),
    "rear_oil": ("Rear damper oil", "category", '"400", "450"', "400"),
    "wing": ("Wing position", "category", '"low", "high"', "low"),
}


@dataclass(frozen=True)
class Wording:
    """How the exports of a meeting word things: the first visit to a venue one way, then another.

    laps, passings: headers. rounds: practice, qualifying, final. start, corner, delimiter: of the
    grids; minutes: whether their times read `0:16.234` or `16,234`.
    """

    laps: str
    rounds: dict[str, str]
    passings: str
    start: str
    corner: str
    delimiter: str
    minutes: bool


WORDINGS = (
    Wording(
        laps="Lauf;Gruppe;Startnummer;Fahrer;Transponder;Runde;Rundenzeit;Uhrzeit",
        rounds={"Practice": "Training", "Qualifying": "Vorlauf", "Final": "Finale"},
        passings="Passing\tTransponder\tStrength",
        start="Start: ",
        corner="Lap",
        delimiter=",",
        minutes=True,
    ),
    Wording(
        laps="Séance;Groupe;Numéro;Pilote;Transpondeur;Tour;Temps au tour;Heure de passage",
        rounds={"Practice": "Essais", "Qualifying": "Qualification", "Final": "Finale"},
        passings="Time of day\tTransponder number\tSignal",
        start="Startzeit ",
        corner="Runde",
        delimiter=";",
        minutes=False,
    ),
)


def write_team_files(team: Path, runs: Sequence[Run]) -> None:
    from tests.independent import make_season as season

    team.mkdir(parents=True, exist_ok=True)
    (team / "team.toml").write_text(TOML + "".join(map(factor_toml, KINDS)), "utf-8")
    people = [
        [name, transponder(number), "yes" if number < len(season.TEAM) else "no", "", ""]
        for number, name in enumerate(season.DRIVERS[:26])  # the last ten rivals are not listed
    ]
    write_csv(team / "drivers.csv", ["driver", "transponder", "team", "from", "until"], people)
    meetings = [
        [name, date, name[:-2].replace("-", " ").title(), surface, grip, "UTC", ""]
        for name, date, surface, grip, _ in season.MEETINGS
    ]
    header = ["meeting", "date", "venue", "surface", "grip", "timezone", "layout"]
    write_csv(team / "meetings.csv", header, meetings)
    header = ["meeting", "driver", "run", "factor", "value"]
    write_csv(team / "setups.csv", header, setup_changes(runs))


def factor_toml(name: str) -> str:
    label, kind, levels, reference = KINDS[name]
    lines = ["", "[[factor]]", f'name = "{name}"', f'label = "{label}"', f'kind = "{kind}"']
    lines += [f"levels = [{levels}]"] if levels else ['unit = "deg"']
    return "\n".join([*lines, f'reference = "{reference}"', ""])


def setup_changes(runs: Sequence[Run]) -> Iterable[list[object]]:
    """The change log: a row where a value differs from the driver's run before."""
    from tests.independent import make_season as season

    held: dict[tuple[int, str], str] = {}
    for run in runs:
        for name, value in run.setting.items():
            if held.get((run.driver, name)) != value:
                held[run.driver, name] = value
                meeting, driver = season.MEETINGS[run.meeting][0], season.DRIVERS[run.driver]
                yield [meeting, driver, run.round + 1, name, value]


def transponder(driver: int) -> str:
    return str(3_400_000 + 7919 * (driver + 1))


def write_exports(folder: Path, runs: Sequence[Run]) -> None:
    """A folder a meeting, in the layout of that meeting."""
    from tests.independent import make_season as season

    write = {"laps": write_laps, "passings": write_passings, "grid": write_grid}
    for meeting, members in groupby(runs, key=lambda run: run.meeting):
        name, *_, layout = season.MEETINGS[meeting]
        (folder / name).mkdir(parents=True, exist_ok=True)
        write[layout](folder / name, list(members), WORDINGS[name.endswith("-2")])


def write_laps(folder: Path, runs: Sequence[Run], wording: Wording) -> None:
    """One file for the day: semicolons, decimal comma, Windows code page, not in English."""
    from tests.independent import make_season as season

    lines = [wording.laps]
    for run in runs:
        kind, number = season.ROUNDS[run.round].split()
        head = f"{wording.rounds[kind]} {number};{'ABC'[run.heat]};{run.driver + 1}"
        head += f";{season.DRIVERS[run.driver]};{transponder(run.driver)}"
        ends = list(accumulate(run.laps, initial=run.start))[1:]
        for lap, (time, end) in enumerate(zip(run.laps, ends, strict=True), 1):
            lines.append(f"{head};{lap};{time:.3f};{clock(end)}".replace(".", ","))
    (folder / "day.csv").write_bytes("\r\n".join([*lines, ""]).encode("cp1252"))


def write_passings(folder: Path, runs: Sequence[Run], wording: Wording) -> None:
    """A file a heat, in order of time: tabs, a comment line, the tone is not in it."""
    from tests.independent import make_season as season

    for (race, heat), members in groupby(runs, key=lambda run: (run.round, run.heat)):
        rows = [
            (end, transponder(run.driver))
            for run in members
            for end in list(accumulate(run.laps, initial=run.start))[1:]
        ]
        lines = ["# loop at the finish line", wording.passings]
        lines += [f"{clock(end)}\t{code}\t{80 + int(end) % 17}" for end, code in sorted(rows)]
        path = folder / f"{season.ROUNDS[race]} heat {'ABC'[heat]}.csv"
        path.write_text("\n".join([*lines, ""]), "utf-8")


def write_grid(folder: Path, runs: Sequence[Run], wording: Wording) -> None:
    """A file a heat: UTF-16, title and start line, a column a driver."""
    from tests.independent import make_season as season

    for (race, heat), group in groupby(runs, key=lambda run: (run.round, run.heat)):
        members = list(group)
        title = [f"{season.ROUNDS[race]} heat {'ABC'[heat]}"]
        start = [f"{wording.start}{clock(members[0].start)[:8]}"]
        header = [wording.corner, *(season.DRIVERS[run.driver] for run in members)]
        most = max(len(run.laps) for run in members)
        body = [
            [str(lap + 1), *(cell(run, lap, wording) for run in members)] for lap in range(most)
        ]
        lines = [wording.delimiter.join(row) for row in (title, start, header, *body)]
        path = folder / f"sheet {3 * race + heat + 1:02}.csv"
        path.write_bytes("\r\n".join([*lines, ""]).encode("utf-16"))


def cell(run: Run, lap: int, wording: Wording) -> str:
    """Lap time in a grid: `0:16.234` or `16,234`, empty once the run is over."""
    if lap >= len(run.laps):
        return ""
    time = f"{run.laps[lap]:06.3f}"
    return f"0:{time}" if wording.minutes else time.replace(".", ",")


def clock(seconds: float) -> str:
    """Time of day from seconds since midnight, to a millisecond."""
    minutes, thousandths = divmod(round(seconds * 1000), 60_000)
    return f"{minutes // 60:02}:{minutes % 60:02}:{thousandths / 1000:06.3f}"


def write_csv(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([header, *rows])
