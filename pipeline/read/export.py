"""One timing export, from its bytes to laps."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import CallError, Problem, UserError
from pipeline.read.assemble import Laps, assemble, elapsed_of
from pipeline.read.blocks import Block, read_blocks
from pipeline.read.by_run import joined
from pipeline.read.clocks import day_number
from pipeline.read.days import tell_clocks
from pipeline.read.dialect import check_mapping
from pipeline.read.frames import ends_of, laps_by_run, sessions_frame, set_aside_frame
from pipeline.read.gathered import Gathered, Harvest
from pipeline.read.instants import NO_TIME, SECOND, zone_of
from pipeline.read.labels import clean
from pipeline.read.layouts import LAYOUTS
from pipeline.read.loading import Text, decode, read_bytes
from pipeline.read.ordered import Context
from pipeline.read.records import Export, ReadOptions, Table, Understanding
from pipeline.read.timeline import moment_of, session_starts
from pipeline.read.titles import Titles, session_name, title_day
from pipeline.read.understanding import understood
from pipeline.read.words import field_of
from pipeline.read.workbook import read_workbook
from pipeline.tables.workbook import is_workbook

if TYPE_CHECKING:
    import pandas as pd

# A race that is stopped later has left more than a row a car.
FIRST_LAPS = 3
# Seconds: a results sheet's times, taken from the finish, lead back to one start; clocks without
# parts of a second are off by one.
TOGETHER = 1.5
# Seconds by which the last lap ends after a session's time is over, or a car stops before.
LAST_LAP = 90.0


def read_export(path: Path, options: ReadOptions, source: str | None = None) -> Export:
    """Read one timing export of any layout, encoding and language that is known.

    path: the file. source: its name in tables and messages (default: the file's name). Raises
    UserError where the file is no export or cannot be read without guessing, CallError where an
    option does not fit.
    """
    name = source or Path(path).name
    _check(options)
    data = read_bytes(Path(path), name)
    texts = read_workbook(data, name) if is_workbook(data) else [decode(data, name)]
    del data
    return _read_texts(texts, options, name)


def understand(path: Path, options: ReadOptions, source: str | None = None) -> Understanding:
    """How a file would be read, without keeping its laps."""
    return read_export(path, options, source).understood


def _check(options: ReadOptions) -> None:
    check_mapping(options)
    zone_of(options.timezone)
    if options.layout is not None and options.layout not in LAYOUTS:
        raise CallError(
            "--layout is not known",
            [Problem(f"'{options.layout}'", "one of " + ", ".join(LAYOUTS))],
        )


def _read_texts(texts: list[Text], options: ReadOptions, name: str) -> Export:
    exports, failures = [], []
    for text in texts:
        try:
            exports.append(_read_text(text, options, name, len(texts) > 1))
        except CallError:
            raise
        except UserError as error:
            failures.append((text.sheet, error))
    if not exports:
        raise failures[0][1]
    if len(texts) == 1:
        return exports[0]
    notes = tuple(f"sheet '{sheet}' was left out: {error.message}" for sheet, error in failures)
    return _joined(exports, notes)


def _joined(exports: list[Export], notes: tuple[str, ...]) -> Export:
    """The sheets of a spreadsheet as one export."""
    import pandas as pd

    def frames(kind: str) -> pd.DataFrame:
        tables = [getattr(export, kind) for export in exports]
        return pd.concat([t for t in tables if len(t)] or tables[:1], ignore_index=True)

    sessions = frames("sessions").drop_duplicates(["session", "class", "heat"], ignore_index=True)
    sessions["order"] = np.arange(len(sessions))
    return Export(
        by_run=joined([export.by_run for export in exports]),
        set_aside=frames("set_aside"),
        sessions=sessions,
        rows_in=sum(export.rows_in for export in exports),
        rows_kept=sum(export.rows_kept for export in exports),
        understood=exports[0].understood,
        warnings=(*notes, *(w for export in exports for w in export.warnings)),
    )


def _read_text(text: Text, options: ReadOptions, name: str, several_sheets: bool) -> Export:
    blocks = read_blocks(text, options, name)
    harvest = Harvest()
    stem = text.sheet if several_sheets else Path(name).stem
    named = False
    for block in blocks:
        titles = block.titles
        session = clean(options.session or session_name(titles, stem, options.meeting)) or "run"
        named |= _names_session(block, options, len(blocks))
        harvest.parts.append(_gather(block, session, options, harvest))
    tell_clocks(options, harvest)
    rows = harvest.whole()
    day = title_day(blocks[0].titles.facts.get("date", ""), None)
    passings = LAYOUTS[blocks[0].match.layout].is_passings
    context = Context(options, passings, named, day, blocks[0].sheet)
    laps = assemble(rows, context, harvest)
    _refuse_nothing(laps, harvest, name)
    _refuse_results(laps, blocks, name)
    return _export(text, blocks, laps, context, harvest, name)


def _names_session(block: Block, options: ReadOptions, blocks: int) -> bool:
    """A column or an option names the sessions; or the file has a titled block for each."""
    column = {"session", "round"} & block.match.columns.keys()
    titled = blocks > 1 and block.titles.names_session
    one = LAYOUTS[block.match.layout].is_one_session
    return bool(column) or options.session is not None or one or titled


def _gather(block: Block, session: str, options: ReadOptions, harvest: Harvest) -> Gathered:
    own = ("session", "round", "date")
    facts = {field: clean(text) for field, text in block.titles.facts.items() if field not in own}
    first_day = day_number(options.date) if options.date and _is_iso(options.date) else None
    table = Table(block.sheet, block.header, block.match, facts, session, first_day)
    return LAYOUTS[block.match.layout].gather(table, harvest)


def _is_iso(text: str) -> bool:
    try:
        return day_number(text) > 0
    except ValueError:
        return False


def _refuse_nothing(laps: Laps, harvest: Harvest, name: str) -> None:
    if len(laps.run):
        return
    counts: dict[str, int] = {}
    for aside in harvest.asides:
        counts[aside.reason] = counts.get(aside.reason, 0) + 1
    why = ", ".join(f"{count} x {reason}" for reason, count in counts.items()) or "none set aside"
    raise UserError(
        f"{name} holds no lap",
        [
            Problem(
                f"{harvest.rows_in} rows ({why})",
                "rows of lap times, or two passings of a car",
                name,
                advice="See what was understood with --dry-run, and name columns with --map.",
            )
        ],
    )


def _refuse_results(laps: Laps, blocks: list[Block], name: str) -> None:
    """A table of results has a row a car, with the number of its laps and its total time.

    So has a heat that was stopped in its first laps, with the last one's number and time: told by a
    header that says lap time, or by a clock at which those laps did not begin together.
    """
    one_each = len(laps.run) > 2 and bool(laps.opens.all()) and laps.lap.max() > 1
    layout = LAYOUTS[blocks[0].match.layout]
    of_fields = layout.fields is not None and not layout.is_passings
    if not one_each or not of_fields or _says_lap_time(blocks[0]):
        return
    if laps.lap.max() > FIRST_LAPS or not _began_apart(laps):
        raise UserError(
            f"{name} holds results, not laps",
            [
                Problem(
                    f"{len(laps.run)} rows, each of another car, of many laps",
                    "a row for each lap",
                    name,
                    advice="Export the lap times or the passings of the session.",
                )
            ],
        )


def _says_lap_time(block: Block) -> bool:
    """The header, or the user, calls the times lap times."""
    place = block.match.columns.get("lap_s")
    return place is not None and field_of(block.header.cells[place]) == "lap_s"


def _began_apart(laps: Laps) -> bool:
    """The clock knows when the laps began, and not all of them began at one start."""
    known = (laps.end != NO_TIME).all()
    return bool(known) and int(np.ptp(laps.begin)) > TOGETHER * SECOND


def _export(
    text: Text, blocks: list[Block], laps: Laps, context: Context, harvest: Harvest, name: str
) -> Export:
    options = context.options
    starts = session_starts(laps.session, laps.rows.start, options, context.title_day, harvest)
    elapsed = elapsed_of(laps)
    if not starts and (laps.end == NO_TIME).all():
        starts = _start_in_title(laps, elapsed, blocks[0].titles, context, harvest)
    at = ends_of(laps, elapsed, starts)
    by_run = laps_by_run(laps, elapsed, at, options, name)
    sessions = sessions_frame(laps, at, starts, context, name, harvest)
    first = [_line_of(row) for row in by_run.head(3).to_pylist()]
    asides = sorted(harvest.asides, key=lambda aside: aside.line)
    set_aside = set_aside_frame(asides, options.meeting, name)
    return Export(
        by_run=by_run,
        set_aside=set_aside,
        sessions=sessions,
        rows_in=harvest.rows_in,
        rows_kept=harvest.rows_in - len(set_aside),
        understood=understood(name, text, blocks, harvest, first),
        warnings=tuple(harvest.warnings),
    )


def _start_in_title(
    laps: Laps, elapsed: np.ndarray, titles: Titles, context: Context, harvest: Harvest
) -> dict[str, int]:
    """The start of the file's only session by the clock in its title, unless the session lasted
    as long as that."""
    clock = titles.facts.get("clock", "")
    codes = np.unique(laps.session.codes) if clock else np.zeros(0, dtype=np.int64)
    if len(codes) != 1:
        return {}
    numbers = [int(number) for number in re.findall(r"\d+", clock)]
    if len(numbers) == 2 and not clock.casefold().endswith("m"):
        beyond = float(elapsed.max()) - 60 * numbers[0] - numbers[1]
        if -LAST_LAP <= beyond <= LAST_LAP:
            return {}
    name, options = laps.session.values[codes[0]], context.options
    moment = moment_of(clock, name, options, context.title_day, zone_of(options.timezone))
    if moment is None:
        return {}
    harvest.warn(
        f"the start of session '{name}' is taken from its title: {clock}; if that is something "
        "else, say the start in sessions.csv or with --start"
    )
    return {name: moment}


def _line_of(row: dict[Any, Any]) -> str:
    at = f" at {row['at']:%Y-%m-%d %H:%M:%S} UTC" if row["at"] else ""
    return (
        f"{row['session']}: {row['driver']}, lap {row['lap']}, {row['lap_s']:.3f} s{at}"
        f" ({row['status']})"
    )
