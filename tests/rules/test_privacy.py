"""Who and what may stand in one driver's file: each rule just kept and just broken."""

from __future__ import annotations

from dataclasses import fields

import pandas as pd
import pytest

from pipeline.report.privacy import Others, for_driver, leaks, others_of, scrubbed
from pipeline.tables.records import SeasonResult

MATE, RIVAL, NUMBER = "a team-mate", "another driver", "a transponder"


def hide(*shown: str, **names: set[str]) -> Others:
    empty: dict[str, set[str]] = {"mates": set(), "rivals": set(), "numbers": set()}
    kinds = {kind: frozenset(found) for kind, found in (empty | names).items()}
    return Others(frozenset(shown or {"Ida Holm"}), **kinds)


@pytest.mark.parametrize(
    ("text", "parts", "said"),
    [
        ("Bo Lund braked", False, f"{RIVAL} braked"),
        ("BO   lund braked", False, f"{RIVAL} braked"),
        ("Bo Lundgren braked", False, "Bo Lundgren braked"),
        ("aBo Lund braked", False, "aBo Lund braked"),
        ("behind Lund", False, "behind Lund"),
        ("behind Lund", True, f"behind {RIVAL}"),
        ("behind Bo", True, "behind Bo"),  # two letters are no name in a sentence
        ("behind Aziz", True, f"behind {MATE}"),
        ("behind Sam", True, f"behind {MATE}"),  # three are
        ("behind Ida", True, "behind Ida"),  # the driver's own
        ("Ida Holm", True, "Ida Holm"),
        ("Sam Aziz hit Bo Lund", False, f"{MATE} hit {RIVAL}"),
        ("Jo braked", False, f"{RIVAL} braked"),  # of two signs: as it is written
        ("jo braked", False, "jo braked"),
        ("Max braked", False, f"{RIVAL} braked"),
        ("with 4410932", False, f"with {NUMBER}"),
        ("with 44109321", False, "with 44109321"),
        ("with 0.4410932", False, "with 0.4410932"),
        ("4410932.5", False, f"{NUMBER}.5"),
        ("", False, ""),
        (None, False, None),
        (4410932, False, 4410932),
    ],
)
def test_a_text(text: object, parts: bool, said: object) -> None:
    hidden = hide(
        mates={"Sam Aziz"}, rivals={"Bo Lund", "Jo", "Max", "Ida Petit"}, numbers={"4410932"}
    )
    assert hidden.scrub(text, parts=parts) == said


def test_a_name_of_both_is_a_team_mate_s_and_a_whole_name_goes_first() -> None:
    both = hide(mates={"Kim Berg"}, rivals={"Kim Berg", "Berg"}, numbers={"Kim"})
    assert both.scrub("Kim Berg") == MATE
    assert both.scrub("said Berg and Kim Berg") == f"said {RIVAL} and {MATE}"
    assert hide(rivals={"J. Kim Berg"}).scrub("a J. Kim Berg", parts=True) == f"a {RIVAL}"


@pytest.mark.parametrize(
    ("column", "cell", "left"),
    [
        ("session", "behind Aziz", f"behind {MATE}"),
        ("heat", "behind Aziz", f"behind {MATE}"),
        ("springs", "from Aziz", "from Aziz"),
        ("springs", "from Sam Aziz", f"from {MATE}"),
        ("verdict", "Sam Aziz", "Sam Aziz"),  # the tool's own words hold no names
        ("driver", "Sam Aziz", "Sam Aziz"),
    ],
)
def test_a_cell(column: str, cell: str, left: str) -> None:
    frame = pd.DataFrame({column: [cell, None], "laps": [3, 4]})
    found = scrubbed(frame, hide(mates={"Sam Aziz"}, numbers={"3"}))
    assert found[column].iloc[0] == left
    assert found["laps"].tolist() == [3, 4] and found["laps"].dtype == frame["laps"].dtype


@pytest.mark.parametrize(
    ("team", "consenting", "shown"),
    [
        (["Ida", "Per", "Sam"], ["Ida", "Per", "Sam"], {"Ida", "Per", "Sam"}),
        (["Ida", "Per", "Sam"], ["Ida", "Per"], {"Ida"}),  # else it is known who said no
        (["Ida", "Per"], ["Ida", "Per"], {"Ida"}),  # of two, each would know the other's
        (["Ida", "Per", "Sam"], ["Ida", "Per", "Sam", "Eve"], {"Ida", "Per", "Sam"}),
    ],
)
def test_who_may_be_named(team: list[str], consenting: list[str], shown: set[str]) -> None:
    people = pd.DataFrame({"driver": [*team, "Eve"], "team": [True] * len(team) + [False]})
    spellings = {"Eve": ["EVE L.", ""], "Per": ["PER A."], "Zed": ["Z."]}
    found = others_of("Ida", people, consenting, spellings, ["11", ""])
    assert found.shown == shown
    assert found.rivals == {"Eve", "EVE L.", "Zed", "Z."}
    assert found.mates == {*team, "PER A."} - shown - ({"PER A."} if "Per" in shown else set())
    assert found.numbers == {"11"}


KEYS = {"factor": "bar", "level": "1.4", "reference": "1.3"}


def effects_of(*drivers: str, outcome: str = "pace") -> pd.DataFrame:
    return pd.DataFrame([{"outcome": outcome, **KEYS, "driver": d, "estimate": 0.1}
                         for d in drivers])  # fmt: skip


def season(**tables: pd.DataFrame) -> SeasonResult:
    row = {"outcome": "pace", **KEYS, "condition": "all", "n_runs": 9, "n_drivers": 3,
           "n_meetings": 2, "n_switches": 8, "information_left": 0.5, "more_switches": 4,
           "sentence": "x"}  # fmt: skip
    every = {f.name: pd.DataFrame([row]) for f in fields(SeasonResult) if f.type == "pd.DataFrame"}
    every["runs"] = pd.DataFrame({"driver": ["Ida", "Per"], "session": ["Q", "Q"]})
    every["by_driver"] = effects_of("Ida", "Per", "Sam")
    return SeasonResult(**(every | tables), notes=("Sam ran.",), placebo="p", placebo_warning="w",
                        second_opinion=pd.DataFrame([row]), these=pd.DataFrame([row]),
                        second_opinion_note="n")  # fmt: skip


def test_only_the_tables_that_are_named_come_with_rows() -> None:
    found = for_driver(season(), "Ida", hide("Ida"))
    rows = {f.name: len(t) for f in fields(found) if hasattr(t := getattr(found, f.name), "iloc")}
    kept = {"effects", "cannot_tell", "needs", "these", "runs", "by_driver"}
    assert {name for name, count in rows.items() if count} == kept
    assert found.runs["driver"].tolist() == ["Ida"]
    assert (found.notes, found.placebo, found.placebo_warning) == ((), "", "")
    assert (found.second_opinion, found.second_opinion_note) == (None, "")
    counts = {"n_runs", "n_drivers", "n_meetings", "n_switches", "information_left"}
    assert not counts & {*found.effects, *found.cannot_tell, *found.needs}
    assert found.needs["more_switches"].tolist() == [4]
    assert for_driver(season(), "Ida", hide("Ida")).these is not None


def test_a_feel_is_each_driver_s_own() -> None:
    """Of every team's outcomes a driver may see the team's findings; of its own feels, no."""
    own, other = effects_of("Ida", "Sam", outcome="feel"), effects_of("Per", outcome="other_feel")
    both = pd.concat([effects_of("Ida", "Per", "Sam"), own, own.tail(0), other])
    found = for_driver(season(effects=both, by_driver=both), "Ida", hide("Ida", "Per", "Sam"))
    assert set(found.effects["outcome"]) == {"pace"}
    shown = set(zip(found.by_driver["outcome"], found.by_driver["driver"], strict=True))
    assert shown == {("pace", "Ida"), ("pace", "Per"), ("pace", "Sam"), ("feel", "Ida")}


@pytest.mark.parametrize(
    ("drivers", "shown", "rows"),
    [
        (["Ida", "Per", "Sam"], {"Ida"}, ["Ida"]),
        # of two, the team's effect and one's own would give the other's
        (["Ida", "Per"], {"Ida"}, []),
        (["Ida", "Per"], {"Ida", "Per"}, ["Ida", "Per"]),
        (["Ida"], {"Ida"}, ["Ida"]),
        (["Per", "Sam"], {"Ida"}, []),
        (["Ida", "Per", "Sam"], {"Ida", "Per", "Sam"}, ["Ida", "Per", "Sam"]),
    ],
)
def test_whose_effects(drivers: list[str], shown: set[str], rows: list[str]) -> None:
    found = for_driver(season(by_driver=effects_of(*drivers)), "Ida", hide(*shown))
    assert found.by_driver["driver"].tolist() == rows


@pytest.mark.parametrize(
    ("sentence", "left"),
    [
        ("changed once, on 2026-05-02 about 13:45, by one driver: so", "changed once: so"),
        ("with the clock (on 2026-05-02 about 13:45, by 3 drivers): so", "with the clock: so"),
        ("changed on 2026-05-02", "changed on 2026-05-02"),
    ],
)
def test_when_and_by_how_many(sentence: str, left: str) -> None:
    cannot = pd.DataFrame([{**KEYS, "condition": "all", "sentence": sentence}])
    found = for_driver(season(cannot_tell=cannot), "Ida", hide("Ida"))
    assert found.cannot_tell["sentence"].tolist() == [left]


@pytest.mark.parametrize(
    ("page", "found"),
    [
        ("<p>Sam\n  Aziz</p>", ["Sam Aziz"]),
        ("<p>sam aziz</p>", ["Sam Aziz"]),
        ("<p>Sam</p>", []),
        ("<p>Max</p>", []),  # one word may be a word of the page
        ("<p>12345</p>", ["12345"]),
        ("<p>1234</p>", []),  # four digits may be any number of the page
        ("<p>123456</p>", []),
        ("<p>Ida Holm</p>", []),
    ],
)
def test_what_the_guard_sees(page: str, found: list[str]) -> None:
    hidden = hide("Ida Holm", mates={"Sam Aziz", "Max"}, rivals={"Ida Holm", "Bo Lund"},
                  numbers={"12345", "1234"})  # fmt: skip
    assert leaks(page, hidden) == found
