"""Two conditions that were the same runs are said to be inseparable, once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.models.season import Found, analyse, estimate
from pipeline.report.same_runs import said_once
from pipeline.tables.conditions import condition_words
from pipeline.tables.records import SeasonData
from pipeline.team.factors import NumberCondition
from tests.models import small_season

SENTENCE = (
    "Low grip and asphalt were the same 28 runs of the team: which of the two makes a difference "
    "cannot be told, and what is said of one holds for both together."
)


def met(grip: Sequence[str], surface: Sequence[str], temp: Sequence[float]) -> SeasonData:
    """Three meetings in these conditions."""
    data = small_season.season()
    meeting = data.runs["meeting"].str[-1].astype(int)
    own = {"grip": np.array(grip)[meeting], "surface": np.array(surface)[meeting]}
    runs = data.runs.assign(**own, track_temp=np.array(temp, float)[meeting])
    runs = runs.astype({"grip": "str", "surface": "str"})
    return replace(
        data, runs=runs, conditions=(NumberCondition("track_temp", "Track temperature"),)
    )


def mixed(found: Found) -> dict[str, str]:
    """Condition -> what all its rows with a number are mixed with."""
    table = found.effects_table().dropna(subset="estimate").fillna({"mixed_with": ""})
    rows = table.groupby("condition")["mixed_with"].unique()
    assert (rows.map(len) == 1).all()
    return {str(condition): cells[0] for condition, cells in rows.items()}


def test_one_meeting_of_low_grip_that_was_the_only_one_on_asphalt() -> None:
    data = met(("low", "high", "medium"), ("asphalt", "carpet", "carpet"), (20, 31, 22))
    found = estimate(data, ["pace"])
    assert mixed(found) == {
        "all": "", "grip=low": "surface=asphalt", "surface=asphalt": "grip=low",
        "grip=medium": "", "grip=high": "", "surface=carpet": "", "grip per step": "",
        "track_temp per step": "",
    }  # fmt: skip
    assert [note for note in found.notes() if "same" in note] == [SENTENCE]


def test_a_page_says_one_finding_under_both_names_and_the_other_conditions_as_they_are() -> None:
    data = met(("low", "high", "medium"), ("asphalt", "carpet", "carpet"), (20, 31, 22))
    whole = analyse(data, outcomes=["pace"], by_driver=False)
    once = said_once(whole)
    both = "grip=low & surface=asphalt"
    assert condition_words(both) == "at low grip or on asphalt (the same runs)"
    words = "from one step of track temp to the next"
    assert condition_words("track_temp per step") == words
    before, after = whole.effects.set_index("condition"), once.effects.set_index("condition")
    assert set(before.index) - set(after.index) == {"grip=low", "surface=asphalt"}
    assert after.loc[both, "estimate"].equals(
        before.loc["grip=low", "estimate"].rename({"grip=low": both})
    )
    assert after.loc[both, "mixed_with"].isna().all() and after.loc[both, "estimate"].notna().all()
    others = after.index.difference([both])
    assert after.loc[others].equals(before.loc[others])


def test_a_low_meeting_on_carpet_too_separates_them() -> None:
    data = met(("low", "high", "low"), ("asphalt", "carpet", "carpet"), (20, 31, 22))
    found = estimate(data, ["pace"], ["grip", "surface"])
    assert not any(mixed(found).values())
    assert not any("same" in note for note in found.notes())


def test_two_words_and_two_surfaces_that_go_together_are_one_sentence() -> None:
    data = met(("low", "high", "high"), ("asphalt", "carpet", "carpet"), (20, 31, 22))
    found = estimate(data, ["pace"], ["grip", "surface"])
    assert mixed(found)["grip=high"] == "surface=carpet"
    (note,) = [note for note in found.notes() if "same" in note]
    assert note.startswith(
        "Low grip and asphalt were the same 28 runs, high grip and carpet were the same 56 runs of"
    )


def test_a_temperature_that_rose_with_the_grip_cannot_be_told_from_it() -> None:
    data = met(("low", "high", "medium"), ("carpet",) * 3, (20.5, 29.8, 25))
    found = estimate(data, ["pace"])
    assert mixed(found)["grip per step"] == "track_temp per step"
    assert mixed(found)["track_temp per step"] == "grip per step"
    assert [note for note in found.notes() if "together" in note] == [
        "Grip and track temperature rose and fell together: which of the two moves an effect "
        "cannot be told, and it is shown by both."
    ]
