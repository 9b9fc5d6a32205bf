"""Names and numbers of others in any spelling: scrubbed, and seen by the last check."""

from __future__ import annotations

import random
import unicodedata
from html import escape

import pandas as pd
import pytest

from pipeline.report.names import Names
from pipeline.report.privacy import MATE, NUMBER, Others, context_for_driver, leaks
from pipeline.tables.safecsv import neutralise
from tests.report import made_up
from tests.report.test_privacy import hide

SPELLINGS = {
    "Jürgen Öhlmann": [
        "Öhlmann Jürgen", "ÖHLMANN, Jürgen", "jürgen öhlmann", "Jurgen Ohlmann", "Juergen Oehlmann",
        "Jürgen_Öhlmann", "juergen.oehlmann", "Jürgen-Öhlmann", "Öhlmann/Jürgen", "JürgenÖhlmann",
        "oehlmannjuergen", unicodedata.normalize("NFD", "Jürgen Öhlmann"),
        "Jür\u200bgen\u200b Öhl\u00admann", "Ｊürgen Öhlmann", "Jürgen “Öhlmann”",
        "Jürgen\u00a0Öhlmann",
    ],
    "Siobhán O'Tarvey": ["O’Tarvey Siobhan", "siobhán o tarvey", "SIOBHAN O'TARVEY"],
    "Bjørn Ærø": ["Bjorn Aero", "Aeroe Bjoern", "ærø, bjørn"],
    "柏溪岚": ["的柏溪岚了"],
    "柏 溪岚": ["柏溪岚", "溪岚柏", "柏・溪岚"],
    "Al Bo": ["Bo Al", "AL BO", "al-bo"],
    "Bo": ["Bo"],
}  # fmt: skip


@pytest.mark.parametrize(("name", "text"), [(n, t) for n, all_ in SPELLINGS.items() for t in all_])
def test_every_spelling_goes(name: str, text: str) -> None:
    hidden = hide(mates={name})
    kept = hidden.scrub(f"set of {text}, 2 mm")
    assert MATE in kept and kept.startswith("set of ") and kept.endswith(", 2 mm")
    assert not [part for part in name.split() if len(part) > 2 and part in kept]


@pytest.mark.parametrize(
    ("name", "text"), [(n, t) for n, all_ in SPELLINGS.items() for t in all_ if n != "Bo"]
)
def test_the_last_check_sees_every_spelling(name: str, text: str) -> None:
    hidden = hide(mates={name})
    for page in (
        text,
        escape(text),
        f'<p title="{escape(text)}">',
        text.replace(", ", " ").replace(" ", "</b> <i>"),
    ):
        assert leaks(f"<p>set of {page}, 2 mm</p>", hidden) == [name]


NUMBERS = ["4410932", "004410932", "4 410 932", "4.410.932", "4'410'932", "4\u202f410\u202f932",
           "44-10-932", "441_0932"]  # fmt: skip


@pytest.mark.parametrize("text", NUMBERS)
def test_transponders_with_zeros_and_groups(text: str) -> None:
    hidden = hide(numbers={"04410932"})
    assert hidden.scrub(f"car {text}.") == f"car {NUMBER}."
    assert leaks(f"<td>{text}</td>", hidden) == ["04410932"]


def test_other_words_and_numbers_stay() -> None:
    hidden = hide(mates={"Al Bar", "Bo"}, rivals={"Jürgen Öhlmann"}, numbers={"4410932", "12345"})
    text = (
        "Rear anti-roll bar 1.2, al dente; bar al; bo; Jürgen rode. Then came Öhlmann-free days: "
        "0.4410932, 44109325, 12.345, 4410.932 s, 1 2 3 4 5"
    )
    assert hidden.scrub(text.replace("bar al; ", "")) == text.replace("bar al; ", "")
    assert leaks(f"<p>{text.replace('bar al; ', '')}</p>", hidden) == []


def test_own_name_stays_in_any_order() -> None:
    hidden = hide(rivals={"Holm, Ida", "IDA HOLM", "Per Nowak"})
    assert hidden.scrub("Ida Holm, Holm") == "Ida Holm, Holm"


def test_random_texts_keep_all_but_the_names() -> None:
    draw = random.Random(7)
    letters = "aeioubdlmnrstöüßéŁ"
    for _ in range(300):
        name = " ".join(
            "".join(draw.choices(letters, k=draw.randint(4, 8))).capitalize() for _ in range(2)
        )
        first, last = name.split()
        form = draw.choice([f"{last} {first}", f"{last}, {first}", name.upper(), f"{first}_{last}"])
        before, after = draw.choice(["", "x ", "x: "]), draw.choice(["", " y", ", y"])
        (found,) = Names([name]).find(before + form + after)
        assert (found.start, found.end) == (len(before), len(before + form))


def test_labels_units_and_the_teams_name_too() -> None:
    context = made_up.context()
    factors = {
        name: factor.__class__(name, "Öhlmann Jürgen's bar", factor.kind, factor.levels,
                               factor.reference, "oehlmann juergen")
        for name, factor in context.factors.items()
    }  # fmt: skip
    context = context.__class__(
        "Team Juergen Oehlmann", factors, context.race_seconds, context.worthwhile_s,
        context.provenance, "JÜRGEN ÖHLMANN class",
    )  # fmt: skip
    hidden: Others = hide(mates={"Jürgen Öhlmann"})
    clean = context_for_driver(context, hidden)
    words = [clean.team, clean.class_name, *(f.label + f.unit for f in clean.factors.values())]
    assert all(MATE in text and "hlmann" not in text.casefold() for text in words)


@pytest.mark.parametrize("sign", ["\u200b", "\ufeff", "\u2060\u200d", "\u202e", " \u200b "])
@pytest.mark.parametrize("first", "=+-@＝＋－＠")
def test_formulas_behind_signs_of_no_width_do_not_run(sign: str, first: str) -> None:
    cells = [f"{sign}{first}SUM(A1)", f"{first}SUM(A1)"]
    safe = neutralise(pd.DataFrame({"text": cells}))["text"].tolist()
    assert safe == [f"'{cell}" for cell in cells]
