"""Streams of laps, however the rows stand, against a plain dictionary."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipeline.store.parquet import open_store
from pipeline.store.streams import KEYS, _distinct
from pipeline.tables.schema import LAPS
from tests.laps import heat, stored

CODES = pa.dictionary(pa.int32(), pa.string())


@pytest.mark.parametrize("rows", [0, 1, 2, 300])
@pytest.mark.parametrize("together", [True, False])
@pytest.mark.parametrize("coded", [True, False])
def test_distinct_keys_are_those_of_a_dictionary(rows: int, together: bool, coded: bool) -> None:
    rng = np.random.default_rng(rows)
    frame = pd.DataFrame({name: rng.choice(["a", "b", None], rows) for name in KEYS}, dtype="str")
    if together:
        frame = frame.loc[np.repeat(frame.index, 3)]
    plain = pa.Table.from_pandas(frame, pa.schema([(n, pa.string()) for n in KEYS]), False)
    table = plain.cast(pa.schema([(n, CODES) for n in KEYS])) if coded else plain
    found, code = _distinct(table)
    known: dict[tuple[str | None, ...], int] = {}
    keys = list(zip(*table.to_pydict().values(), strict=True))
    expected = [known.setdefault(key, len(known)) for key in keys]
    assert code.tolist() == expected
    assert [tuple(row) for row in found.astype(object).where(found.notna(), None).to_numpy()] == [
        *known
    ]


def test_coded_laps_of_several_meetings_say_what_plain_ones_do(tmp_path) -> None:
    stored(
        tmp_path,
        heat("Q1", "09:00:00", {"101 Ann": [18.0, 16.0], "Bo": [17.0, 35.0]}),
        heat("Q2", None, {"7 Cy": [17.0]}, named=False),
        heat("Final", "10:00:00", {"Ann": [18.0, 16.1]}, meeting="summer", kind="final"),
    )
    store = open_store(tmp_path)
    coded = store.arrow("laps", coded=True)
    assert coded.schema.field("status").type == CODES
    assert coded.cast(LAPS.arrow()).to_pylist() == store.arrow("laps").to_pylist()
    few = store.arrow("laps", ["summer", "nowhere"], ["driver", "lap_s"], coded=True)
    assert few.to_pydict() == {"driver": ["Ann", "Ann"], "lap_s": [18.0, 16.1]}
    assert store.arrow("laps", [], ["driver"], coded=True).schema.field("driver").type == CODES
