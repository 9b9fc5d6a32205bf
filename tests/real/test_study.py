"""The study as a command on a made-up table, and what its page says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.real import beside, files, made_up, page, study, tyres
from tests.real.draws import Draw, Row, draw
from tests.real.races import Races, races_of
from tests.worlds.hostile import BY_NAME
from tests.worlds.parameters import Parameters
from tests.worlds.world import world


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("real") / "laps.parquet"
    made_up.table(meetings=3, cars=10, stints=4).to_parquet(place)
    return place


def test_the_labels_are_drawn_and_gone_on_with(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out.parquet"
    arguments = [str(path), "--parts", "labels", "--out", str(out), "--seed", "4", "--draws"]
    study.main([*arguments, "1"])
    first = pd.read_parquet(out)
    assert set(first["row"]) == {"1 meeting, 10 cars", "3 meetings, 4 cars"}
    study.main([*arguments, "2"])
    both = pd.read_parquet(out)
    assert set(both["number"]) == {0, 1}
    pd.testing.assert_frame_equal(both[both["number"] == 0].reset_index(drop=True), first)
    said = capsys.readouterr().out
    for words in (
        "## Nothing added",
        "## With a known effect",
        "a t test on laps",
        "1 meeting, 10",
    ):
        assert words in said


def draws_table() -> pd.DataFrame:
    """Four draws: three cover nothing, one is called an effect."""
    rows = [
        {"row": "3 meetings, 4 cars", "number": number, "effect": effect, "outcome": "pace",
         "estimate": 0.1, "ci_low": low, "ci_high": low + 0.4, "truth": true, "verdict": verdict,
         "t_test": p, "best": 0.5}
        for effect, true, lows in (
            ("nothing", 0.0, [-0.2, -0.1, -0.3, 0.1]),
            ("flagged laps out", 0.0, [-0.2, -0.1, -0.3, 0.1]),
            ("pace", 0.45, [0.2, 0.3, 0.1, 0.5]),
        )
        for number, (low, verdict, p) in enumerate(
            zip(lows, ["leaning slower", "not enough runs", "slower", "slower"],
                [0.01, 0.02, 0.3, 0.4], strict=True)
        )
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_shares_are_those_of_the_draws() -> None:
    table = draws_table()
    nothing, some = page.nothing_added(table), page.something_added(table)
    assert "| 3 meetings, 4 cars | 4 | 75.0 ± 23.6 |" in nothing
    assert "| 0.20 | 0.0 ± 18.6 |" in nothing
    assert "| 50.0 ± 25.0 | – | – | – | – | 50.0 ± 25.0 | 0.0 ± 18.6 |" in nothing
    assert "| pace | 0.45 s a lap | 4 | 75.0 ± 23.6 | 50.0 ± 25.0 | 0.0 ± 18.6 | 0.2 |" in some
    assert "| 0.2 | 22 ± 0 | 50.0 ± 25.0 | 0.0 ± 18.6 |" in some
    assert "is 1.00 times the one" in page.held(table)
    assert page.held(table[table["effect"] == "nothing"]) == ""


def test_tyres_come_out_in_their_order(path: Path) -> None:
    races = races_of(pd.read_parquet(path))
    found = tyres.study(races, seed=1, teams=1)
    everybody = found[(found["team"] == "all drivers") & (found["condition"] == "all")]
    by_level = everybody.set_index("level")
    assert by_level.loc["hard", "estimate"] == pytest.approx(0.8, abs=0.35)
    assert by_level.loc["soft", "estimate"] == pytest.approx(-0.8, abs=0.35)
    assert by_level.loc["hard", "verdict"] == "slower"
    assert set(found["team"]) == {"all drivers", "four drivers, 1"}
    assert "| all drivers | hard against medium | all |" in page.tyres(found)
    assert set(tyres.with_lengths(races)["grip"]) == {"low", "medium", "high"}


@pytest.fixture(scope="module")
def small() -> tuple[Races, Draw]:
    races = races_of(made_up.table(seed=3, meetings=2, cars=6))
    return races, draw(races, Row(2, 3), np.random.default_rng(5))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("layout", "order"), [("laps", "lot"), ("passings", "end"), ("grid", "end")]
)
def test_files_give_the_numbers_of_memory(
    layout: str, order: str, small: tuple[Races, Draw], tmp_path: Path
) -> None:
    world = small[1]
    written = files.write(world, tmp_path / "team", layout, order)
    laps, given = written.laps(), files.lap_rows(world).sort_values(files.KEYS, ignore_index=True)
    assert laps[files.KEYS].astype(str).equals(given[files.KEYS].astype(str))
    np.testing.assert_allclose(laps["lap_s"], given["lap_s"], atol=1e-3)
    memory = files.in_memory(world, clock=layout != "grid")
    assert files.largest_difference(memory, files.from_commands(written)) < 1e-6


def test_other_tables_are_told(small: tuple[Races, Draw]) -> None:
    table = files.in_memory(small[1])
    moved = table.assign(estimate=table["estimate"] + 0.5 * table["std_error"])
    pace = table["outcome"] == "pace"
    assert files.largest_difference(table[pace], moved[pace]) == pytest.approx(0.5)
    with pytest.raises(ValueError, match="rows or verdicts"):
        files.largest_difference(table, table.assign(verdict="faster"))
    with pytest.raises(ValueError, match="empty cells"):
        files.largest_difference(table, table.assign(estimate=np.nan))


def test_what_the_rule_finds_under_flags() -> None:
    stored = pd.DataFrame(
        [
            ("m", "Stint 1", "d", lap, 80.0 + 20 * (lap in (4, 6)), status, flag)
            for lap, (status, flag) in enumerate(
                [("first", "green"), ("clean", "green"), ("clean", "green"),
                 ("neutralised", "slow"), ("clean", "slow"), ("incident", "slow"),
                 ("neutralised", "green"), ("clean", "green")], start=1)
        ],
        columns=["meeting", "session", "driver", "lap", "lap_s", "status", "flag"],
    )  # fmt: skip
    said = page.recognised(stored)
    assert "Neutralised are 2 of 8 laps; 0 runs have no others." in said
    assert "Of 2 laps" in said and "50.0 % are neutralised" in said and "25.00 %" in said


def test_a_figure_has_its_place_among_the_worlds() -> None:
    table = beside.compared(races_of(made_up.table(stints=4, laps=14)), 12)
    assert table["share"].between(0, 1).all()
    assert len(table) == sum(
        len(shape.values) for shape in beside.shapes(races_of(made_up.table()))
    )
    laps = table[table["what"].str.startswith("laps of a run")]
    assert (laps["low"] < laps["high"]).all()
    far = table.assign(real=table["high"] + 1)
    assert f"0 of {len(far)} figures" in page.beside(far)
    assert f"{len(far)} of {len(far)} figures" in page.beside(table.assign(real=table["low"]))


def test_laps_that_the_field_drove_slowly_are_under_a_flag() -> None:
    factors = BY_NAME["plain"].parameters(np.random.default_rng(1)).factors
    held = Parameters(factors, slow_stretches=2.0, status_column=True)
    made = world(held, np.random.default_rng(2))
    races = beside.races_of_world(made)
    assert races.runs["laps"].sum() == len(races.laps) == len(made.laps)
    assert (races.laps["flag"] == "slow").sum() == (made.laps["status"] == "neutralised").sum() > 0
