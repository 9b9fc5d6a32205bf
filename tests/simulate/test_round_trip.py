"""From the world's laps to exports and back through the reader: the same laps of the same cars."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.read import ReadOptions, read_export
from pipeline.simulate.exports import clocked_laps, shown_name, shown_number, write_exports
from pipeline.simulate.season import STYLES
from pipeline.simulate.timing import timed
from pipeline.simulate.world import run
from tests.simulate.worlds import day, kit

OPTIONS = ReadOptions(meeting="day", date="2026-03-07", timezone="Europe/Zurich")


@pytest.fixture(scope="module")
def world():
    return day(drivers=14, team=2, sessions="pqf")


@pytest.fixture(scope="module")
def timing(world):
    return timed(run(world, kit(world)), np.random.default_rng(1))


def read_back(world, timing, style, folder):
    exports = []
    for name, content in write_exports(world, timing, 0, style, np.random.default_rng(2)).items():
        (folder / name).write_bytes(content)
        exports.append(read_export(folder / name, OPTIONS))
    return exports


def expected_laps(world, timing, style):
    """driver as shown, session, lap, lap_s of every lap that this timing counts.

    From passings the reader mends a lap after a double passing; runs with one are left out.
    """
    rows = []
    for r, one in enumerate(world.runs):
        if style.layout == "passings" and timing.doubled[r]:
            continue
        driver = shown_name(world, one, style) if style.names else shown_number(world, one, style)
        session = world.session(one).name
        for lap, (lap_s, _) in enumerate(clocked_laps(world, timing, r, style), start=1):
            rows.append((driver, session, lap, lap_s))
    return pd.DataFrame(rows, columns=["driver", "session", "lap", "lap_s"])


@pytest.mark.parametrize("style", STYLES, ids=lambda style: f"{style.layout}-{style.language}")
def test_the_reader_finds_every_lap_of_every_driver(world, timing, style, tmp_path):
    style = replace(style, broken=0)
    exports = read_back(world, timing, style, tmp_path)
    laps = pd.concat([export.laps for export in exports])
    expected = expected_laps(world, timing, style)
    keys = ["driver", "session", "lap"]
    found = laps[[*keys, "lap_s"]].astype({"driver": "str", "session": "str", "lap": "int64"})
    both = found.merge(expected, on=keys, how="right", suffixes=("", "_meant"))
    assert len(both) == len(expected)
    np.testing.assert_allclose(both["lap_s"], both["lap_s_meant"], atol=6e-4)
    if not timing.doubled.any() or style.layout != "passings":
        assert len(found) == len(expected)


@pytest.mark.parametrize("style", STYLES, ids=lambda style: f"{style.layout}-{style.language}")
def test_damaged_rows_are_set_aside_and_no_other_is_lost(world, timing, style, tmp_path):
    exports = read_back(world, timing, style, tmp_path)
    for export in exports:
        assert export.rows_in == export.rows_kept + len(export.set_aside)
    laps = sum(len(export.laps) for export in exports)
    meant = sum(len(passings) - 1 for passings in timing.passings)
    assert meant - style.broken <= laps <= meant
