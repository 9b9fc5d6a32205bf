"""Which column is what: by its header, and where that does not tell, by its cells."""

from __future__ import annotations

from collections.abc import Callable

from pipeline.errors import AmbiguousError, CallError, Problem, UserError
from pipeline.read.layouts import LAYOUTS
from pipeline.read.records import Header, Match, ReadOptions
from pipeline.read.samples import Look, is_epoch, look
from pipeline.read.words import (
    compact,
    field_of,
    in_milliseconds,
    names_a_session,
    says_heat,
    tells_its_kind,
)

SAMPLE_ROWS = 300
_PEOPLE = ("driver", "transponder", "car_number", "family")


class _Matcher:
    """The columns found so far of one table, with their looks computed once."""

    def __init__(self, header: Header, rows: list[list[str]], options: ReadOptions, name: str):
        self.header, self.rows, self.options, self.name = header, rows, options, name
        self.columns: dict[str, int] = {}
        self.claims: dict[str, list[int]] = {}
        self._looks: dict[int, Look] = {}

    def look(self, place: int) -> Look:
        if place not in self._looks:
            self._looks[place] = look(self.cells(place))
        return self._looks[place]

    def cells(self, place: int) -> list[str]:
        return [row[place] if place < len(row) else "" for row in self.rows]

    def free(self) -> list[int]:
        used = set(self.columns.values())
        return [p for p in range(len(self.header.cells)) if p not in used]

    def title(self, place: int) -> str:
        return self.header.cells[place] or f"column {place + 1}"


def match_columns(
    header: Header, rows: list[list[str]], options: ReadOptions, name: str, driver_known: bool
) -> Match:
    """The fields of a laps or passings table. rows: cells of some first rows.

    driver_known: a title or section says whose laps they are. Raises UserError with the choices
    where a column is missing or two could be meant; CallError where --map or --layout is wrong.
    """
    matcher = _Matcher(header, rows, options, name)
    _take_mapping(matcher)
    _take_headers(matcher)
    _settle_claims(matcher)
    _settle_by_cells(matcher)
    _fill_by_cells(matcher, driver_known)
    _settle_sessions(matcher)
    layout = _layout(matcher)
    _check_people(matcher, driver_known)
    milliseconds = {f for f, p in matcher.columns.items() if in_milliseconds(header.cells[p])}
    return Match(layout, matcher.columns, frozenset(milliseconds))


def _take_mapping(matcher: _Matcher) -> None:
    headers = [compact(cell) or cell for cell in matcher.header.cells]
    for field, column in matcher.options.mapping.items():
        wanted = compact(column) or column
        if wanted in headers:
            matcher.columns[field] = headers.index(wanted)
        elif column.isdigit() and 1 <= int(column[:6]) <= len(headers):
            matcher.columns[field] = int(column) - 1
        else:
            named = ", ".join(f"'{cell}'" for cell in matcher.header.cells if cell)
            expected = f"one of {named}" if named else f"a number from 1 to {len(headers)}"
            raise CallError(
                f"{matcher.name} has no column for --map {field}={column}",
                [Problem(f"'{column}'", expected, matcher.name, matcher.header.line or None)],
            )


def _take_headers(matcher: _Matcher) -> None:
    for place in matcher.free():
        field = field_of(matcher.header.cells[place])
        if field and field not in matcher.columns:
            matcher.claims.setdefault(field, []).append(place)


def _settle_claims(matcher: _Matcher) -> None:
    """One column a field. Of two with the same words, the one whose cells fit."""
    for field, places in matcher.claims.items():
        filled = [p for p in places if matcher.look(p).filled] or places[:1]
        fitting = [p for p in filled if _fits(field, matcher.look(p))] or filled
        different = {tuple(matcher.cells(p)): p for p in reversed(fitting)}
        if len(different) > 1 and field in ("lap_s", "at", "elapsed", "driver", "transponder"):
            raise _choose(matcher, field, fitting)
        matcher.columns[field] = min(different.values())


def _fits(field: str, seen: Look) -> bool:
    tests: dict[str, Callable[[Look], bool]] = {
        "driver": lambda s: not s.duration or not s.lap_like,
        "transponder": lambda s: s.distinct < 1 or s.filled < 3,
        "lap_s": lambda s: s.duration and not s.clock,
        "at": lambda s: s.clock or s.rising,
        "lap": lambda s: s.whole,
        "date": lambda s: s.dated,
        "elapsed": lambda s: s.duration,
    }
    return tests[field](seen) if field in tests else True


def _choose(matcher: _Matcher, field: str, places: list[int]) -> AmbiguousError:
    places = places[:4]
    choices = " or ".join(f"--map {field}='{matcher.title(p)}'" for p in places)
    found = ", ".join(
        f"'{matcher.title(p)}' ({next((c for c in matcher.cells(p) if c), 'empty')})"
        for p in places
    )
    return AmbiguousError(
        f"{matcher.name} is ambiguous: more than one column could be the {FIELD_NAMES[field]}",
        [
            Problem(
                f"the columns {found}",
                f"one column for {field}",
                matcher.name,
                matcher.header.line or None,
                advice=f"Say which: {choices}.",
            )
        ],
    )


FIELD_NAMES = {
    "lap_s": "lap time",
    "at": "time of day",
    "elapsed": "time since the start",
    "driver": "driver",
    "transponder": "transponder",
}


def _settle_by_cells(matcher: _Matcher) -> None:
    """Headers that mislead: 'Time' may be three things, 'Lap' may hold lap times."""
    columns = matcher.columns
    lap, mapped = columns.get("lap"), matcher.options.mapping
    if lap is not None and "lap_s" not in columns and "lap" not in mapped:
        seen = matcher.look(lap)
        if seen.lap_like and not seen.whole:
            columns["lap_s"] = columns.pop("lap")
    at = columns.get("at")
    if at is not None and "at" not in mapped and _only_counts(matcher.look(at)):
        del columns["at"]
    if "time" in columns:
        place = columns.pop("time")
        field = _what_time(matcher, place)
        if field and field not in columns:
            columns[field] = place
    if "date" in columns and "date" not in mapped:
        seen = matcher.look(columns["date"])
        if not seen.dated:
            place = columns.pop("date")
            if seen.clock and "at" not in columns:
                columns["at"] = place
            elif seen.whole and seen.digits >= 4 and "transponder" not in columns:
                columns["transponder"] = place
            elif seen.filled and not (seen.words or seen.whole or seen.duration):
                columns["date"] = place  # dates that cannot be, which is to be said
    number = columns.get("car_number")
    if number is not None and "car_number" not in mapped:
        seen = matcher.look(number)
        if seen.distinct == 1 and seen.filled > 12 and seen.whole:
            del columns["car_number"]


def _only_counts(seen: Look) -> bool:
    """Numbers 1, 2, 3 … under 'Passing' or 'Crossing' count rows and tell no time."""
    return seen.counting and seen.digits < 6 and not seen.clock


def _what_time(matcher: _Matcher, place: int) -> str:
    """Field of a column that only says 'time'."""
    seen = matcher.look(place)
    if seen.clock or seen.dated or is_epoch(matcher.cells(place)):
        return "at"
    if "lap_s" in matcher.columns or not seen.duration:
        return "elapsed" if seen.rising else ""
    return "elapsed" if _rises_by_car(matcher, place) else "lap_s"


def _rises_by_car(matcher: _Matcher, place: int) -> bool:
    """The times of one car only rise, as elapsed times do and lap times do not."""
    who = next((matcher.columns[f] for f in _PEOPLE if f in matcher.columns), None)
    if who is None:
        return matcher.look(place).rising
    groups: dict[str, list[str]] = {}
    for name, cell in zip(matcher.cells(who), matcher.cells(place), strict=True):
        groups.setdefault(name, []).append(cell)
    longest = max(groups.values(), key=len)
    return look(longest).rising if len(longest) > 3 else matcher.look(place).rising


def _fill_by_cells(matcher: _Matcher, driver_known: bool) -> None:
    """Columns with an unknown header, or none, by their cells, where only one can be meant."""
    columns = matcher.columns
    spare = (None, "lap", "time")
    free = [p for p in matcher.free() if field_of(matcher.header.cells[p]) in spare]
    free = [p for p in free if matcher.look(p).filled]
    if not {"at", "elapsed", "lap_s"} & columns.keys():
        _one(matcher, "at", [p for p in free if matcher.look(p).clock or _is_epoch(matcher, p)])
    free = [p for p in free if p in matcher.free()]
    if "lap_s" not in columns and not _told_passings(matcher):
        laps = [p for p in free if matcher.look(p).lap_like and not matcher.look(p).clock]
        if "at" not in columns or not matcher.header.line:
            _one(matcher, "lap_s", [p for p in laps if not matcher.look(p).rising])
    free = [p for p in free if p in matcher.free()]
    if not {"at", "elapsed", "lap_s"} & columns.keys():
        return
    if not driver_known and not set(_PEOPLE) & columns.keys():
        numbers = [p for p in free if matcher.look(p).whole and matcher.look(p).digits >= 4]
        _one(matcher, "transponder", [p for p in numbers if matcher.look(p).distinct < 0.9])
        words = [p for p in free if matcher.look(p).words]
        several = [p for p in words if len(set(matcher.cells(p))) > 1] or words
        _one(matcher, "driver", several)
    free = [p for p in free if p in matcher.free()]
    if "lap" not in columns and "lap_s" in columns and not matcher.header.line:
        counts = [p for p in free if matcher.look(p).counting]
        if len(counts) == 1:
            columns["lap"] = counts[0]


def _settle_sessions(matcher: _Matcher) -> None:
    """A column of heats whose cells are the names of sessions is the column of sessions."""
    columns, told = matcher.columns, matcher.options
    if "session" in columns or told.session or "heat" in told.mapping:
        return
    free = [p for p in matcher.free() if field_of(matcher.header.cells[p]) is None]
    places = [columns["heat"]] if "heat" in columns else []
    for place in [*places, *(p for p in free if says_heat(matcher.header.cells[p]))]:
        names = {cell for cell in matcher.cells(place) if cell}
        if names and all(map(names_a_session, names)) and any(map(tells_its_kind, names)):
            columns["session"] = place
            columns.pop("heat" if place in places else "", None)
            return


def _is_epoch(matcher: _Matcher, place: int) -> bool:
    return (
        matcher.look(place).whole and matcher.look(place).rising and is_epoch(matcher.cells(place))
    )


def _one(matcher: _Matcher, field: str, places: list[int]) -> None:
    if len(places) > 1:
        raise _choose(matcher, field, places)
    if places:
        matcher.columns[field] = places[0]


def _told_passings(matcher: _Matcher) -> bool:
    told = matcher.options.layout
    return told is not None and LAYOUTS[told].is_passings


def _layout(matcher: _Matcher) -> str:
    columns, told = matcher.columns, matcher.options.layout
    possible = [x.name for x in LAYOUTS.values() if x.fields and x.fields(columns.keys())]
    if told in possible or (told is None and possible):
        return told or possible[0]
    raise _missing(
        matcher,
        "no column of lap times (laps) or of times of day (passings)" if not told else
        f"no column that the layout '{told}' needs",
        "lap_s (lap time) or at (time of day)",
        "lap_s",
    )  # fmt: skip


def _check_people(matcher: _Matcher, driver_known: bool) -> None:
    if driver_known or {*_PEOPLE, "given"} & matcher.columns.keys():
        return
    raise _missing(
        matcher, "no column of drivers or transponders", "driver or transponder", "driver"
    )


def _missing(matcher: _Matcher, found: str, expected: str, field: str) -> UserError:
    unused = [matcher.title(p) for p in matcher.free() if matcher.look(p).filled]
    choices = ", ".join(f"'{title}'" for title in unused[:20]) or "none"
    return UserError(
        f"{matcher.name} cannot be read: {found}",
        [
            Problem(
                f"columns that could not be told: {choices}",
                expected,
                matcher.name,
                matcher.header.line or None,
                advice=f"Name it: --map {field}='{unused[0] if unused else 'COLUMN'}'.",
            )
        ],
    )
