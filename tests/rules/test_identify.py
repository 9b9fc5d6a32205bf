"""What the data can tell: each bound just inside and just outside, and what is counted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf, nextafter
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.models import identify
from pipeline.models.design import Design, build_design
from pipeline.models.identify import Standing, standings, tell_apart, usable_runs
from pipeline.tables.records import SeasonData
from tests.models.test_identify import FACTORS, day

MIXED = {"Ada": ["shhshssh"], "Ben": ["hsshshhs"]}
LABELS = {"bar": "Rear bar", "spring": "Front springs"}


def over(bound: float) -> float:
    return nextafter(bound, inf)


def design_of(data: SeasonData) -> Design:
    return build_design(data, usable_runs(data), penalised=False)


def standing(data: SeasonData, rows: Any = None, factor: str = "bar") -> Standing:
    design = design_of(data)
    chosen = np.ones(len(design.hour), bool) if rows is None else rows(design)
    found = standings(design, data.factors, "all", chosen)
    return next(s for s in found if s.contrast.factor == factor)


@dataclass
class Shares:
    """The information that comes back without each set or factor, of a contrast of `bar`."""

    back: Mapping[str, float]
    factors: tuple[str, ...] = ("bar", "spring")

    @property
    def others(self) -> list[str]:
        return [*self.back, "bar"]

    def left(self, place: int, without: str = "") -> float:
        return {"bar": 1.0, **self.back}[without]


@pytest.mark.parametrize(
    ("left", "back", "partner"),
    [
        # who gives a quarter back, and twice what is left, is it
        (0.1, {"grip": 0.25, "session": 0.24, "spring": 0.1}, "grip, session"),
        (0.1, {"grip": 0.2499, "session": 0.24, "spring": 0.1}, "grip"),
        (0.2, {"grip": 0.4, "session": 0.39, "spring": 0.1}, "grip, session"),
        (0.2, {"grip": 0.3999, "session": 0.39, "spring": 0.1}, "grip"),
        # where nobody does, the most likely
        (0.1, {"grip": 0.2, "session": 0.24, "spring": 0.1}, "session"),
        (0.2, {"grip": 0.39, "session": 0.38, "spring": 0.1}, "grip"),
        # and all that give nearly as much
        (0.0, {"grip": 0.91, "session": 1.0, "spring": 0.5}, "grip, session"),
        (0.0, {"grip": 0.9, "session": 1.0, "spring": 0.901}, "session, spring"),
        (0.0, {}, "session"),
    ],
)
def test_with_what_it_is_mixed(left: float, back: dict[str, float], partner: str) -> None:
    information: Any = Shares({name: 2 * share for name, share in back.items()})
    assert identify._partner(information, 0, 2.0, left) == partner


GRIP = {"grip": 1.0, "session": 0.1, "spring": 0.1}
SPRING = {"grip": 0.1, "session": 0.1, "spring": 1.0}


@pytest.mark.parametrize(
    ("within", "left", "back", "kind"),
    [
        (1.0, 0.10, SPRING, "mixed"),
        (1.0, over(0.10), SPRING, ""),
        # a smooth curve through few cars can take any shape: beside grip twice as much is asked
        (1.0, 0.20, GRIP, "mixed"),
        (1.0, over(0.20), GRIP, ""),
        (1.0, 0.10, GRIP, "mixed"),
        (1e-9, 0.5, GRIP, "between drivers"),
        (over(1e-9), 0.5, GRIP, ""),
    ],
)
def test_how_much_must_be_left(
    within: float, left: float, back: dict[str, float], kind: str
) -> None:
    data = day(MIXED)
    if kind == "between drivers":
        data = day({"Ada": ["ssssssss"], "Ben": ["hhhhhhhh"]})
    design = design_of(data)
    rows = np.ones(len(design.hour), bool)
    chosen = identify._Chosen.of(design, "all", rows)
    pairs = chosen.switches(design.contrasts[0])[1:]
    chosen = replace(chosen, information=Shares(back))  # type: ignore[arg-type]
    assert identify._reason(chosen, 0, pairs, within, left)[0] == kind


@pytest.mark.parametrize(
    ("bars", "sentence", "verdict"),
    [
        ({"Ada": ["ssss"], "Ben": ["ssss"]}, "never run: ", "not enough runs"),
        ({"Ada": ["hhhh"], "Ben": ["hhhh"]}, "never changed: ", "not enough runs"),
        ({"Ada": ["ssss"], "Ben": ["hhhh"]}, "each driver kept", "not separable"),
        ({"Ada": ["ssss", "hhhh"]}, "changed only between meetings", "not separable"),
        ({"Ada": ["sssshhhh"], "Ben": ["ssssssss"]},
         "changed once, on 2026-03-01 about 13:00, by one driver: ", "not separable"),
        ({"Ada": ["sssshhhh"], "Ben": ["sssshhhh"]},
         "changed only one way in one break, on 2026-03-01 about 13:00, by 2 drivers",
         "not separable"),
        # a second way, a second day, or changes that do not lie in one break
        ({"Ada": ["sssshhhh"], "Ben": ["hhhhssss"]}, "", ""),
        ({"Ada": ["sssshhhh", "sssshhhh"]}, "", ""),
        ({"Ada": ["sssshhhh"], "Ben": ["sshhhhhh"]}, "", ""),
        (MIXED, "", ""),
    ],
)  # fmt: skip
def test_sentences(bars: dict[str, list[str]], sentence: str, verdict: str) -> None:
    found = standing(day(bars))
    assert found.sentence.startswith(sentence) and bool(found.sentence) == bool(sentence)
    assert (found.verdict, found.tellable) == (verdict, not verdict)


def test_a_level_without_its_reference() -> None:
    """Medium against soft where nobody ran soft; and what is left of a third level."""
    data = day({"Ada": ["shhshssh"], "Ben": ["hsshshhs"]})
    three = replace(FACTORS[0], levels=("soft", "medium", "hard"))
    runs = data.runs.assign(bar=data.runs["bar"].replace({"soft": "medium"}))
    found = tell_apart(replace(data, runs=runs, factors=(three, FACTORS[1])))
    table = found.set_index(["factor", "level"])["sentence"]
    assert table["bar", "medium"].startswith("never run beside its reference")
    assert table["bar", "hard"].startswith("never run beside its reference")


def test_what_is_counted() -> None:
    """Ada: s h h s h; Ben: s s s s s; a rival's runs count for nothing."""
    found = standing(day({"Ada": ["shhsh"], "Ben": ["sssss"]}))
    assert (found.n_runs, found.n_drivers, found.n_meetings) == (3, 1, 1)
    assert (found.switches, found.own_switches) == (3, 3)
    assert (found.meetings, found.drivers) == (("meeting 0",), ("Ada",))


def test_switches_are_those_of_a_driver_at_a_meeting_between_known_settings() -> None:
    both = standing(day({"Ada": ["sh", "hs"], "Ben": ["hs", "sh"]}))
    assert both.switches == 4
    assert standing(day({"Ada": ["s-h"], "Ben": ["h-s"]})).switches == 0
    # Ada: medium hard medium hard; Ben: hard soft hard soft
    three = replace(FACTORS[0], levels=("soft", "medium", "hard"))
    data = day({"Ada": ["shsh"], "Ben": ["hshs"]}, rivals=0)
    ada = (data.runs["driver"] == "Ada") & (data.runs["bar"] == "soft")
    runs = data.runs.assign(bar=data.runs["bar"].mask(ada, "medium"))
    data = replace(data, runs=runs, factors=(three, FACTORS[1]))
    found = standings(design_of(data), data.factors, "all", np.ones(8, bool))
    counts = {s.contrast.level: (s.switches, s.own_switches) for s in found[:2]}
    assert counts == {"medium": (6, 3), "hard": (6, 6)}


@pytest.mark.parametrize(
    ("at", "beside", "remark"),
    [
        ("s", "sh", "only ever with Front springs soft"),
        ("sh", "s", "compared only with Front springs soft"),
        ("sh", "sh", ""),
        ("s", "s", ""),
        ("s", "h", "only ever with Front springs soft"),
    ],
)
def test_what_a_number_speaks_of(at: str, beside: str, remark: str) -> None:
    """at, beside: springs that ran with the hard bar and with the soft one."""
    letters = {"s": "soft", "h": "hard"}
    bars = ["hard"] * 4 + ["soft"] * 4
    springs = [letters[(at * 4)[i]] for i in range(4)] + [
        letters[(beside * 4)[i]] for i in range(4)
    ]
    runs = pd.DataFrame({"bar": bars, "spring": springs, "team": True})
    hard, soft = (np.array([b == level for b in bars]) for level in ("hard", "soft"))
    contrast = SimpleNamespace(factor="bar", kind="category", at_level=hard, at_reference=soft)
    rows = np.ones(8, bool)
    settings = {name: runs[name].astype(object).to_numpy() for name in ("bar", "spring")}
    chosen: Any = SimpleNamespace(settings=settings, rows=rows)
    assert identify._not_crossed(chosen, contrast, LABELS) == remark  # type: ignore[arg-type]
    number = SimpleNamespace(**{**vars(contrast), "kind": "number"})
    assert identify._not_crossed(chosen, number, LABELS) == ""  # type: ignore[arg-type]
    chosen.rows = rows & (np.arange(8) % 2 == 0)
    assert "hard" not in identify._not_crossed(chosen, contrast, LABELS)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("hours", "after", "one"),
    [
        ((9.0, 9.5, 10.0, 10.5), (2, 3), True),
        ((9.0, 10.0, 10.0, 10.5), (2, 3), False),  # one went out as the other came in
        ((9.0, 10.25, 10.0, 10.5), (2, 3), False),
    ],
)
def test_one_break(hours: tuple[float, ...], after: tuple[int, ...], one: bool) -> None:
    hour, before = np.array(hours), np.array([0, 1])
    design: Any = SimpleNamespace(hour=hour, day=np.zeros(4, int))
    contrast: Any = SimpleNamespace(values=np.array([0.0, 0.0, 1.0, 1.0]))
    assert identify._one_break(design, contrast, before, np.array(after)) == one


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        ((13.75, 13.5), "on 2026-03-01 about 13:30, by 2 drivers"),
        ((9.25, 10.0), "on 2026-03-01 about 09:15, by 2 drivers"),
        ((), ""),
    ],
)
def test_when_it_was_changed(hours: tuple[float, ...], words: str) -> None:
    runs = pd.DataFrame({"date": ["2026-03-01"] * 2})
    design: Any = SimpleNamespace(hour=np.array(hours), driver=np.arange(2), runs=runs)
    assert identify._when(design, np.arange(len(hours))) == words


def number_of(values: Sequence[float | None]) -> Standing:
    """A factor in millimetres, reference 5, run by one driver."""
    data = day({"Ada": ["s" * len(values)], "Ben": ["s" * len(values)]})
    team = data.runs["driver"] == "Ada"
    text = [None if v is None else f"{v:g}" for v in values]
    cells = pd.Series(None, index=data.runs.index, dtype=object)
    cells[team] = text
    height = replace(FACTORS[0], name="bar", kind="number", levels=(), reference="5")
    runs = data.runs.assign(bar=cells)
    return standing(replace(data, runs=runs, factors=(height, FACTORS[1])))


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ([5, 6, 5, 6, 6, 5, 5, 6], ""),
        ([6, 7, 6, 7, 7, 6, 6, 7], ""),
        ([5] * 8, "never run"),
        ([6] * 8, "never run"),
        ([None] * 8, "never run"),
        ([5, 5, 5, 6, 6, 6, 6, 6], "changed once"),
    ],
)
def test_a_number(values: Sequence[float | None], sentence: str) -> None:
    found = number_of(values)
    assert found.sentence.startswith(sentence) and bool(found.sentence) == bool(sentence)


def test_a_number_that_each_driver_kept() -> None:
    data = day({"Ada": ["ssss"], "Ben": ["hhhh"]})
    text = data.runs["bar"].replace({"soft": "5", "hard": "6"})
    height = replace(FACTORS[0], kind="number", levels=(), reference="5")
    kept = replace(data, runs=data.runs.assign(bar=text), factors=(height, FACTORS[1]))
    assert standing(kept).sentence.startswith("each driver kept to one setting")


def test_a_factor_without_label_goes_by_its_name() -> None:
    data = replace(day(MIXED, MIXED), factors=(FACTORS[0], replace(FACTORS[1], label="")))
    assert standing(data).sentence == "always changed together with spring"
    assert standing(data, factor="spring").sentence == "always changed together with Rear bar"


def test_runs_of_a_condition_alone() -> None:
    other = day({"Ada": ["shhs", "shsh"], "Ben": ["hssh", "shsh"]})
    assert standing(other, lambda design: design.day == 0).switches == 4
    data = day({"Ada": ["shhs", "ssss"], "Ben": ["hssh", "ssss"]})
    second = standing(data, lambda design: design.day == 1)
    assert (second.sentence.split(":")[0], second.n_runs) == ("never run", 0)
    first = standing(data, lambda design: design.day == 0)
    assert (first.sentence, first.n_runs, first.meetings) == ("", 4, ("meeting 0",))
    none = standing(data, lambda design: design.day == 7)
    assert (none.verdict, none.information_left, none.n_runs) == ("not enough runs", 0.0, 0)
    assert (none.switches, none.own_switches, none.n_drivers, none.n_meetings) == (0, 0, 0, 0)


def test_runs_that_take_part() -> None:
    runs = pd.DataFrame({"excluded": [None, None, "rain", None]})
    rows = [(0, "first"), (0, "clean"), (0, "clean"), (1, "clean"), (1, "incident"), (2, "clean"),
            (2, "clean")]  # fmt: skip
    laps = pd.DataFrame(rows, columns=["run", "status"])
    assert list(usable_runs(SeasonData(runs, laps, ()))) == [0]
    assert len(tell_apart(SeasonData(runs.assign(excluded="rain"), laps, ()))) == 0


def test_information_is_a_share_of_its_own() -> None:
    assert standing(day({"Ada": ["ssss"], "Ben": ["hhhh"]})).information_left == 0.0
    assert 0.35 < standing(day(MIXED)).information_left < 1.0


@pytest.mark.parametrize(
    ("mixed_with", "words"),
    [
        ("grip", "changed only with the clock (on a day): grip"),
        ("session", "changed only between kinds of session"),
        ("spring", "always changed together with Front springs"),
        ("grip, spring", "always changed together with grip and Front springs"),
    ],
)
def test_mixed_in_words(mixed_with: str, words: str) -> None:
    verdict, partner, sentence = identify._worded(("mixed", mixed_with, "on a day"), LABELS)
    assert (verdict, partner) == ("not separable", mixed_with)
    assert sentence.startswith(words)
