"""Who drove: transponder and name of an export → driver, team and class, by drivers.csv.

Resolved whenever laps are read, so that an edit of drivers.csv counts for what was imported
before it.
"""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.errors import CallError
from pipeline.team.sheets import nearest
from pipeline.team.tables import plain

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.team.folder import Team

_LIKE = 80
_UNLIKE = 45


@dataclass(frozen=True)
class Person:
    """A driver as resolved; `by` says how: transponder, name, other_day (listed, but not for
    that day) or field (not listed)."""

    driver: str
    team: bool
    racing_class: str
    by: str


def _number_key(transponder: str) -> str:
    """A transponder for comparison: a spreadsheet drops zeros in front of a number."""
    key = plain(transponder)
    return (key.lstrip("0") or key) if key.isdigit() else key


@dataclass(frozen=True)
class _Row:
    driver: str
    transponder: str
    team: bool
    first: str
    last: str
    racing_class: str

    def covers(self, date: str, racing_class: str) -> bool:
        in_period = self.first <= date and date <= (self.last or "9999-12-31")
        other = self.racing_class and racing_class
        return in_period and (not other or plain(self.racing_class) == plain(racing_class))


class People:
    """Looks drivers up; keeps one spelling a name, so one object serves one season.

    `seen`: (transponder, name) pairs that stand together in any export. A number without a name
    gets the name that always stands with it, if that is a driver of the field; the team's
    drivers are known by drivers.csv alone.
    """

    def __init__(self, drivers: pd.DataFrame, seen: Iterable[tuple[str, str]] = ()) -> None:
        columns = ["driver", "transponder", "team", "from", "until", "class"]
        rows = [_Row(*cells) for cells in drivers[columns].itertuples(index=False, name=None)]
        self._by_number: dict[str, list[_Row]] = defaultdict(list)
        self._by_name: dict[str, list[_Row]] = defaultdict(list)
        for row in rows:
            self._by_number[_number_key(row.transponder)].append(row)
            self._by_name[plain(row.driver)].append(row)
        self._by_number.pop("", None)
        self._spelling = {name: rows[0].driver for name, rows in self._by_name.items()}
        self._named = self._names_of_numbers(seen)

    def _names_of_numbers(self, seen: Iterable[tuple[str, str]]) -> dict[str, str]:
        names: dict[str, dict[str, str]] = defaultdict(dict)
        for transponder, name in seen:
            if transponder and name:
                names[_number_key(transponder)].setdefault(plain(name), name)
        only = {number: found.popitem() for number, found in names.items() if len(found) == 1}
        return {n: name for n, (key, name) in only.items() if key not in self._by_name}

    def find(self, transponder: str, name: str, date: str, racing_class: str) -> Person:
        """The driver behind a transponder and/or name (either may be '') on an ISO day.

        A row for that transponder and day comes first: it is the user's word on who drove. Then
        the name; a driver who is listed only for other days is known, but not of the team.
        """
        for by, rows in self._candidates(transponder, name):
            for row in rows:
                if row.covers(date, racing_class):
                    return Person(self._spelling[plain(row.driver)], row.team,
                                  racing_class or row.racing_class, by)  # fmt: skip
        shown = name or self._named.get(_number_key(transponder), transponder)
        driver = self._spelling.setdefault(plain(shown), shown)
        by = "other_day" if plain(name) in self._by_name else "field"
        return Person(driver, False, racing_class, by)

    def _candidates(self, transponder: str, name: str) -> Iterator[tuple[str, list[_Row]]]:
        """Rows that may be meant, the surer first. The column transponder may hold a spelling."""
        yield "transponder", self._by_number.get(_number_key(transponder), [])
        if name:
            yield "transponder", self._by_number.get(_number_key(name), [])
            yield "name", self._by_name.get(plain(name), [])


def resolve(people: People, streams: pd.DataFrame) -> pd.DataFrame:
    """driver, team, class and by for each row of `streams`.

    streams: transponder, name_as_given, driver (as given), date, class; any index, kept.
    """
    import pandas as pd

    columns = ["transponder", "name_as_given", "driver", "date", "class"]
    keys = streams[columns].astype("str").fillna("")
    which = keys.groupby(columns, sort=False).ngroup()
    different = keys[~which.duplicated()].itertuples(index=False, name=None)
    found = []
    for transponder, name, given, date, racing_class in different:
        # A car with neither is known by what stands in its column driver.
        name = name if transponder or name else given
        person = people.find(transponder, name, date, racing_class)
        found.append((person.driver, person.team, person.racing_class, person.by))
    persons = pd.DataFrame(found, columns=["driver", "team", "class", "by"])
    return persons.take(which.to_numpy()).set_index(streams.index)


def people_of(team: Team, seen: Iterable[tuple[str, str]] = ()) -> People:
    """The look-up for a team folder."""
    return People(team.drivers, seen)


def suggestions(team: Team, streams: pd.DataFrame) -> list[str]:
    """Sentences on names that may be meant for a listed driver; nothing is ever applied.

    streams: transponder, name_as_given, by, driver (resolved), meeting; a row a car and file.
    """
    return [*_spellings(team, streams), *_lent(streams), *_other_days(streams)]


def known_driver(team: Team, name: str) -> str:
    """The team's driver of that name. Raises CallError, with the nearest, if there is none."""
    names = team.team_drivers
    found = {plain(known): known for known in names}.get(plain(name))
    if found is None:
        close = nearest(name, names)
        raise CallError(
            f"no driver of the team is called '{name}'; it has {', '.join(names)}. {close}".rstrip()
        )
    return found


def unseen_numbers(team: Team, streams: pd.DataFrame) -> list[str]:
    """Sentences on transponders of the drivers table that are in no export, each with the number
    of an unlisted car that is like it; nothing where exports have no numbers.

    streams: see `suggestions`.
    """
    ran = {_number_key(number) for number in streams["transponder"].dropna() if number}
    if not ran:
        return []
    ran |= {plain(name) for name in streams["name_as_given"].dropna()}
    field = streams.loc[streams["by"] == "field", "transponder"].dropna().unique()
    said = []
    for driver, number in _listed_numbers(team):
        if _number_key(number) not in ran:
            close = nearest(number, [other for other in field if other], "Is it")
            said.append(
                f"transponder {number} of '{driver}' in the drivers table is in no export"
                + (f". {close} That ran, and no row has it" if close else "")
            )
    return said


def _listed_numbers(team: Team) -> list[tuple[str, str]]:
    rows = team.drivers[["driver", "transponder"]].drop_duplicates()
    return [(driver, number) for driver, number in rows.itertuples(index=False) if number]


def _spellings(team: Team, streams: pd.DataFrame) -> list[str]:
    first = team.drivers.drop_duplicates("driver")
    listed = dict(zip(first["driver"], first["team"], strict=True))
    said = []
    names = streams.loc[streams["by"] == "field", "name_as_given"].dropna().unique()
    for name in sorted(names):
        best = max(listed, key=lambda driver: _likeness(name, driver), default="")
        if _likeness(name, best) >= _LIKE:
            cells = [best, name, "yes" if listed[best] else "no"]
            said.append(
                f"'{name}' in the exports is like '{best}' of the drivers table; if it is the "
                f"same person, add the row: {_csv_row(cells)}"
            )
    return said


def _likeness(one: str, other: str) -> float:
    """0 to 100, whatever the order of first and last name."""
    from rapidfuzz import fuzz

    one, other = plain(one), plain(other)
    return max(fuzz.ratio(one, other), fuzz.token_sort_ratio(one, other))


def _csv_row(cells: list[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow(cells)
    return text.getvalue()


def _lent(streams: pd.DataFrame) -> list[str]:
    """A transponder of the drivers table under quite another name in the export."""
    rows = streams[(streams["by"] == "transponder") & streams["name_as_given"].notna()]
    columns = ["transponder", "name_as_given", "driver", "meeting"]
    unique = rows[columns].fillna("").drop_duplicates()
    return [
        f"transponder {number} counts as '{driver}', but {meeting} names it '{name}'; if it was "
        "lent, say so by a row with `from` and `until`"
        for number, name, driver, meeting in unique.itertuples(index=False, name=None)
        if number and _likeness(name, driver) < _UNLIKE
    ]


def _other_days(streams: pd.DataFrame) -> list[str]:
    rows = streams[streams["by"] == "other_day"].drop_duplicates(["driver", "meeting"])
    return [
        f"'{row.driver}' at {row.meeting}: no row of the drivers table holds for that day and "
        "class; counted as one of the field"
        for row in rows.itertuples()
    ]
