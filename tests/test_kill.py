"""A process that dies at any moment leaves a store that opens, with all of an import or none."""

import os

import pytest

from tests.kill import study


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system that forks")
def test_thirty_kills_leave_whole_stores(tmp_path):
    count = study(tmp_path / "team", kills=30, seed=3)
    assert count["before"] + count["after"] == 30
    assert count["neither"] == count["unlike"] == 0
    assert count["before"] > 0
    assert count["after"] > 0
