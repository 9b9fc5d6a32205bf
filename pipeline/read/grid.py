"""Layout `grid`: a column a car and a row a lap number (or the other way round)."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.read.durations import read_durations
from pipeline.read.gathered import Aside, Gathered, Harvest
from pipeline.read.instants import NO_TIME
from pipeline.read.keys import alike
from pipeline.read.labels import Labels, clean, clean_number, constant, split_number
from pipeline.read.records import Header, Table
from pipeline.read.rows import LONGEST_LAP, SHORTEST_LAP
from pipeline.read.shapes import plain, shapes
from pipeline.read.table import Sheet
from pipeline.read.words import TIMES, field_of, in_milliseconds, is_footer

_LONGEST_NUMBER = 5
_CAR_ROWS = ("driver", "transponder", "car_number", "class", "heat")


def grid_score(cells: Sequence[str], below: Sequence[Sequence[str]]) -> float:
    """How much this is the header of a grid: names over lap times, a count of laps beside them."""
    corner = field_of(cells[0]) if cells[0] else ""
    if corner not in ("lap", "", "driver", "car_number", "transponder") and cells[0]:
        return 0
    named = [place for place in range(1, len(cells)) if cells[place]]
    if not named or _is_row_of_grid(cells) or any(field_of(cells[p]) in TIMES for p in named):
        return 0
    rows = [row for row in below if _is_row_of_grid(row)]
    if corner in ("driver", "car_number", "transponder") and _are_lap_numbers(cells[1:]):
        rows = [row for row in below if _share_of_times(row[1:]) > 0.8]
    return 2.5 + (corner == "lap") if rows and len(rows) >= len(below) / 3 else 0


def _are_lap_numbers(cells: Sequence[str]) -> bool:
    """1, 2, 3 … or Lap 1, Lap 2 …"""
    digits = ["".join(c for c in cell if c.isdigit()) for cell in cells if cell]
    return len(digits) > 1 and digits == [str(i + 1) for i in range(len(digits))]


def _is_row_of_grid(cells: Sequence[str]) -> bool:
    return _is_lap_number(cells[0]) and _share_of_times(cells[1:]) > 0.6


def _is_lap_number(cell: str) -> bool:
    """'7', '7.', or 'Lap 7' in any language."""
    found = re.fullmatch(r"(\D{0,12}?)\s*(\d{1,4})(?:[.,]0+)?\.?", cell)
    return found is not None and (not found.group(1) or field_of(found.group(1)) == "lap")


def _share_of_times(cells: Sequence[str]) -> float:
    filled = [cell for cell in cells if cell]
    if not filled:
        return 0.0
    times = read_durations(pa.array([cell[:60] for cell in filled], pa.string()))
    whole = np.array([cell.isdigit() for cell in filled])
    fine = ~np.isnan(times.seconds) & ~(whole & (times.seconds > 3_600))
    return float((fine | times.absent).mean()) if bool(fine.any()) else 0.0


def gather_grid(table: Table, harvest: Harvest) -> Gathered:
    """The cells of a grid as rows, car by car; each cell that is not empty or dashes is a row."""
    sheet, header = table.sheet, table.header
    places = [p for p in range(1, len(header.cells)) if p in sheet.columns]
    if _cars_down(header):
        cars, laps, cells = _down(sheet, header, places)
    else:
        cars, laps, cells = _across(sheet, header, places, harvest)
    return _Cells(sheet, cars, laps, cells, table.facts, table.session).gather(harvest)


def _cars_down(header: Header) -> bool:
    """A row a car: the corner says 'driver' and the columns count laps."""
    digits = [re.sub(r"\D", "", cell) for cell in header.cells[1:] if cell]
    corner = field_of(header.cells[0])
    counted = digits == [str(i + 1) for i in range(len(digits))]
    return corner in ("driver", "transponder", "car_number") and counted and len(digits) > 1


def _across(
    sheet: Sheet, header: Header, places: list[int], harvest: Harvest
) -> tuple[dict[str, list[str]], np.ndarray, list[tuple[int, int, np.ndarray]]]:
    """Cars (field -> text a column), lap number a row, and (place, car, rows) of the cells."""
    corner = field_of(header.cells[0]) or "driver"
    named = any(not header.cells[p].isdigit() for p in places)
    name = "driver" if corner not in _CAR_ROWS or named else corner
    cars = {field: [""] * len(places) for field in _CAR_ROWS}
    cars[name] = [clean(header.cells[p]) for p in places]
    numbers, used = _plain_numbers(sheet.columns[0])
    for row in np.flatnonzero(~used).tolist():
        text = clean(sheet.columns[0][row].as_py() or "")
        lap = re.fullmatch(r"\D{0,8}(\d{1,5})(?:[.,]0+)?\.?", text)
        if lap:
            numbers[row], used[row] = int(lap.group(1)), True
        elif (field_of(text) or "") in _CAR_ROWS:
            cars[str(field_of(text))] = [clean(sheet.columns[p][row].as_py() or "") for p in places]
        elif not is_footer([text]):
            _refuse_row(sheet, row, harvest)
    rows = np.flatnonzero(used)
    if (numbers[rows] == 0).any():
        numbers[rows] += 1
    return cars, numbers, [(place, car, rows) for car, place in enumerate(places)]


def _plain_numbers(column: pa.Array) -> tuple[np.ndarray, np.ndarray]:
    """Whole numbers (n,) of a column of lap numbers, and where one stands and nothing else."""
    numbers = np.zeros(len(column), dtype=np.int64)
    used = np.zeros(len(column), dtype=bool)
    for shape in shapes(plain(column)):
        if len(shape.text) <= _LONGEST_NUMBER and set(shape.text) == {"9"}:
            numbers[shape.rows] = shape.whole(list(range(len(shape.text))))
            used[shape.rows] = True
    return numbers, used


def _refuse_row(sheet: Sheet, row: int, harvest: Harvest) -> None:
    """A row without lap number: each of its filled cells is a row set aside."""
    line = int(sheet.lines[row])
    filled = sum(1 for column in sheet.columns.values() if (column[row].as_py() or "").strip())
    harvest.rows_in += filled
    aside = Aside(line, sheet.raw(line), "unreadable_lap", "a row of a grid without lap number")
    harvest.asides.extend([aside] * filled)


def _down(
    sheet: Sheet, header: Header, places: list[int]
) -> tuple[dict[str, list[str]], np.ndarray, list[tuple[int, int, np.ndarray]]]:
    corner = str(field_of(header.cells[0]))
    first = [clean(text or "") for text in sheet.columns[0].to_pylist()]
    cars = {field: [""] * len(first) for field in _CAR_ROWS}
    cars[corner] = first
    numbers = np.array([int(re.sub(r"\D", "", header.cells[p]) or 0) for p in places])
    cells = [(p, -1, np.arange(len(sheet))) for p in places]
    return cars, numbers, cells


class _Cells:
    """The filled cells of a grid. car -1 in `cells`: the row is the car, the column the lap."""

    def __init__(
        self,
        sheet: Sheet,
        cars: dict[str, list[str]],
        laps: np.ndarray,
        cells: list[tuple[int, int, np.ndarray]],
        facts: Mapping[str, str],
        session: str,
    ) -> None:
        self.sheet, self.cars, self.facts, self.session = sheet, cars, facts, session
        texts = [_cells_of(sheet.columns[place], rows) for place, _, rows in cells]
        self.text = pa.chunked_array(
            texts or [pa.array([], pa.string())], pa.string()
        ).combine_chunks()
        parts = [(rows, np.full(len(rows), i)) for i, (_, _, rows) in enumerate(cells)]
        rows = np.concatenate([p[0] for p in parts]) if parts else np.zeros(0, dtype=np.int64)
        column = np.concatenate([p[1] for p in parts]) if parts else np.zeros(0, dtype=np.int64)
        down = bool(cells) and cells[0][1] == -1
        self.car = rows if down else column
        self.lap = laps[column] if down else laps[rows]
        self.line = sheet.lines[rows] if len(rows) else np.zeros(0, dtype=np.int64)

    def gather(self, harvest: Harvest) -> Gathered:
        ms = any(in_milliseconds(self.facts.get(key, "")) for key in self.facts)
        times = read_durations(self.text, ms)
        filled = self._filled(times.seconds)
        harvest.decimal_comma += times.comma
        harvest.decimal_point += times.point
        if times.milliseconds and not ms:
            harvest.warn("lap times are whole numbers: read as thousandths of a second")
        driver, transponder, number = self._people()
        possible = (times.seconds >= SHORTEST_LAP) & (times.seconds <= LONGEST_LAP)
        good = filled & possible & (driver.given | transponder.given | number.given)
        harvest.rows_in += int(np.count_nonzero(filled))
        for cell in np.flatnonzero(filled & ~good):
            reason = _fault(float(times.seconds[cell]), bool(times.absent[cell]))
            harvest.asides.append(self._aside(int(cell), reason))
        rows = self._rows(times.seconds, driver, transponder, number)
        return rows.keep(good)

    def _filled(self, seconds: np.ndarray) -> np.ndarray:
        """(n,) bool: the cell holds more than signs; one that was read as a time does."""
        filled = np.ones(len(seconds), dtype=bool)
        unread = np.flatnonzero(np.isnan(seconds))
        cells = self.text.take(pa.array(unread))
        filled[unread] = pc.invert(pc.match_substring_regex(cells, r"^[\s:.,_\-–—]*$"))
        return filled

    def _aside(self, cell: int, reason: str) -> Aside:
        car = int(self.car[cell])
        name = next((self.cars[f][car] for f in _CAR_ROWS if self.cars[f][car]), "")
        return Aside(
            int(self.line[cell]), self.text[cell].as_py(), reason, f"in the cells of {name}"
        )

    def _of_cars(self, field: str) -> Labels:
        values = self.cars[field]
        if not any(values):
            return constant(self.facts.get(field, ""), len(self.text))
        return Labels(self.car.astype(np.int32), tuple(values)).map(clean)

    def _people(self) -> tuple[Labels, Labels, Labels]:
        """Drivers, transponders and car numbers; a bare number of four digits or more as a
        column's name is a transponder, and a number behind a name in brackets too."""
        driver = self._of_cars("driver")
        told = self._of_cars("transponder").map(clean_number)
        codes = driver.codes
        split = [_name_and_number(text) for text in driver.values]
        inner = Labels(codes, tuple(number for _, number in split)).map(lambda text: text)
        names = Labels(codes, tuple(name for name, _ in split)).map(lambda text: text)
        return names, (told if told.anything else inner), self._of_cars("car_number")

    def _rows(
        self, seconds: np.ndarray, driver: Labels, transponder: Labels, number: Labels
    ) -> Gathered:
        size = len(self.text)
        return Gathered(
            line=self.line,
            session=constant(self.session, size),
            racing_class=self._of_cars("class"),
            heat=self._of_cars("heat"),
            driver=driver,
            transponder=transponder,
            number=number,
            start=constant(self.facts.get("start", ""), size),
            lap=self.lap.astype(np.int64),
            lap_s=seconds,
            local=alike(NO_TIME, size),
            dated=alike(False, size),
            utc=alike(NO_TIME, size),
            elapsed=alike(np.nan, size),
        )


def _cells_of(column: pa.Array, rows: np.ndarray) -> pa.Array:
    """The cells at these rising indices."""
    texts = column.cast(pa.string())
    return texts if len(rows) == len(texts) else texts.take(pa.array(rows))


def _fault(seconds: float, absent: bool) -> str:
    """Why a cell makes no lap."""
    if absent:
        return "no_time"
    if np.isnan(seconds):
        return "unreadable_time"
    return "no_car" if SHORTEST_LAP <= seconds <= LONGEST_LAP else "impossible_time"


def _name_and_number(text: str) -> tuple[str, str]:
    if re.fullmatch(r"\d{4,12}", text):
        return "", text
    return split_number(text)
