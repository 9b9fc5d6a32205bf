"""The tables that pass between stages, each written down once.

One declaration gives the parquet schema, the check on reading, the empty frame and the
column list of the docs.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.tables.outcomes import OUTCOMES

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

LAP_STATUSES = (
    "clean", "first", "incident", "traffic", "missed", "double", "neutralised", "other",
)  # fmt: skip
SESSION_KINDS = ("practice", "qualifying", "final", "test")

_ARROW = {"text": "string", "integer": "int64", "number": "float64", "yes/no": "bool"}


@dataclass(frozen=True)
class Column:
    """A column: its kind (text, integer, number, yes/no, instant), what it means, its values."""

    name: str
    kind: str
    meaning: str
    nullable: bool = False
    values: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """A named list of columns, in the order in which they are written."""

    name: str
    columns: tuple[Column, ...]

    @property
    def names(self) -> list[str]:
        return [column.name for column in self.columns]

    def arrow(self, coded: bool = False) -> pa.Schema:
        """The parquet schema; `coded`: texts as codes (dictionary arrays), as rows in memory are
        held."""
        import pyarrow as pa

        return pa.schema(
            [pa.field(c.name, _arrow_type(c, coded), nullable=c.nullable) for c in self.columns]
        )

    def empty(self) -> pd.DataFrame:
        """No rows, every column in its dtype."""
        return self.conform({})

    def conform(self, data: dict[str, Any] | pd.DataFrame) -> pd.DataFrame:
        """The table with exactly these columns, order and dtypes; absent columns become null.

        Raises ValueError where a column that must have values has none, or holds a value that
        is not one of its values: that is a fault of the stage before, not of the user.
        """
        import pandas as pd

        frame = pd.DataFrame(data)
        out = {}
        for column in self.columns:
            series = frame.get(column.name)
            if series is None:
                series = pd.Series([None] * len(frame), index=frame.index, dtype=object)
            out[column.name] = _as_kind(series, column)
        for column in self.columns:
            series = out[column.name]
            values = set(series.dropna().unique()) if column.values else set()
            self._check(column, int(series.isna().sum()), values)
        return pd.DataFrame(out, index=frame.index, columns=self.names)

    def rows(self, data: pd.DataFrame | pa.Table) -> pa.Table:
        """The same as arrow rows, of a frame or of an arrow table, whose coded texts stay so."""
        import pyarrow as pa
        import pyarrow.compute as pc

        if not isinstance(data, pa.Table):
            rows = pa.Table.from_pandas(self.conform(data), self.arrow(), preserve_index=False)
            return rows.replace_schema_metadata(None)
        for column in self.columns:
            cells = data[column.name]
            empty = cells.null_count
            if column.kind == "number" and not column.nullable:
                empty += pc.sum(pc.is_nan(cells)).as_py() or 0
            self._check(column, empty, _distinct(cells) if column.values else set())
        return data.select(self.names)

    def _check(self, column: Column, empty: int, values: set[Any]) -> None:
        if empty and not column.nullable:
            raise ValueError(f"{self.name}.{column.name}: empty in {empty} rows")
        strange = values - set(column.values)
        if strange:
            raise ValueError(f"{self.name}.{column.name}: {sorted(strange)}")


def missing(value: Any) -> bool:
    """True for None, NaN and pandas' NA; a text is never missing, whatever it says."""
    if isinstance(value, str):
        return False
    return value is None or str(value) in {"<NA>", "nan", "NaT"}


def _distinct(cells: pa.ChunkedArray) -> set[Any]:
    """The values of a column; of codes, those that they may stand for."""
    import pyarrow as pa

    coded = pa.types.is_dictionary(cells.type)
    parts = [chunk.dictionary for chunk in cells.chunks] if coded else [cells.unique()]
    return {value for part in parts for value in part.to_pylist()} - {None}


def _arrow_type(column: Column, coded: bool) -> pa.DataType:
    import pyarrow as pa

    if column.kind == "instant":
        return pa.timestamp("ms", tz="UTC")
    plain = pa.type_for_alias(_ARROW[column.kind])
    return pa.dictionary(pa.int32(), plain) if coded and column.kind == "text" else plain


def _as_kind(series: pd.Series, column: Column) -> pd.Series:
    import pandas as pd

    if column.kind == "text":
        return series.astype("str")
    if column.kind == "instant":
        return pd.to_datetime(series, utc=True).astype("datetime64[ms, UTC]")
    if column.kind == "yes/no" and not series.isna().any():
        return series.astype(bool)
    if column.kind == "number":
        return pd.to_numeric(series).astype("float64")
    return series.astype("Int64" if column.kind == "integer" else "boolean")


def table(name: str, columns: Iterable[tuple[Any, ...]]) -> Table:
    return Table(name, tuple(Column(*column) for column in columns))


LAPS = table(
    "laps",
    [
        ("meeting", "text", "name of the meeting"),
        ("session", "text", "name of the session"),
        ("session_kind", "text", "kind of the session", False, SESSION_KINDS),
        ("class", "text", "racing class; empty where there is only one"),
        ("heat", "text", "heat within the session; empty where there is only one"),
        ("driver", "text", "driver, after drivers.csv; else the name or number as given"),
        ("transponder", "text", "transponder number", True),
        ("team", "yes/no", "a driver of the team"),
        ("lap", "integer", "number of the lap in the run, from 1"),
        ("lap_s", "number", "lap time in seconds"),
        ("at", "instant", "time of day of the passing that ended the lap", True),
        ("elapsed_s", "number", "seconds from the start of the run to the end of the lap"),
        ("status", "text", "what the lap is", False, LAP_STATUSES),
        (
            "source",
            "text",
            "export it came from, relative to the team folder; from outside its name",
        ),
        ("source_line", "integer", "line (or row) in that file, from 1"),
        ("name_as_given", "text", "driver's name in the export", True),
    ],
)

SET_ASIDE = table(
    "set_aside",
    [
        ("meeting", "text", "meeting the import was for"),
        ("source", "text", "export it came from"),
        ("source_line", "integer", "line (or row) in that file, from 1"),
        ("raw", "text", "the row as it stands in the export"),
        ("reason", "text", "code of the reason, see the table of reasons"),
        ("detail", "text", "what was found, in words", True),
    ],
)

SESSIONS = table(
    "sessions",
    [
        ("meeting", "text", "name of the meeting"),
        ("session", "text", "name of the session"),
        ("session_kind", "text", "kind of the session", False, SESSION_KINDS),
        ("class", "text", "racing class; empty where there is only one"),
        ("heat", "text", "heat within the session; empty where there is only one"),
        ("date", "text", "ISO date of the day"),
        ("start", "instant", "when it started, if that is known", True),
        ("order", "integer", "place in the meeting's order, from 0"),
        ("source", "text", "export it came from"),
    ],
)

RUNS = table(
    "runs",
    [
        ("meeting", "text", "name of the meeting"),
        ("session", "text", "name of the session"),
        ("session_kind", "text", "kind of the session", False, SESSION_KINDS),
        ("driver", "text", "driver"),
        ("run_no", "integer", "number of the driver's run in the meeting, from 1"),
        ("start", "text", "local date and time of the start, ISO; empty where unknown", True),
        ("laps", "integer", "timed laps"),
        ("clean_laps", "integer", "clean laps"),
        ("mean_s", "number", "mean of the clean laps, s", True),
        ("corrected_s", "number", "the same at the meeting's reference grip, s", True),
        ("spread_s", "number", "SD of the clean laps about the run's own trend, s", True),
        ("mistakes", "integer", "laps lost to an incident"),
        ("fade", "number", "slope of the clean laps, s per lap", True),
        ("total_s", "number", "time from start to the last passing, s", True),
        ("best_s", "number", "best clean lap, s", True),
        ("grip_position", "number", "on the axis of grip: low -1, medium 0, high 1", True),
    ],
)

EFFECTS = table(
    "effects",
    [
        ("outcome", "text", f"{', '.join(OUTCOMES)}, or one of the team's own"),
        ("factor", "text", "factor of team.toml"),
        ("level", "text", "level compared; +1 of its unit for a number"),
        ("reference", "text", "level it is compared with"),
        ("condition", "text", "all, or grip=low, surface=carpet, ..."),
        ("estimate", "number", "level minus reference (s/lap, s/lap per lap, s), or ratio", True),
        ("std_error", "number", "standard error; on the log scale for ratios", True),
        ("df", "number", "degrees of freedom of the t interval", True),
        ("ci_low", "number", "lower end of the 95 % interval", True),
        ("ci_high", "number", "upper end of the 95 % interval", True),
        ("anytime_low", "number", "lower end of that which holds over all looks", True),
        ("anytime_high", "number", "upper end of that which holds over all looks", True),
        ("alone_estimate", "number", "the same from this season's laps only", True),
        ("alone_low", "number", "lower end of its 95 % interval", True),
        ("alone_high", "number", "upper end of its 95 % interval", True),
        ("p_value", "number", "two-sided", True),
        ("q_value", "number", "by factors, then by what is asked of each", True),
        ("p_shuffled", "number", "share of shuffled logs that show as much", True),
        ("n_runs", "integer", "team runs at the level"),
        ("n_drivers", "integer", "their drivers"),
        ("n_meetings", "integer", "their meetings"),
        ("n_switches", "integer", "consecutive runs of a driver in a meeting that differ in it"),
        ("verdict", "text", "what it comes to, in the fixed words"),
        ("scope", "text", "what the interval speaks of: the next meeting, or these meetings"),
        ("remark", "text", "what the number rests on, where that has to be said", True),
        ("mixed_with", "text", "what it cannot be separated from", True),
    ],
)

GRIP = table(
    "grip",
    [
        ("meeting", "text", "name of the meeting"),
        ("time", "text", "local date and time, ISO"),
        ("seconds", "number", "seconds a lap, relative to the meeting's best"),
        ("ci_low", "number", "lower end of the 95 % interval", True),
        ("ci_high", "number", "upper end of the 95 % interval", True),
    ],
)
