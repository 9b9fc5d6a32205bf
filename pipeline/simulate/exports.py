"""Timing exports of a meeting in the three layouts, as different systems write them."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from pipeline.simulate.timing import Timed
from pipeline.simulate.words import HEADERS, PRINTED, START
from pipeline.simulate.world import Run, World


@dataclass(frozen=True)
class Style:
    """How a club's timing writes its exports.

    layout: laps, passings or grid; per: file for each day, session or heat; clock: whether lap 1
    counts from the tone or from the first passing; spelling: a driver's name as given here
    instead of the right one; numbers: the transponder that a driver ran with instead of their
    own; broken: how many rows of the meeting a disturbed line damages.
    """

    layout: str = "laps"
    per: str = "session"
    language: str = "en"
    encoding: str = "utf-8"
    delimiter: str = ","
    decimal: str = "."
    minutes: bool = False
    surname_first: bool = False
    names: bool = True
    transponders: bool = True
    clock: str = "passing"
    newline: str = "\n"
    ending: str = "csv"
    titles: bool = True
    broken: int = 0
    spelling: Mapping[str, str] = field(default_factory=dict)
    numbers: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class _Part:
    """The runs that go into one file, in order of time."""

    stem: str
    runs: tuple[int, ...]


def write_exports(
    world: World, timing: Timed, meeting: int, style: Style, rng: np.random.Generator
) -> dict[str, bytes]:
    """File name -> content, for one meeting."""
    writers: dict[str, Callable[..., list[str]]] = {
        "laps": _laps_lines,
        "passings": _passings_lines,
        "grid": _grid_lines,
    }
    files = {
        f"{part.stem}.{style.ending}": writers[style.layout](world, timing, part, style)
        for part in _parts(world, meeting, style)
    }
    for name in rng.choice(sorted(files), style.broken):
        _damage(files[name], style, rng)
    return {
        name: style.newline.join([*lines, ""]).encode(style.encoding)
        for name, lines in files.items()
    }


def _parts(world: World, meeting: int, style: Style) -> Iterator[_Part]:
    """The runs of the meeting, a file each day, session or heat."""
    groups: dict[str, list[int]] = {}
    for r, run in enumerate(world.runs):
        if run.meeting == meeting:
            groups.setdefault(_stem(world, run, style), []).append(r)
    for stem, runs in groups.items():
        yield _Part(stem, tuple(runs))


def _stem(world: World, run: Run, style: Style) -> str:
    session, meeting = world.session(run), world.meetings[run.meeting]
    if style.per == "day":
        return meeting.dates[session.day]
    if style.layout == "passings":
        return session.name  # a file of passings says nowhere else which session it is
    plain = _without_accents(session.name).lower().replace(" ", "_")
    return plain if style.per == "session" else f"{plain}_{world.heat(run).name}"


def _without_accents(text: str) -> str:
    return unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()


def tone_s(world: World, run: Run) -> float:
    """The tone of a run's heat, seconds of the day."""
    return world.heat(run).start * 3600.0


def _title(world: World, part: _Part, style: Style) -> list[str]:
    """Lines above the header: the session, the heat if the file is one heat's, its start."""
    if not style.titles:
        return []
    run, words = world.runs[part.runs[0]], HEADERS[style.language]
    meeting, session = world.meetings[run.meeting], world.session(run)
    lines = [f"{meeting.name}, {meeting.dates[session.day]}"]
    if style.per != "day":
        lines.append(f"{words['session']}: {session.name}")
    if style.per == "heat":
        lines.append(f"{words['heat']}: {world.heat(run).name}")
    if style.per != "day":
        lines.append(f"{START[style.language]}: {clock_text(tone_s(world, run), 0)}")
    return [*lines, ""]


def _laps_lines(world: World, timing: Timed, part: _Part, style: Style) -> list[str]:
    """A row a lap."""
    fields = ["session", "heat", "class"] if style.per == "day" else ["heat"]
    fields += ["driver"] * style.names + ["transponder"] * style.transponders
    fields += ["lap", "lap_s", "at"]
    words = HEADERS[style.language]
    lines = [*_title(world, part, style), style.delimiter.join(words[f] for f in fields)]
    for r in part.runs:
        lines += _run_rows(world, timing, r, fields, style)
    return [*lines, "", PRINTED[style.language]] if style.titles else lines


def _run_rows(
    world: World, timing: Timed, r: int, fields: list[str], style: Style
) -> Iterator[str]:
    run = world.runs[r]
    session = world.session(run)
    cells = {
        "session": session.name,
        "heat": world.heat(run).name,
        "class": session.racing_class,
        "driver": shown_name(world, run, style),
        "transponder": shown_number(world, run, style),
    }
    for lap, (lap_s, at) in enumerate(clocked_laps(world, timing, r, style), start=1):
        cells |= {"lap": str(lap), "lap_s": duration_text(lap_s, style)}
        cells["at"] = clock_text(at, 0)
        yield style.delimiter.join(cells[f] for f in fields)


def _passings_lines(world: World, timing: Timed, part: _Part, style: Style) -> list[str]:
    """A row a crossing of the line, all cars in order of time."""
    words = HEADERS[style.language]
    fields = ["at", "transponder"] + ["driver"] * style.names
    crossings = sorted((at, r) for r in part.runs for at in timing.passings[r])
    run = world.runs[part.runs[0]]
    date = world.meetings[run.meeting].dates[world.session(run).day]
    lines = [f"# loop 1, {date}, clock checked before the first heat"] if style.titles else []
    lines.append(style.delimiter.join(words[f] for f in fields))
    for at, r in crossings:
        cells = [clock_text(at, 3, style.decimal), shown_number(world, world.runs[r], style)]
        cells += [shown_name(world, world.runs[r], style)] * style.names
        lines.append(style.delimiter.join(cells))
    return lines


def _grid_lines(world: World, timing: Timed, part: _Part, style: Style) -> list[str]:
    """A column a driver, a row a lap number."""
    columns = [
        [duration_text(lap_s, style) for lap_s, _ in clocked_laps(world, timing, r, style)]
        for r in part.runs
    ]
    names = [shown_name(world, world.runs[r], style) for r in part.runs]
    header = [HEADERS[style.language]["lap"], *names]
    lines = [*_title(world, part, style), style.delimiter.join(header)]
    for lap in range(max(len(column) for column in columns)):
        cells = [column[lap] if lap < len(column) else "" for column in columns]
        lines.append(style.delimiter.join([str(lap + 1), *cells]))
    return lines


def clocked_laps(
    world: World, timing: Timed, r: int, style: Style
) -> Iterator[tuple[float, float]]:
    """(lap time, time of day at its end) as this timing counts them, s."""
    passings = timing.passings[r]
    begin = passings[0] if style.clock == "passing" else tone_s(world, world.runs[r])
    for end in passings[1:]:
        yield float(end - begin), float(end)
        begin = end


def shown_name(world: World, run: Run, style: Style) -> str:
    name = world.drivers[run.driver].name
    if name in style.spelling:
        return style.spelling[name]
    first, _, last = name.partition(" ")
    return f"{last.upper()} {first}" if style.surname_first else name


def shown_number(world: World, run: Run, style: Style) -> str:
    driver = world.drivers[run.driver]
    own = driver.transponders[world.session(run).racing_class]
    return style.numbers.get(driver.name, own)


def duration_text(seconds: float, style: Style) -> str:
    """'16.234', or '0:16.234' with minutes; a lap of over a minute always has its minutes."""
    thousandths = round(seconds * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    if minutes or style.minutes:
        text = f"{minutes}:{rest // 1000:02d}.{rest % 1000:03d}"
    else:
        text = f"{rest // 1000}.{rest % 1000:03d}"
    return text.replace(".", style.decimal)


def clock_text(seconds: float, digits: int, decimal: str = ".") -> str:
    """Seconds of the day as '10:32:05' or '10:32:05.123'."""
    thousandths = round(seconds * 1000)
    whole, rest = divmod(thousandths, 1000)
    text = f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{text}{decimal}{rest:03d}" if digits else text


def _damage(lines: list[str], style: Style, rng: np.random.Generator) -> None:
    """A disturbed line: a row is cut off, or ends in signs that mean nothing."""
    body = [n for n, line in enumerate(lines) if line.count(style.delimiter) >= 2 and n > 8]
    place = int(rng.choice(body))
    mend = "" if rng.uniform() < 0.5 else style.delimiter + "#~?"
    lines[place] = lines[place][: len(lines[place]) // 2] + mend
