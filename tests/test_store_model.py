"""The store against a dictionary: any order of imports, corrections and undoing."""

import dataclasses
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.store.parquet import Store
from tests.laps import heat

MEETINGS = ("spring", "../x")
STEPS = st.lists(
    st.tuples(
        st.sampled_from(["put", "remove", "undo"]),
        st.sampled_from(MEETINGS),
        st.sampled_from(["Q1", "Q2"]),
        st.integers(1, 3),
    ),
    max_size=7,
)


@settings(max_examples=15, deadline=None)
@given(STEPS)
def test_the_store_is_a_dictionary_of_files(steps):
    with tempfile.TemporaryDirectory() as folder:
        store, model = Store(Path(folder) / "store"), {}
        for what, meeting, session, laps in steps:
            batch = heat(session, "10:00", {"1 A": [16.0] * laps}, meeting=meeting)
            source = batch.records[0].source
            if what == "put":
                store.put(meeting, batch)
                model[meeting, source] = laps
            elif what == "remove":
                gone = store.remove(meeting, [source])
                assert len(gone) == (model.pop((meeting, source), None) is not None)
            else:
                store.remove(meeting)
                model = {key: laps for key, laps in model.items() if key[0] != meeting}
        counts = store.read("laps").groupby(["meeting", "source"]).size().to_dict()
        assert counts == model
        assert {(m, r.source): r.laps for m, r in store.all_imports()} == model
        assert store.meetings() == sorted({meeting for meeting, _ in model})


def test_frozen_records_compare_by_value():
    record = heat("Q1", None, {"1 A": [16.0]}).records[0]
    assert record == dataclasses.replace(record)
