"""The first screen: what to fit in every state, drawn and said from the same tables."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from xml.etree.ElementTree import Element

import html5lib
import pytest

from pipeline.report.grip_line import Point, grip_line
from pipeline.report.screen import screen
from pipeline.report.screen_views import Screen, ShortList
from tests.report import decided, screens

HTML = "{http://www.w3.org/1999/xhtml}"


def words_of(element: Element) -> str:
    return " ".join("".join(element.itertext()).split())


def shown(found: tuple[ShortList, ...] | tuple[object, ...], *states: str) -> list[object]:
    """Those of the views that a state shows, by their classes, as the style does."""
    out = []
    for view in found:
        classes = view.states.split()  # type: ignore[attr-defined]
        kinds = {"g": "og", "d": "od"}
        if all(kinds[s[0]] not in classes or s in classes for s in states):
            out.append(view)
    return out


@pytest.fixture(scope="module")
def answer() -> Screen:
    found = screen(decided.season(), decided.context())
    assert found is not None
    return found


@pytest.mark.parametrize("name", screens.CASES)
def test_every_case_makes_a_sealed_page_that_reads_well(name: str) -> None:
    result, context = screens.case(name)
    html = screens.page(result, context)
    tree = html5lib.HTMLParser(strict=True).parse(html)
    ids = Counter(e.get("id") for e in tree.iter() if e.get("id"))
    assert [i for i, count in ids.items() if count > 1] == []
    links = [e.get("href", "") for e in tree.iter() if e.get("href")]
    named = [r for e in tree.iter() for r in (e.get("aria-labelledby") or "").split()]
    assert [x for x in links + [f"#{n}" for n in named] if x[1:] not in ids] == []
    assert [e.tag for e in tree.iter() if e.get("style") or e.get("onclick")] == []
    assert not re.search(r"\bnan\b|None|<NA>|\{|\}", words_of(next(tree.iter(f"{HTML}main"))))
    levels = [int(e.tag[-1]) for e in tree.iter() if re.fullmatch(rf"{HTML}h[1-6]", str(e.tag))]
    assert levels[0] == 1 and all(b <= a + 1 for a, b in itertools.pairwise(levels))
    assert len(html.encode()) < 500_000


@pytest.mark.parametrize("name", screens.CASES)
def test_each_state_shows_one_list_and_one_sentence_a_part(name: str) -> None:
    found = screen(*screens.case(name))
    assert found is not None
    grips = [pick.key for pick in found.grips] or ["g0"]
    people = [pick.key for pick in found.drivers] or ["d0"]
    views = [part for block in found.blocks for part in block.parts]
    for state in itertools.product(grips, people):
        lists = shown(found.lists, *state)
        assert len(lists) == 1
        one = lists[0]
        lines = {line.target: line for line in (*one.fit, *one.tries)}  # type: ignore[attr-defined]
        told = 0
        for part in views:
            said = [s for s in shown(part.told, *state) if not s.aside]  # type: ignore[attr-defined]
            assert len(said) == 1, (part.label, state)
            kind, text = said[0].kind, said[0].head + said[0].tail  # type: ignore[attr-defined]
            assert (kind in ("fit", "try")) == (part.key in lines)
            told += kind in ("fit", "try")
            if part.key in lines:
                line = lines[part.key]
                assert line.saves.removeprefix("under ") in text and line.right in text
                assert text.startswith(f"{line.level}, {line.instead}")
        assert told == len(lines)
        rest = {label: n.word for n in one.rest for label, _ in n.links}  # type: ignore[attr-defined]
        assert len(rest) + told >= len(views)


def test_the_heading_counts_and_the_largest_saving_stands_first(answer: Screen) -> None:
    headings = {list_.heading for list_ in answer.lists}
    assert "High grip: four to fit" in headings
    assert any(re.fullmatch(r"Low grip, Ida: (\w+|nothing) to change", h) for h in headings)
    for list_ in answer.lists:
        saved = [float(line.saves.removeprefix("under ").split()[0]) for line in list_.fit]
        assert saved == sorted(saved, reverse=True)


def test_who_differs_is_said_once_and_drawn_where_it_is_so(answer: Screen) -> None:
    (bar,) = (p for b in answer.blocks for p in b.parts if p.label == "Rear anti-roll bar")
    aside = [s for s in bar.told if s.aside]
    assert [s.differs for s in aside] == ["Samir differs"]
    assert "1.3 mm; 1.4 mm would lose" in aside[0].head and "switch" not in aside[0].tail
    own = [s for s in bar.told if s.differs == "Differs from the team (1.4 mm)"]
    assert len(own) == 1 and own[0].head == aside[0].head
    assert ">Samir</text>" in bar.picture
    notes = {n for list_ in answer.lists for n in list_.notes}
    assert "Differs: Samir in Rear anti-roll bar." in notes
    assert "The team’s choice throughout, but for Rear anti-roll bar." in notes


def test_without_words_of_grip_there_is_no_bar_and_one_answer_a_driver() -> None:
    found = screen(*screens.case("no words"))
    assert found is not None and found.grips == () and found.axis == ()
    assert len(found.lists) == len(decided.DRIVERS) + 1
    assert found.lists[0].heading.endswith("to fit")
    assert all("<polyline" not in p.picture or p.label == "Rear damper oil"
               for b in found.blocks for p in b.parts)  # fmt: skip


def test_nothing_told_says_so_and_gives_the_reasons() -> None:
    found = screen(*screens.case("nothing told"))
    assert found is not None and found.blocks == ()
    assert {list_.heading.split(": ")[1] for list_ in found.lists} == {"nothing can be told yet"}
    (labels, reason), *rest = found.cannot
    assert rest == [] and reason.startswith("Changed with the clock")
    assert labels.split(", ") == [part.label for part in decided.parts()]


def test_surfaces_that_differ_have_a_line_of_their_own() -> None:
    result, context = screens.case("three surfaces")
    found = result.decisions
    assert found is not None
    choices = found.choices
    there = (choices["surface"] == "asphalt") & (choices["factor"] == "shell")
    swap = choices[there & (choices["driver"] == "")]
    for key in swap.index[swap["level"] == "long tail"]:
        choices.loc[key, ["gain_s", "gain_low", "gain_high", "advice", "other"]] = [
            -0.9, -1.5, -0.3, None, None]  # fmt: skip
    for key in swap.index[swap["level"] == "short tail"]:
        choices.loc[key, ["chance_best", "advice", "other"]] = [0.98, "keep", "long tail"]
    answer = screen(result, context)
    assert answer is not None
    (shell,) = (p for b in answer.blocks for p in b.parts if p.label == "Body shell")
    told = {(s.differs, s.word) for s in shell.told if s.aside}
    assert told == {("On asphalt it differs", "Keep")}


def test_a_grip_line_is_the_tables_at_the_grips_and_a_straight_lines_variance_between() -> None:
    """A line a + b x with independent errors of a and b has the variance sa2 + sb2 x2."""
    points = [Point(x, 0.7 + 1.7 * x, 1.96 * (0.35**2 + 0.37**2 * x * x) ** 0.5)
              for x in (-1.0, 0.0, 1.0)]  # fmt: skip
    line = grip_line(points)
    assert line is not None
    for point in points:
        assert line.saved(point.at) == pytest.approx(point.saved)
        assert line.half(point.at) == pytest.approx(point.half)
    assert line.half(0.5) == pytest.approx(1.96 * (0.35**2 + 0.37**2 * 0.25) ** 0.5)
    assert line.saved(-1.2) == pytest.approx(0.7 - 1.7 * 1.2)
    assert line.crossings() == [pytest.approx(-0.7 / 1.7)]
    assert line.chance(-0.7 / 1.7) == pytest.approx(0.5)
    # Chance 0.975 exactly where the 95 % interval leaves nought.
    edge = next(x / 1000 for x in range(-400, 1000) if line.saved(x / 1000) > line.half(x / 1000))
    assert line.chance(edge) == pytest.approx(0.975, abs=0.002)


def test_the_dotted_box_is_where_the_sentence_prefers_nothing() -> None:
    """Over drawn parts: at each grip, in the box or not as 'either' or 'no change is worth'."""
    from pipeline.tables.conditions import POSITIONS
    from tests.decide import drawn

    checked = 0
    for seed in range(6):
        parts = [p for p in drawn.random_parts(seed, 14, []) if len(p.levels) == 2 and not p.reason]
        found = decided.decided(parts, []).decisions
        assert found is not None
        for part in parts:
            rows = found.choices[(found.choices["factor"] == part.name)]
            rows = rows[rows["grip"].isin(list(POSITIONS))]
            other = rows[rows["level"] == part.levels[1]]
            line = grip_line([
                Point(POSITIONS[r.grip], r.gain_s, (r.gain_high - r.gain_low) / 2)
                for r in other.itertuples()
            ])  # fmt: skip
            assert line is not None
            boxes = line.level_stretches(0.1, drawn.WORTHWHILE * drawn.LAPS)
            for grip, at in POSITIONS.items():
                said = rows[(rows["grip"] == grip) & rows["advice"].notna()]["sentence"].iloc[0]
                nothing = "Either" in said or "no change is worth" in said
                inside = any(low - 0.02 <= at <= high + 0.02 for low, high in boxes)
                edge = any(abs(at - x) < 0.02 for box in boxes for x in box)
                assert nothing == inside or edge, (part.name, grip, said)
                checked += 1
    assert checked > 60
