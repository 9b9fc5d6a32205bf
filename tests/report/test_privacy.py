"""Nobody else's name or transponder in a driver's file, however it got there."""

from __future__ import annotations

import html as html_module
from dataclasses import replace

import pandas as pd
import pytest

from pipeline.report.privacy import (
    MATE,
    NUMBER,
    RIVAL,
    Others,
    context_for_driver,
    for_driver,
    leaks,
    others_of,
)
from pipeline.report.render import render
from pipeline.report.share_page import share_page
from pipeline.tables.records import SeasonResult
from tests.report import made_up

DRIVER = "Ida Holm"
CONSENTING = "Per Nowak"
HOSTILE = [
    "<script>alert(1)</script>",
    "../../etc/passwd",
    '=HYPERLINK("x")',
    "Zoë Ångström-Íñigo",
    "柏 溪岚",
    "O'Tarvey & Sons",
    "Jean $Luc$ \\frac{1}{2}",
    "Rae\u202eEvil",
    "9031775",
]
TRANSPONDERS = ["4410932", "7701234", "9031775"]


def others(result: SeasonResult, driver: str = DRIVER) -> Others:
    spellings = {"Samir Aziz": ["AZIZ, Samir", "S. Aziz jun"], "Bo Lindqvist": ["LINDQVIST BO"]}
    return others_of(driver, result.runs, [CONSENTING], spellings, TRANSPONDERS)


def hide(**names: set[str]) -> Others:
    empty: dict[str, set[str]] = {"mates": set(), "rivals": set(), "numbers": set()}
    return Others(frozenset({DRIVER}), **{k: frozenset(v) for k, v in (empty | names).items()})


def page(result: SeasonResult, driver: str = DRIVER) -> str:
    hidden = others(result, driver)
    own = for_driver(result, driver, hidden)
    return render(share_page(own, context_for_driver(made_up.context(), hidden), driver))


def hostile_season() -> SeasonResult:
    """Names of others wherever a user's text can stand."""
    result = made_up.season()
    renamed = dict(zip(made_up.RIVALS, HOSTILE, strict=False))
    more = result.runs[result.runs["driver"] == made_up.RIVALS[0]]
    extra = [more.assign(driver=name) for name in HOSTILE[len(made_up.RIVALS) :]]
    runs = pd.concat([result.runs.replace({"driver": renamed}), *extra], ignore_index=True)
    everyone = [*HOSTILE, "Samir Aziz", "June Okafor", "AZIZ, Samir", "LINDQVIST BO", *TRANSPONDERS]
    text = "; ".join(everyone)
    runs["session"] = runs["session"] + f" after {text}"
    runs.loc[runs["driver"] == DRIVER, "excluded"] = f"hit by {text}"
    runs.loc[runs["driver"] == DRIVER, "springs"] = f"set of {text}"
    claims = result.claims.assign(text=f"Samir says, and {text} agree")
    cannot = result.cannot_tell.assign(sentence=f"always changed with {text}")
    names = dict.fromkeys(runs["meeting"].unique(), f"cup of {text}")
    return replace(
        result,
        runs=runs.replace({"meeting": names}),
        grip=result.grip.replace({"meeting": names}),
        lap_counts=result.lap_counts.replace({"meeting": names}),
        claims=claims,
        cannot_tell=cannot,
        notes=(f"Ran with {text}.",),
    )


def test_the_made_up_team_and_field_are_absent() -> None:
    """One who agreed too, as long as others did not: of a partial list the missing are known."""
    text = page(made_up.season())
    assert DRIVER in text
    hidden = [CONSENTING, "Samir Aziz", "June Okafor", *made_up.RIVALS]
    assert [name for name in hidden if name in text] == []
    assert MATE not in text


@pytest.mark.parametrize("name", [*HOSTILE, "AZIZ, Samir", "LINDQVIST BO", *TRANSPONDERS])
def test_hostile_names_are_in_no_byte(name: str) -> None:
    text = hostile_page()
    for form in (name, html_module.escape(name), name.casefold()):
        assert form not in text and form.encode() not in text.encode()


_page: list[str] = []


def hostile_page() -> str:
    if not _page:
        _page.append(page(hostile_season()))
    return _page[0]


def test_first_names_go_where_people_write_freely() -> None:
    text = hostile_page()
    assert "Samir" not in text and "Aziz" not in text


def test_own_name_stays_though_a_rival_shares_a_part_of_it() -> None:
    hidden = hide(rivals={"Ida Petit"})
    assert hidden.scrub("Ida was behind Ida Petit and Petit", parts=True) == (
        f"Ida was behind {RIVAL} and {RIVAL}"
    )


def test_words_that_only_hold_a_name_stay() -> None:
    hidden = hide(mates={"Al Bar"}, rivals={"X"}, numbers={"12345"})
    assert hidden.scrub("Rear anti-roll bar 1.2, 0.12345, X and Barbara") == (
        "Rear anti-roll bar 1.2, 0.12345, X and Barbara"
    )
    assert hidden.scrub("al  BAR said 12345") == f"{MATE} said {NUMBER}"
    assert hidden.scrub("X") == RIVAL


def test_the_guard_sees_what_slipped_through() -> None:
    hidden = hide(mates={"Samir Aziz"}, numbers={"4410932"})
    assert leaks("<p>Samir\n Aziz, 4410932</p>", hidden) == ["Samir Aziz", "4410932"]
    assert leaks("<p>Ida Holm</p>", hidden) == []


def test_numbers_of_the_tables_are_untouched() -> None:
    result = made_up.season()
    own = for_driver(result, DRIVER, others(result))
    kept = [name for name in result.effects if not name.startswith("n_")]
    pd.testing.assert_frame_equal(own.effects, result.effects[kept])
    kept = result.runs[result.runs["driver"] == DRIVER]
    pd.testing.assert_series_equal(own.runs["corrected_s"], kept["corrected_s"])
    assert set(own.by_driver["driver"]) == {DRIVER}
