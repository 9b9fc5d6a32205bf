"""Every variant of the corpus gives the same heat."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.read import Export, ReadOptions, read_export
from pipeline.read.synonyms import IGNORED
from tests.read.corpus import VARIANTS, Variant
from tests.read.heat import LAPS, START


def read(variant: Variant, folder: Path) -> Export:
    path = folder / variant.file
    path.write_bytes(variant.text.encode(variant.encoding))
    options = {"date": "2026-03-28", "timezone": "Europe/Berlin", **variant.options}
    return read_export(path, ReadOptions(meeting="spring", **options))


@pytest.mark.parametrize("variant", VARIANTS, ids=lambda v: v.name)
def test_variant_gives_the_heat(variant: Variant, tmp_path: Path) -> None:
    export = read(variant, tmp_path)
    laps = export.laps
    assert export.understood.layout == variant.layout
    assert export.warnings == () or "reverse" in export.warnings[0]
    assert len(export.set_aside) == 0
    assert export.rows_in == export.rows_kept == 16 + 2 * (variant.layout == "passings")
    assert set(laps["session"]) == {variant.session}
    assert set(laps["session_kind"]) == {variant.kind}
    assert sorted(set(laps["driver"])) == sorted(variant.people)
    for person, times in zip(variant.people, LAPS.values(), strict=True):
        own = laps[laps["driver"] == person].sort_values("lap")
        np.testing.assert_allclose(own["lap_s"], times, atol=6e-4)
        assert own["lap"].tolist() == list(range(1, 9))
        np.testing.assert_allclose(own["elapsed_s"], np.cumsum(times), atol=5e-3)
        assert own["status"].tolist()[0] == "first"
        if variant.clock:
            local = own["at"].dt.tz_convert("Europe/Berlin")
            expected = pd.Timestamp("2026-03-28", tz="Europe/Berlin") + pd.to_timedelta(
                START + np.cumsum(times), unit="s"
            )
            assert np.abs((local.array - expected).total_seconds()).max() < 1.0
        else:
            assert own["at"].isna().all()


def test_the_corpus_is_wide() -> None:
    assert len(VARIANTS) >= 40
    assert {v.layout for v in VARIANTS} == {"laps", "passings", "grid"}
    assert len({v.name for v in VARIANTS}) == len(VARIANTS)


def test_headings_to_ignore_stand_by_the_alphabet() -> None:
    """So that no two stand together as some export has them."""
    words = [" ".join(word.split()) for word in IGNORED.split(";")]
    assert words == sorted(words, key=lambda word: (not word.isascii(), word))
    assert len(words) == len(set(words)) > 250
