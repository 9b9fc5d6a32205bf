"""The grammar of a decision's sentences: no stray slot, and no two that contradict each other."""

from __future__ import annotations

import itertools
import re
from typing import Any

import pandas as pd
import pytest

from pipeline.decide.places import Part, Property
from pipeline.decide.sentences import ADVICE_WORDS, sentence
from pipeline.decide.shared import frequency, property_sentence, question_sentence
from pipeline.decide.situations import told, with_sentences, with_test_sentences
from tests.decide import drawn

FREQUENCY = re.compile(r"right in (19 of 20|about (9 of 10|4 of 5|2 of 3|1 of 2|1 of 3)) such")
CHANCES = (0.99, 0.9, 0.8, 0.7, 0.5, 0.38)
SWITCHES: dict[str, dict[str, Any] | None] = {
    "missing": None,
    "inside": {"at": -0.4, "low": -1.0, "high": 0.0, "words": "between low and medium grip"},
    "open": {"at": -0.6, "low": None, "high": 0.1,
             "words": "somewhere below medium grip, if at all"},
    "none": {"at": None, "low": None, "high": None, "words": "not within what was run"},
    "no line": {"at": None, "low": None, "high": None, "words": "cannot be told"},
}  # fmt: skip
BEST: dict[str, dict[str, Any] | None] = {
    "missing": None,
    "both": {"best": 412.3, "low": 350.0, "high": 470.0, "words": ""},
    "open": {"best": 412.3, "low": None, "high": 470.0, "words": ""},
    "beyond": {"best": None, "words": "the best lies beyond 500 cSt, the most that was run"},
}
DATA = {"much": (40, 3, 4, 9), "one": (7, 1, 1, 7), "elsewhere": (40, 3, 4, 0)}
ADVICE = ("fit", "try", "keep best", "keep small", "either", "cannot")
# What is on: the team's reference, a driver's other setting, a driver's that is not logged.
ON = ("team", "driver", "not logged")


def combination(advice: str, chance: float, data: str, on: str, own: bool) -> tuple[Any, Any]:
    """The row of the advice and its one rival."""
    runs = dict(zip(("n_runs", "n_drivers", "n_meetings", "n_here"), DATA[data], strict=True))
    base = {"factor": "f", "grip": "low", "surface": "", "driver": "" if on == "team" else "Teo"}
    if advice == "cannot":
        return {**base, "level": "", "advice": None, "reason": "always with the link", **runs}, None
    changes = advice in ("fit", "try")
    level = "soft" if (on == "driver") == changes else "stiff"
    if not changes:
        level = "stiff" if on == "driver" else "soft"
    other = "stiff" if level == "soft" else "soft"
    present = None if on != "driver" else (other if changes else level)
    size = {"keep small": 0.06, "either": 0.05}.get(advice, 0.74)
    gain = size if level == "stiff" else 0.0
    row = {
        **base, "level": level, "present": present, "chance_best": chance, "gain_s": gain,
        "gain_low": gain - 0.33 * (level == "stiff"), "gain_high": gain + 0.33 * (level == "stiff"),
        "gain_present_s": size * changes if present else None, "loss_s": 0.2 * (1 - chance),
        "advice": advice.split()[0], "other": other, **runs,
    }  # fmt: skip
    behind = gain - size
    half = 0.33 * (other == "stiff")
    rival = {**row, "level": other, "advice": None, "gain_s": behind, "gain_low": behind - half,
             "gain_high": behind + half, "n_runs": 50, "n_drivers": 3, "n_meetings": 4,
             "n_here": 9}  # fmt: skip
    return row, rival


def every() -> list[tuple[tuple[Any, ...], str]]:
    """Each combination with its sentence."""
    named = Part("Flex plate", "soft")
    number = Part("Oil", "400", "", True)
    values = {"soft": "400", "stiff": "450"}
    out = []
    for key in itertools.product(ADVICE, CHANCES, DATA, ON, (False, True), (*SWITCHES, *BEST)):
        advice, chance, data, on, own, where = key
        row, rival = combination(advice, chance, data, on, own)
        others = [rival] if rival else []
        for is_number, table in ((False, SWITCHES), (True, BEST)):
            if where not in table:
                continue
            found = table[where]
            switch = {"level": "stiff", "reference": "soft", **found} if found else None
            rows = [r and {k: values.get(v, v) if is_number else v for k, v in r.items()}
                    for r in (row, *others)]  # fmt: skip
            words = sentence(
                rows[0],
                None if is_number else switch,
                part=number if is_number else named,
                others=rows[1:],
                best=found if is_number else None,
                above="stiff",
                own=own,
            )
            out.append(((*key, is_number), words))
    return out


@pytest.fixture(scope="module")
def sentences() -> list[tuple[tuple[Any, ...], str]]:
    return every()


def test_no_slot_strays(sentences: list[tuple[tuple[Any, ...], str]]) -> None:
    assert len(sentences) > 3456 and len({words for _, words in sentences}) > 300
    for _, words in sentences:
        assert words.split(":")[0] in {*ADVICE_WORDS.values(), "Cannot be told"}
        assert words.endswith(".") and not words.endswith("..")
        assert not re.search(r"None|nan|\{|\}|;;|; \.|  |: ;|: ,|, ;| \.", words), words


def test_a_frequency_stands_exactly_where_a_level_is_preferred(
    sentences: list[tuple[tuple[Any, ...], str]],
) -> None:
    """Rule (d)."""
    for (advice, *_), words in sentences:
        assert bool(FREQUENCY.search(words)) == (advice in ("fit", "try", "keep best")), words


def test_each_slot_reads_its_own_columns(sentences: list[tuple[tuple[Any, ...], str]]) -> None:
    """Rule (c): certainty from the chance alone, position from the switch-over alone."""
    for (advice, chance, data, on, own, where, is_number), words in sentences:
        found = FREQUENCY.search(words)
        if found:
            least = {"19 of 20": 0.95, "9 of 10": 0.85, "4 of 5": 0.75, "2 of 3": 0.6,
                     "1 of 2": 0.45, "1 of 3": 0.0}[found[2] or found[1]]  # fmt: skip
            assert least == max(x for x in (0.95, 0.85, 0.75, 0.6, 0.45, 0.0) if x <= chance)
            assert ("when wrong it costs about 0.2 s" in words) == (chance < 0.85)
        few = data != "much" and advice in ("fit", "try", "keep best", "keep small")
        assert ("few data:" in words) == few, words
        if few:
            expected = {"one": "7 runs, 1 driver, 1 meeting", "elsewhere": ", none at low grip"}
            assert expected[data] in words
        assert ("switch" in words) <= (not is_number and not own and where != "missing")
        assert ("best " in words.split("the best of")[0]) <= (is_number or advice == "fit"), words
        if advice == "cannot":
            assert words == "Cannot be told: always with the link."
        if on == "not logged" and advice in ("fit", "try"):
            assert (
                "if it is not on" in words and f"against {'400' if is_number else 'soft'}" in words
            )
        elif advice in ("fit", "try"):
            levels = ("450", "400") if is_number else ("stiff", "soft")
            assert f", not {levels[on != 'driver']}; " in words


def test_no_switch_speaks_of_which_is_faster_and_the_sides_of_both_levels(
    sentences: list[tuple[tuple[Any, ...], str]],
) -> None:
    """Rule (e)."""
    for (advice, *_, own, where, is_number), words in sentences:
        if is_number or own or advice == "cannot":
            continue
        if where == "inside":
            assert "switches between low and medium grip: soft below, stiff above." in words
        elif advice == "either":
            assert "switch" not in words
        elif where == "none":
            assert words.endswith("; no switch at any grip that was run.")


@pytest.mark.parametrize(
    ("advice", "chance", "data", "on", "expected"),
    [
        ("fit", 0.97, "much", "team",
         "Fit: stiff, not soft; saves about 0.7 s a race; right in 19 of 20 such choices or more "
         "(almost surely); switches between low and medium grip: soft below, stiff above."),
        ("try", 0.7, "one", "driver",
         "Try in practice: soft, not stiff; may save about 0.7 s a race; right in about 2 of 3 "
         "such choices (more likely than not), when wrong it costs about 0.2 s; few data: 7 runs, "
         "1 driver, 1 meeting; switches between low and medium grip: soft below, stiff above."),
        ("fit", 0.97, "much", "not logged",
         "Fit: stiff, if it is not on; saves about 0.7 s a race against soft; right in 19 of 20 "
         "such choices or more (almost surely); switches between low and medium grip: soft below, "
         "stiff above."),
        ("keep best", 0.9, "much", "team",
         "Keep: soft; stiff would lose about 0.7 s a race; right in about 9 of 10 such choices "
         "(very likely); switches between low and medium grip: soft below, stiff above."),
        ("keep small", 0.9, "much", "team",
         "Keep: soft; no change is worth 0.1 s a race here, by what is known; switches between low "
         "and medium grip: soft below, stiff above."),
        ("either", 0.5, "much", "team",
         "Either: soft or stiff, keep what is on; less than 0.4 s a race apart; switches between "
         "low and medium grip: soft below, stiff above."),
    ],
)  # fmt: skip
def test_whole_sentences(advice: str, chance: float, data: str, on: str, expected: str) -> None:
    row, rival = combination(advice, chance, data, on, False)
    switch = {"level": "stiff", "reference": "soft", **(SWITCHES["inside"] or {})}
    part = Part("Flex plate", "soft")
    assert sentence(row, switch, part=part, others=[rival], above="stiff") == expected


DRIVERS = ["Runa Feldmark", "Teo Birkholm"]


@pytest.mark.parametrize("seed", range(12))
def test_drawn_parts_do_not_contradict_themselves(seed: int) -> None:
    """Rules (a), (b), (c), (f), over every situation of parts drawn at random."""
    parts = drawn.random_parts(seed, 12, DRIVERS)
    tables = drawn.decisions(parts, DRIVERS, surfaces=("carpet",) if seed % 3 == 0 else ())
    words = {p.name: Part(p.label, p.reference, p.unit, p.is_number) for p in parts}
    found = told(tables, words)
    assert len(found.situations) == len({(s.factor, s.grip, s.surface, s.driver)
                                         for s in found.situations.values()})  # fmt: skip
    for situation in found.situations.values():
        row, said = situation.row, situation.said
        if said.kind == "cannot":
            assert said.text == f"Cannot be told: {row['reason']}."
            continue
        part = words[situation.factor]
        assert said.kind == row["advice"]
        assert said.prefers == bool(FREQUENCY.search(said.text))
        if said.kind in ("fit", "try"):
            on = row["present"] if isinstance(row["present"], str) else part.reference
            assert said.head.startswith(part.level(row["level"])) and row["level"] != on
            seconds = re.search(r"saves? about ([\d.]+) s", said.head)
            assert seconds and abs(float(seconds[1])) > 0 and situation.saves == f"{seconds[1]} s"
        if said.prefers:
            assert situation.right in said.odds
        gain, low, high = row["gain_s"], row["gain_low"], row["gain_high"]
        if len(situation.rows) == 2 and row["level"] != part.reference and low * high > 0:
            assert row["chance_best"] > 0.95 and gain > 0  # rule (c): one source of certainty
        if said.switch.startswith("switches") and ": " in said.switch and situation.grip:
            check_sides(situation, said.switch, tables.switchovers, part)


def check_sides(situation: Any, words: str, switchovers: pd.DataFrame, part: Part) -> None:
    """The side of the switch-over on which the grip lies names the level that is faster there."""
    below, above = re.search(r": (.+) below, (.+) above$", words).groups()  # type: ignore[union-attr]
    gains = {part.level(r["level"]): r["gain_s"] for r in situation.rows}
    level = next(name for name in (below, above) if name != part.level(part.reference))
    row = switchovers[
        (switchovers["factor"] == situation.factor)
        & (switchovers["level"].map(part.level) == level)
    ].iloc[0]
    here = drawn.AXIS[situation.grip]
    if situation.driver == "" and abs(here - row["at"]) > 1e-9:
        faster = below if here < row["at"] else above
        assert gains[faster] == max(gains[below], gains[above])


@pytest.mark.parametrize("seed", range(4))
def test_the_column_holds_the_sentences_and_tests_ask_without_answering(seed: int) -> None:
    """Rule (g): a test names a question, and brings no more than the choice may lose."""
    parts = drawn.random_parts(seed, 10, DRIVERS)
    words = {p.name: Part(p.label, p.reference, p.unit, p.is_number) for p in parts}
    tables = drawn.decisions(parts, DRIVERS)
    choices = with_sentences(tables, words)
    advised = choices["advice"].notna() | choices["reason"].notna()
    assert choices.loc[advised, "sentence"].notna().all()
    assert choices.loc[~advised, "sentence"].isna().all()
    for row in with_test_sentences(tables.tests, words).itertuples():
        assert row.sentence.startswith(words[row.factor].label)
        assert " or " in row.sentence or " to " in row.sentence
        assert not re.search("faster|slower|better|Fit|Keep", row.sentence)


def test_what_a_test_would_bring_may_not_be_known() -> None:
    row = {"levels": "soft, hard", "grip": "", "driver": "Teo", "drivers": 1, "runs": 6,
           "worth_s": float("nan"), "chance_to_change": None}  # fmt: skip
    said = question_sentence(row, Part("Springs", "soft"))
    expected = "Springs, soft or hard, at any grip: Teo, 6 runs; what it would bring is not known."
    assert said == expected
    assert [frequency(x) for x in (0.66, 0.5, 0.33, 0.18, 0.004)] == [
        "2 of 3", "1 of 2", "1 of 3", "1 of 6", "fewer than 1 of 100"
    ]  # fmt: skip


def test_a_property_names_its_side_and_who_goes_the_other_way() -> None:
    """Rule (h)."""
    rows = [
        {"grip": g, "estimate": e, "agreement": 2 / 3}
        for g, e in (("low", 0.61), ("medium", -0.58), ("high", -1.8))
    ]
    shared = Property("Stiffness", {"a": {}, "b": {}, "c": {}})
    switch = SWITCHES["inside"]
    assert property_sentence(rows, switch, shared, ["Rear brace"]) == (
        "Stiffness, one step more: loses about 0.6 s a race at low grip, saves about 0.6 s at "
        "medium, saves about 1.8 s at high; switches between low and medium grip. Shared by 3 "
        "parts, which lend each other runs; 2 of 3 parts agree; Rear brace goes the other way."
    )
