import dataclasses

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipeline.read import ReadOptions, read_export
from pipeline.read.by_run import joined
from pipeline.tables.schema import LAPS
from tests.exports import laps_csv
from tests.laps import heat, stored

OPTIONS = ReadOptions("spring", date="2026-04-18")


@pytest.fixture
def export(tmp_path):
    return read_export(laps_csv(tmp_path / "q1.csv", start=""), OPTIONS)


def test_codes_stand_for_the_texts_they_had(export):
    table = export.by_run.table()
    assert table.schema.equals(LAPS.arrow(coded=True))
    pd.testing.assert_frame_equal(LAPS.conform(table.cast(LAPS.arrow()).to_pandas()), export.laps)
    texts = table["driver"].combine_chunks()
    assert len(texts.dictionary) == 3
    assert texts.to_pylist() == np.repeat(["Ann Arbor", "Bo Burg", "Cy Coe"], 6).tolist()


def test_the_first_laps_are_those_of_the_whole(export):
    whole = export.by_run.table()
    for count in (0, 3, 7, 100):
        assert export.by_run.head(count).to_pylist() == whole.slice(0, count).to_pylist()


def test_an_empty_text_is_null_only_where_it_may_be(tmp_path):
    path = tmp_path / "q1.csv"
    path.write_text(
        "Transponder,Driver,Lap,Lap time\n7,,1,16.2\n7,,2,16.1\n,Bo,1,17.0\n,Bo,2,16.9\n"
    )
    laps = joined([read_export(path, OPTIONS).by_run] * 2).table()
    assert laps["transponder"].to_pylist() == ["7", "7", None, None] * 2
    assert laps["name_as_given"].to_pylist() == [None, None, "Bo", "Bo"] * 2
    assert laps["heat"].to_pylist() == [""] * 8


def test_codes_and_texts_are_the_same_bytes_in_the_store(tmp_path, export):
    q1 = heat("Q1", "10:00", {"1 A": [16.0]}, source="q1.csv")
    written = []
    for name, laps in (("codes", export.by_run.table()), ("texts", export.laps)):
        store = stored(tmp_path / name, dataclasses.replace(q1, laps=laps))
        written.append((store.folder / "laps" / "spring.parquet").read_bytes())
    assert written[0] == written[1]


def test_coded_rows_are_checked_as_frames_are(export):
    table = export.by_run.table()
    place = LAPS.names.index("status")
    for wrong, message in ((pa.nulls(18, pa.string()), "empty in 18 rows"), ("fast", "'fast'")):
        column = wrong if isinstance(wrong, pa.Array) else pa.repeat(wrong, 18)
        with pytest.raises(ValueError, match=message):
            LAPS.rows(table.set_column(place, "status", column))
    number = LAPS.names.index("lap_s")
    with pytest.raises(ValueError, match="empty in 18 rows"):
        LAPS.rows(table.set_column(number, "lap_s", pa.array(np.full(18, np.nan))))
