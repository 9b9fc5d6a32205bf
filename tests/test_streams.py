"""Streams of laps, however the rows stand, against a plain dictionary."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipeline.streams import KEYS, _distinct


@pytest.mark.parametrize("rows", [0, 1, 2, 300])
@pytest.mark.parametrize("together", [True, False])
def test_distinct_keys_are_those_of_a_dictionary(rows: int, together: bool) -> None:
    rng = np.random.default_rng(rows)
    frame = pd.DataFrame({name: rng.choice(["a", "b", None], rows) for name in KEYS}, dtype="str")
    if together:
        frame = frame.loc[np.repeat(frame.index, 3)]
    table = pa.Table.from_pandas(frame, pa.schema([(n, pa.string()) for n in KEYS]), False)
    found, code = _distinct(table)
    known: dict[tuple[str | None, ...], int] = {}
    keys = list(zip(*table.to_pydict().values(), strict=True))
    expected = [known.setdefault(key, len(known)) for key in keys]
    assert code.tolist() == expected
    assert [tuple(row) for row in found.astype(object).where(found.notna(), None).to_numpy()] == [
        *known
    ]
