"""What the data can tell: designs drawn as one letter a run, and the sentence they must get."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.models.identify import tell_apart
from pipeline.models.season import analyse
from pipeline.tables.records import SeasonData
from pipeline.team.folder import Factor
from tests.models.small_season import draw_laps, typed

LEVELS = ("soft", "hard")
FACTORS = tuple(
    Factor(name=n, label=label, kind="category", levels=LEVELS, reference="soft")
    for n, label in (("bar", "Rear bar"), ("spring", "Front springs"))
)
LETTERS = {"s": "soft", "h": "hard", "-": None}
SPRINGS = "shhshsshsh"  # what the other factor does where it does not matter
CLOCKS = (0, 1, 1, 0, 1, 0, 0, 1)  # drivers are not all in the same heat


def day(
    bars: dict[str, list[str]], springs: dict[str, list[str]] | None = None, rivals: int = 8
) -> SeasonData:
    """Meetings as lists of a letter a run for each team driver: {'Ada': ['sshh', 'hshs']}."""
    rows = []
    meetings = len(next(iter(bars.values())))
    turns = max(len(text) for texts in bars.values() for text in texts)
    for m in range(meetings):
        for d, (name, texts) in enumerate(bars.items()):
            text = texts[m]
            other = (springs or {}).get(name, [SPRINGS[d:] + SPRINGS] * meetings)[m]
            for turn, letter in enumerate(text):
                rows.append((m, turn, name, True, d, LETTERS[letter], LETTERS[other[turn]]))
        for d in range(rivals):
            rows += [(m, t, f"rival {d}", False, d, None, None) for t in range(turns)]
    return _data(pd.DataFrame(rows, columns=["m", "turn", "driver", "team", "d", "bar", "spring"]))


def _data(rows: pd.DataFrame) -> SeasonData:
    rng = np.random.default_rng(1)
    hour = 9 + rows["turn"] + 0.3 * np.take(CLOCKS, rows["d"] % len(CLOCKS))
    date = [f"2026-03-{m + 1:02d}" for m in rows["m"]]
    runs = pd.DataFrame(
        {
            "meeting": [f"meeting {m}" for m in rows["m"]],
            "date": date,
            "class": "",
            "session": [f"round {t}" for t in rows["turn"]],
            "session_kind": "test",
            "heat": [f"heat {d % 3}" for d in rows["d"]],
            "driver": rows["driver"],
            "team": rows["team"],
            "run_no": rows["turn"] + 1,
            "hour": hour,
            "hour_known": True,
            "start": [f"{d}T{int(h):02}:00:00" for d, h in zip(date, hour, strict=True)],
            "surface": "carpet",
            "grip": None,
            "excluded": None,
            "bar": rows["bar"],
            "spring": rows["spring"],
        }
    )
    pace = 15 + rng.normal(0, 0.08, len(runs))
    return SeasonData(typed(runs), draw_laps(rng, pace, np.full(len(runs), 0.2)), FACTORS)


def told(data: SeasonData, factor: str = "bar") -> pd.Series:
    table = tell_apart(data)
    return table[table["factor"] == factor].iloc[0]


def test_a_well_mixed_change_can_be_told() -> None:
    row = told(day({"Ada": ["shhshssh"], "Ben": ["hsshshhs"]}))
    assert row["sentence"] == ""
    assert row["mixed_with"] == ""
    assert 0.35 < row["information_left"] < 1
    assert row["n_switches"] == 10


@pytest.mark.parametrize(
    ("bars", "springs", "rivals", "mixed_with", "words"),
    [
        pytest.param(
            {"Ada": ["ssssssss"], "Ben": ["ssssssss"]}, None, 8, "", "never run", id="never changed"
        ),
        pytest.param(
            {"Ada": ["hhhhhhhh"], "Ben": ["hhhhhhhh"]}, None, 8, "", "never changed", id="always on"
        ),
        pytest.param(
            {"Ada": ["ssssssss"], "Ben": ["hhhhhhhh"]}, None, 8, "driver", "kept to one setting",
            id="a setting each",
        ),
        pytest.param(
            {"Ada": ["ssss", "hhhh"], "Ben": ["ssss", "hhhh"]}, None, 8, "grip",
            "only between meetings", id="between meetings",
        ),
        pytest.param(
            {"Ada": ["sssshhhh"], "Ben": ["ssssssss"]}, None, 8, "grip", "changed once",
            id="one driver once",
        ),
        pytest.param(
            {"Ada": ["sssshhhh"], "Ben": ["sssshhhh"]}, None, 0, "grip", "only with the clock",
            id="with the clock, nobody else on the track",
        ),
        pytest.param(
            {"Ada": ["sssshhhh"], "Ben": ["sssshhhh"]}, None, 8, "grip", "in one break",
            id="with the clock, one break",
        ),
        pytest.param(
            {"Ada": ["shhshssh"], "Ben": ["hsshshhs"]},
            {"Ada": ["shhshssh"], "Ben": ["hsshshhs"]}, 8, "spring",
            "always changed together with Front springs", id="with another",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_told_gets_its_sentence(
    bars: dict[str, list[str]],
    springs: dict[str, list[str]] | None,
    rivals: int,
    mixed_with: str,
    words: str,
) -> None:
    row = told(day(bars, springs, rivals))
    assert words in row["sentence"]
    assert row["mixed_with"] == mixed_with


def test_what_cannot_be_told_has_no_number_in_any_outcome() -> None:
    mixed = {"Ada": ["shhshssh"], "Ben": ["hsshshhs"]}
    effects = analyse(day(mixed, mixed)).effects
    assert set(effects["verdict"]) == {"not separable"}
    numbers = ["estimate", "std_error", "df", "ci_low", "ci_high", "p_value", "q_value"]
    assert effects[numbers].isna().all().all()
    assert (effects["n_runs"] > 0).all()
    assert set(zip(effects["factor"], effects["mixed_with"], strict=True)) == {
        ("bar", "spring"),
        ("spring", "bar"),
    }


def test_the_field_tells_a_change_made_with_the_clock_at_several_meetings() -> None:
    bars = {"Ada": ["sssshhhh", "ssshhhhh"], "Ben": ["sssssshh", "sshhhhhh"]}
    assert told(day(bars, rivals=8))["sentence"] == ""
    assert (
        told(day(bars, rivals=0))["information_left"]
        < told(day(bars, rivals=8))["information_left"]
    )


def test_a_condition_is_judged_on_its_own_meetings() -> None:
    data = day({"Ada": ["shhshssh", "ssssssss"], "Ben": ["hsshshhs", "ssssssss"]})
    grip = np.where(data.runs["meeting"] == "meeting 0", "low", "high")
    effects = analyse(replace(data, runs=data.runs.assign(grip=grip))).effects
    pace = effects[(effects["outcome"] == "pace") & (effects["factor"] == "bar")]
    by_condition = pace.set_index("condition")
    assert np.isfinite(by_condition.at["grip=low", "estimate"])
    assert np.isnan(by_condition.at["grip=high", "estimate"])
    assert by_condition.at["grip=high", "verdict"] == "not enough runs"
