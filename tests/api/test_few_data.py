"""Seasons of a handful of runs: what cannot be told is said in a sentence, and all else stands."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import pipeline
from pipeline.models.season import whole_result
from pipeline.models.stages import Watch
from pipeline.tables.outcomes import NOT_ENOUGH, NOT_SEPARABLE
from tests.commands import run
from tests.exports import laps_csv
from tests.folders import team_folder

BAR = {"name": "bar", "kind": "ordered", "levels": ["1.2", "1.3"], "reference": "1.2"}
FEW = "Too few runs ("


def tiny(seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One to three cars in one or two meetings of one to six runs each, of two laps to twelve."""
    rng = np.random.default_rng(seed)
    cars = int(rng.integers(1, 4))
    team = int(rng.integers(1, cars + 1))
    turns, meetings, laps = (int(rng.integers(*ends)) for ends in ((1, 7), (1, 3), (2, 13)))
    runs = pd.DataFrame(
        {
            "meeting": f"m{m}", "date": f"2026-0{m + 4}-18", "start": f"2026-0{m + 4}-18 1{r}:00",
            "session": f"Q{r + 1}", "session_kind": "qualifying", "run_no": r + 1,
            "driver": f"d{d}", "team": d < team, "surface": "carpet", "grip": ("low", "high")[m],
            "bar": ("1.2", "1.3")[rng.integers(2)] if d < team else None,
        }
        for m in range(meetings) for d in range(cars) for r in range(turns)
    )  # fmt: skip
    n = len(runs) * laps
    lost = np.where(rng.random(n) < 0.07, rng.uniform(2, 9, n), 0.0)
    lap_s = 16 + rng.normal(0, 0.15, n) * (rng.random(n) < 0.9) + lost
    run, lap = np.divmod(np.arange(n), laps)
    return runs, pd.DataFrame({"run": run, "lap": lap + 1, "lap_s": lap_s.round(3)})


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("seed", [0, 34, 37, 38, 61, 81, 233])
def test_a_tiny_season_ends_in_tables(seed: int) -> None:
    runs, laps = tiny(seed)
    found = pipeline.analyse(runs, laps, [BAR])
    effects = found.effects
    numbers = effects[["estimate", "std_error", "ci_low", "ci_high", "p_value"]].notna()
    assert (numbers.all(axis=1) | ~numbers.any(axis=1)).all()
    without = effects[~numbers.any(axis=1)]
    assert set(without["verdict"]) <= {NOT_ENOUGH, NOT_SEPARABLE}
    assert len(found.runs) == len(runs)
    chances = found.choices["chance_best"].dropna()
    assert chances.between(0, 1).all()
    whole_result(found.found, True, Watch(None))
    linear = {"pace", "spread", "fade", "race"} if len(effects) else set()
    assert any(FEW in note for note in found.notes) >= (not linear <= set(found.found.fits))


@pytest.mark.filterwarnings("error")
def test_the_command_says_so_and_goes_on(tmp_path: Path) -> None:
    log = "meeting,driver,run,rear_bar\nspring,Ann Arbor,1,1.3\n"
    folder = team_folder(tmp_path / "team", setups=log)
    export = laps_csv(tmp_path / "q1.csv", {"101 Ann Arbor": [16.0, 16.31, 16.17, 16.07, 16.02]})
    run("--team", folder, "import", export, "--meeting", "spring")
    said = run("--team", folder, "season")
    assert said.status == 0 and (folder / "reports" / "season" / "index.html").exists()
    assert f"{FEW}1), or too short or too much alike, to tell anything of" in said.err
