"""The parquet files of the store: written with checksums, compared with their record when read."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.store.commit import Writer
from pipeline.store.export_files import sha256_of
from pipeline.store.records import DamagedError, damaged
from pipeline.tables.schema import Table

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

_BATCH = 65_536
_HARDLY_TWICE = ("elapsed_s",)
# What the record knows of a table's file: rows, bytes, sha256. Empty for one of an older version.
Known = Mapping[str, Any]


def table_writer(
    table: Table,
    old: Callable[[], pa.Table] | None,
    gone: set[str],
    new: pd.DataFrame | pa.Table | None,
    known: dict[str, Any],
) -> Writer:
    """Old rows of other sources and the new, by source: the order of imports is no matter.

    known: is given what the record is to know of the file.
    """

    def write(path: Path) -> None:
        import pyarrow as pa

        parts = _split_by_source(old(), gone) if old else {}
        if new is not None and len(new):
            parts.update(_split_by_source(table.rows(new), set()))
        ordered = [parts[source] for source in sorted(parts)]
        if len(ordered) > 1:
            ordered = [part.cast(table.arrow()) for part in ordered]
        whole = pa.concat_tables(ordered) if ordered else table.arrow().empty_table()
        _write(path, whole, table)
        known.update(rows=whole.num_rows, bytes=path.stat().st_size, sha256=sha256_of(path))

    return write


def _write(path: Path, rows: pa.Table, table: Table) -> None:
    """The rows as parquet; coded texts are written as they are and read as plain ones.

    Whole numbers and instants that rise from row to row are short as differences, and quick;
    of numbers that hardly ever come twice a dictionary would only be a second copy.
    """
    import pyarrow.parquet as pq

    steps = [column.name for column in table.columns if column.kind in ("integer", "instant")]
    encodings = dict.fromkeys(steps, "DELTA_BINARY_PACKED")
    encodings |= {name: "BYTE_STREAM_SPLIT" for name in table.names if name in _HARDLY_TWICE}
    pq.write_table(
        rows, path, compression="zstd", store_schema=False, write_batch_size=_BATCH,
        use_dictionary=[name for name in table.names if name not in encodings],
        column_encoding=encodings, write_statistics=steps, write_page_checksum=True,
    )  # fmt: skip


def _split_by_source(rows: pa.Table, gone: set[str]) -> dict[str, pa.Table]:
    import pyarrow.compute as pc

    sources = pc.unique(rows["source"]).to_pylist()
    if len(sources) == 1:
        return {} if sources[0] in gone else {sources[0]: rows}
    return {s: rows.filter(pc.equal(rows["source"], s)) for s in sources if s not in gone}


def check_file(path: Path, known: Known) -> None:
    """Raises DamagedError where a file is missing or not as large as it was written."""
    if not path.is_file():
        raise _damaged(path, "it is missing")
    size = path.stat().st_size
    if known and size != known["bytes"]:
        raise _damaged(path, f"it has {size:,} bytes, {known['bytes']:,} were written")


def read_table(
    path: Path,
    columns: list[str] | None = None,
    coded: Sequence[str] = (),
    known: Known | None = None,
) -> pa.Table:
    """Rows of a file. coded: columns whose texts are to be codes; parquet mostly holds them so.

    Raises DamagedError where the file is not what was written. The page checksums find what
    turns while it is read; the hash, another file of the same size in its place.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    known = known or {}
    check_file(path, known)
    if known and sha256_of(path) != known["sha256"]:
        raise _damaged(path, "its content is not what was written")
    try:
        with pq.ParquetFile(
            path, read_dictionary=list(coded), page_checksum_verification=True
        ) as file:
            rows = file.read(columns=columns)
        rows = rows.select(columns) if columns else rows
    except (pa.ArrowException, OSError, KeyError) as error:
        raise damaged(path, error) from None
    if known and rows.num_rows != known["rows"]:
        raise _damaged(path, f"it has {rows.num_rows:,} rows, {known['rows']:,} were written")
    return rows


def _damaged(path: Path, why: str) -> DamagedError:
    return DamagedError(f"{path} of the store cannot be read ({why})")
