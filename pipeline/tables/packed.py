"""A record of tables as one file: a zip of parquet, and JSON that says what is what. No code."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

CONTENT = "content.json"
# A fixed time stands in the zip, so that the same record gives the same bytes.
_TIME = (1980, 1, 1, 0, 0, 0)


def pack(record: Any) -> bytes:
    """A dataclass of tables, texts, numbers, tuples, dicts and further such records.

    Raises TypeError for a field of another kind, ValueError for a table that would not come back
    as it is.
    """
    frames: dict[str, bytes] = {}
    content = _told(record, "", frames)
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as file:
        for name, raw in {CONTENT: json.dumps(content).encode(), **frames}.items():
            file.writestr(zipfile.ZipInfo(name, _TIME), raw)
    return target.getvalue()


def unpack(raw: bytes, kinds: Sequence[type]) -> Any:
    """The record. kinds: the dataclasses that may stand in it. Raises ValueError for anything else
    than what `pack` made of these."""
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as file:
            known = {kind.__name__: kind for kind in kinds}
            return _made(json.loads(file.read(CONTENT)), file, known)
    except (zipfile.BadZipFile, KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"not a packed record: {error}") from None


def packed_frame(raw: bytes, name: str) -> pd.DataFrame:
    """One table of a packed record, by the name of its field."""
    with zipfile.ZipFile(io.BytesIO(raw)) as file:
        return _frame(file.read(f".{name}.parquet"))


def _told(value: Any, name: str, frames: dict[str, bytes]) -> Any:
    """What JSON says of a value; its tables go to `frames`."""
    if isinstance(value, np.generic):
        return value.item()
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, tuple):
        return {"tuple": [_told(one, f"{name}.{i}", frames) for i, one in enumerate(value)]}
    if isinstance(value, Mapping):
        pairs = enumerate(value.items())
        return {"dict": [[k, _told(v, f"{name}.{i}", frames)] for i, (k, v) in pairs]}
    if is_dataclass(value) and not isinstance(value, type):
        held = {f.name: _told(getattr(value, f.name), f"{name}.{f.name}", frames)
                for f in fields(value)}  # fmt: skip
        return {"record": type(value).__name__, "fields": held}
    frames[f"{name}.parquet"] = _parquet(value)
    return {"table": f"{name}.parquet"}


def _made(told: Any, file: zipfile.ZipFile, kinds: Mapping[str, type]) -> Any:
    if not isinstance(told, dict):
        return told
    if "tuple" in told:
        return tuple(_made(one, file, kinds) for one in told["tuple"])
    if "dict" in told:
        return {key: _made(one, file, kinds) for key, one in told["dict"]}
    if "record" in told:
        held = {name: _made(one, file, kinds) for name, one in told["fields"].items()}
        return kinds[told["record"]](**held)
    return _frame(file.read(told["table"]))


def _parquet(frame: Any) -> bytes:
    import pandas as pd
    import pyarrow as pa
    import pyarrow.parquet as pq

    if not isinstance(frame, pd.DataFrame):
        raise TypeError(f"cannot be packed: {frame!r:.80}")
    target = pa.BufferOutputStream()
    pq.write_table(pa.Table.from_pandas(frame), target, compression="zstd")
    raw = bytes(target.getvalue().to_pybytes())
    try:
        pd.testing.assert_frame_equal(frame, _frame(raw), check_exact=True, check_freq=False)
    except AssertionError as error:
        raise ValueError(f"a table would not come back as it is: {error}") from None
    return raw


def _frame(raw: bytes) -> pd.DataFrame:
    import pyarrow as pa
    import pyarrow.parquet as pq

    # One thread: waking others takes longer than so small tables do.
    return pq.read_table(pa.BufferReader(raw), use_threads=False).to_pandas()
