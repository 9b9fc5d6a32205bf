"""Seasons of a team folder, the small version of the study, and what is kept of earlier ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.errors import CallError, UserError
from pipeline.models.season import estimate
from pipeline.models.with_seasons import as_earlier, with_seasons
from pipeline.public.earlier import earlier_seasons
from pipeline.team.folder import load_team
from pipeline.team.seasons import NamedSeason, divide
from tests.api.test_teams import filled
from tests.folders import TOML, team_folder
from tests.seasons.estimates import drawn, held
from tests.seasons.study import narrowed
from tests.seasons.world import Kind, world

YEARS = [
    NamedSeason("2026", "2026-01-01", "2026-12-31", 8),
    NamedSeason("2024", "2024-01-01", "2024-12-31"),
    NamedSeason("2025", "2025-01-01", "2025-12-31"),
]
BEGAN = [("old", "2024-03-01"), ("older", "2024-05-01"), ("mid", "2025-04-01"),
         ("stray", "2023-01-01"), ("new", "2026-02-01")]  # fmt: skip
SEASON = """
[[season]]
name = "Cold"
from = 2026-01-01
until = 2026-05-31
[[season]]
name = "Warm"
from = "01.06.2026"
until = "2026-12-31"
meetings = 4
"""


def test_the_last_meetings_season_is_looked_at_with_those_before_it() -> None:
    found = divide(YEARS, BEGAN)
    assert (found.present, found.meetings, found.planned) == ("2026", ("new",), 8)
    assert found.earlier == (("2024", ("old", "older")), ("2025", ("mid",)))
    assert "stray" in found.notes[0]


def test_one_season_by_name_does_not_know_later_ones() -> None:
    found = divide(YEARS, BEGAN, "2025")
    assert (found.present, found.meetings) == ("2025", ("mid",))
    assert found.earlier == (("2024", ("old", "older")),)
    assert found.planned == 2  # as many as the season before


@pytest.mark.parametrize(("given", "spoke"), [
    ({"alone": True}, []), ({"without": ["2024"]}, ["2025"]), ({"without": ["2025"]}, ["2024"]),
])  # fmt: skip
def test_seasons_are_left_out_when_asked(given: dict, spoke: list[str]) -> None:
    found = divide(YEARS, BEGAN, **given)
    assert [name for name, _ in found.earlier] == spoke
    assert any(note.startswith("left out, as was asked") for note in found.notes)


@pytest.mark.parametrize("given", [{"name": "2020"}, {"without": ["2020"]}])
def test_an_unknown_season_is_a_wrong_call(given: dict) -> None:
    with pytest.raises(CallError, match="no season '2020': 2024, 2025, 2026"):
        divide(YEARS, BEGAN, **given)


def test_seasons_of_a_folder_are_read(tmp_path: Path) -> None:
    team = load_team(team_folder(tmp_path, toml=TOML + SEASON))
    assert team.seasons == (
        NamedSeason("Cold", "2026-01-01", "2026-05-31"),
        NamedSeason("Warm", "2026-06-01", "2026-12-31", 4),
    )


@pytest.mark.parametrize(("was", "is_now", "found"), [
    ("2026-05-31", "2026-06-10", "share days"), ('"Warm"', '"cold"', "a second time"),
    ("2026-12-31", "2026-05-01", "not before 2026-06-01"), ("= 4", "= 0", "greater than or equal"),
    ('"01.06.2026"', '"soon"', "a date as"), ("meetings", "meeting", "meetings"),
])  # fmt: skip
def test_faults_of_seasons_have_their_place(
    tmp_path: Path, was: str, is_now: str, found: str
) -> None:
    folder = team_folder(tmp_path, toml=TOML + SEASON.replace(was, is_now))
    with pytest.raises(UserError) as caught:
        load_team(folder)
    assert any(found in str(problem) and problem.line for problem in caught.value.problems)


def test_a_renewed_part_is_not_known_before(tmp_path: Path) -> None:
    filled(tmp_path)
    toml = (tmp_path / "team.toml").read_text()
    renewed = toml.replace('unit = "mm"', 'unit = "mm"\nrenewed = 2026-06-01', 1)
    assert renewed != toml
    (tmp_path / "team.toml").write_text(renewed)
    import pipeline

    runs = pipeline.open_team(tmp_path).join().data.runs
    ann = runs[runs["driver"] == "Ann Arbor"].set_index("meeting")["rear_bar"]
    assert ann["spring"].isna().all() and (ann["summer"] == "1.3").all()


def test_a_folders_meetings_go_to_their_seasons(tmp_path: Path) -> None:
    filled(tmp_path)
    with (tmp_path / "team.toml").open("a") as file:
        file.write(SEASON)
    import pipeline

    joined = pipeline.open_team(tmp_path).join()
    warm = joined.of_season()
    assert set(warm.data.runs["meeting"]) == {"summer"} and warm.data.meetings_planned == 4
    assert [name for name, _ in warm.earlier] == ["Cold"]
    assert set(warm.earlier[0][1].runs["meeting"]) == {"spring"}
    assert joined.of_season("cold").earlier == () == joined.of_season(without=["Cold"]).earlier
    assert joined.of_season("Warm", alone=True).options == '--name "Warm" --alone'
    assert set(joined.data.runs["meeting"]) == {"spring", "summer"}


@pytest.fixture(scope="module")
def two() -> tuple:
    found = world(Kind(factors=2, earlier=1, between_seasons=0.01), np.random.default_rng(4))
    fitted = [estimate(data, ["pace"], []) for data in found.seasons]
    return found, fitted


def test_the_numbers_of_this_season_alone_stand_beside(two: tuple) -> None:
    _, (before, now) = two
    joined = with_seasons(now, [as_earlier("2020", before)])
    table, alone = joined.effects_table(), now.effects_table()
    names = {"alone_estimate": "estimate", "alone_low": "ci_low", "alone_high": "ci_high"}
    for column, own in names.items():
        np.testing.assert_allclose(table[column], alone[own])
        np.testing.assert_allclose(alone[column], alone[own])
    assert joined.earlier == ("2020",) and joined.narrowed is not None
    assert (table["ci_high"] - table["ci_low"] < alone["ci_high"] - alone["ci_low"]).all()
    assert table["n_meetings"].tolist() == alone["n_meetings"].tolist()


def test_what_an_earlier_season_says_is_kept_and_the_same(two: tuple, tmp_path: Path) -> None:
    found, (_, now) = two
    asked = (("2020", found.seasons[0]),)
    first = list(earlier_seasons(tmp_path, asked, keep=True))
    kept = list((tmp_path / "store" / "results").iterdir())
    assert len(kept) == 1
    again = list(earlier_seasons(tmp_path, asked, keep=False))
    one, other = (with_seasons(now, seasons).effects_table() for seasons in (first, again))
    pd.testing.assert_frame_equal(one, other)
    # Of other data nothing is taken, of a damaged file neither.
    laps = found.seasons[0].laps.assign(lap_s=found.seasons[0].laps["lap_s"] + 0.001)
    changed = (("2020", type(found.seasons[0])(**{**vars(found.seasons[0]), "laps": laps})),)
    told = next(iter(earlier_seasons(tmp_path, changed, keep=False))).told
    assert told != again[0].told
    kept[0].write_text(kept[0].read_text()[:-40])
    mended = list(earlier_seasons(tmp_path, asked, keep=False))
    assert mended[0].told.keys() == first[0].told.keys()


def test_earlier_seasons_narrow_where_effects_persist() -> None:
    """The small version of the study: 12 seasons of two contrasts, bounds at 4 standard errors."""
    kind = Kind(factors=2, between_meetings=0.03, earlier=2, meetings=3, between_seasons=0.02)
    found = [narrowed(world(kind, np.random.default_rng([9, n]))) for n in range(12)]
    held, alone, ratio = np.mean(found, axis=0)
    assert ratio < np.log(0.9)
    assert held > 0.95 - 4 * np.sqrt(0.05 * 0.95 / 24) and alone > 0.75


def test_drawn_estimates_are_held_by_earlier_seasons() -> None:
    """400 contrasts of two at once; bounds at 4 standard errors."""
    rng = np.random.default_rng(8)
    found = [one for _ in range(200) for one in held(*drawn(0.05, 2, rng))]
    both, alone, ratio = np.mean(found, axis=0)
    assert both > 0.95 - 4 * np.sqrt(0.05 * 0.95 / 400) and alone > 0.9
    assert -0.4 < ratio < -0.05
