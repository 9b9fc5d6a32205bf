"""The pages as text: valid, sealed, and with no number that the tables do not hold."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from dataclasses import replace
from xml.etree.ElementTree import Element

import html5lib
import pandas as pd
import pytest

from pipeline.report.meeting_page import meeting_page
from pipeline.report.render import render
from pipeline.report.season_page import season_page
from pipeline.report.words import MINUS
from pipeline.tables.decisions import Decisions
from pipeline.tables.records import MeetingResult, SeasonResult
from tests.report import decided, made_up
from tests.report.conftest import PAGES

HTML = "{http://www.w3.org/1999/xhtml}"
SIX = 6  # digits of the values behind the cells


def parsed(text: str) -> Element:
    """The tree; raises at the first fault of the syntax."""
    return html5lib.HTMLParser(strict=True).parse(text)


def words_of(element: Element) -> str:
    return " ".join("".join(element.itertext()).split())


@pytest.mark.parametrize("name", PAGES)
def test_html_is_valid(html: dict[str, str], name: str) -> None:
    tree = parsed(html[name])
    ids = Counter(e.get("id") for e in tree.iter() if e.get("id"))
    assert [i for i, count in ids.items() if count > 1] == []
    targets = [r for e in tree.iter() for r in (e.get("aria-labelledby") or "").split()]
    targets += [e.get("href", "")[1:] for e in tree.iter(f"{HTML}a")]
    assert [t for t in targets if t not in ids] == []
    levels = [int(e.tag[-1]) for e in tree.iter() if re.fullmatch(rf"{HTML}h[1-6]", str(e.tag))]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))
    assert all(e.get("scope") in ("col", "row") for e in tree.iter(f"{HTML}th"))


@pytest.mark.parametrize("name", PAGES)
def test_the_page_is_sealed(html: dict[str, str], name: str) -> None:
    tree = parsed(html[name])
    policy = next(e.get("content", "") for e in tree.iter(f"{HTML}meta") if e.get("http-equiv"))
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    styled = [e.tag for e in tree.iter() if e.get("style") or e.get("onclick")]
    assert styled == []
    addresses = set(re.findall(r"\w+://[^\s\"'<)]+", html[name]))
    assert addresses <= {"http://www.w3.org/2000/svg"}


@pytest.mark.parametrize("name", PAGES)
def test_figures_have_words_and_a_table(html: dict[str, str], name: str) -> None:
    for figure in parsed(html[name]).iter(f"{HTML}figure"):
        svg = next(e for e in figure.iter() if str(e.tag).endswith("}svg"))
        named = {e.get("id"): words_of(e) for e in svg}
        assert svg.get("role") == "img"
        assert all(named[i] for i in svg.get("aria-labelledby", "").split())
        assert any(True for _ in figure.iter(f"{HTML}table"))
        assert any(str(e.tag).endswith("}text") for e in svg.iter())


def numbers_of(*results: SeasonResult | MeetingResult | Decisions | None) -> set[str]:
    """Every number of every result table, to six digits."""
    found: set[str] = set()
    for result in results:
        for frame in vars(result).values() if result is not None else ():
            if isinstance(frame, pd.DataFrame):
                for column in frame.select_dtypes("number"):
                    found |= {f"{float(v):.{SIX}g}" for v in frame[column].dropna()}
    return found


@pytest.mark.parametrize("name", PAGES)
def test_each_number_of_a_cell_is_one_of_the_tables(html: dict[str, str], name: str) -> None:
    result = decided.season()
    known = numbers_of(result, result.decisions, made_up.meeting(result))
    known |= {str(rows) for _, rows in made_up.context().set_aside}
    # The runs of an excluded session are counted on the page.
    known |= {str(n) for n in result.runs.groupby(["meeting", "session", "excluded"]).size()}
    cells = [e for e in parsed(html[name]).iter() if e.get("data-value")]
    values = [value for e in cells for value in e.get("data-value", "").split()]
    assert len(values) > 30
    assert [value for value in values if value not in known] == []


@pytest.mark.parametrize("name", PAGES)
def test_each_shown_number_is_its_value_rounded(html: dict[str, str], name: str) -> None:
    checked = 0
    for cell in parsed(html[name]).iter():
        value, text = cell.get("data-value", ""), words_of(cell)
        shown = text.replace(MINUS, "-").replace("+", "").lstrip("●■◆○ ")
        if not value or not re.fullmatch(r"-?[\d ]+(\.\d+)?", shown):
            continue
        digits = len(shown.partition(".")[2])
        close = abs(float(shown.replace(" ", "")) - float(value.split()[0]))
        # Half a unit of the last digit shown, and of the sixth digit kept.
        room = 0.5 * 10**-digits + abs(float(value.split()[0])) * 10**-SIX
        assert close <= room * (1 + 1e-9), (text, value)
        checked += 1
    assert checked > 20


def test_a_full_season_stays_small() -> None:
    """12 meetings, 60 drivers."""
    page = render(season_page(made_up.season(rivals=56, meetings=12), made_up.context()))
    assert len(page.encode()) < 1_500_000


def test_a_season_that_can_say_nothing_still_makes_its_page() -> None:
    """No factor, no claim, no rival, no mistake: a page without empty sections."""
    full = made_up.season(rivals=0)
    empty = {
        name: getattr(full, name).iloc[:0]
        for name in ("effects", "by_driver", "trends", "claims", "cannot_tell", "needs")
    }
    none = {name: getattr(full, name).iloc[:0] for name in ("race_check", "lap_counts", "grip")}
    page = render(season_page(replace(full, **empty, **none), made_up.context()))
    tree = parsed(page)
    assert "What to run" not in page
    assert [e for e in tree.iter(f"{HTML}tbody") if not len(e)] == []
    assert [e for e in tree.iter(f"{HTML}section") if len(e) < 2] == []


def test_the_same_tables_make_the_same_bytes(html: dict[str, str]) -> None:
    assert render(season_page(decided.season(), decided.context())) == html["season"]


def test_hostile_words_stay_words() -> None:
    evil = "<script>alert(1)</script>\"'&$x_1$\x00"
    result = made_up.season()
    for frame in (result.runs, result.grip, result.lap_counts):
        frame["meeting"] = frame["meeting"].replace({"hall-cup": evil})
    result.claims["text"] = evil
    context = made_up.context()
    factor = context.factors["rear_bar"]
    object.__setattr__(factor, "label", evil)
    try:
        page = render(season_page(result, context))
    finally:
        object.__setattr__(factor, "label", "Rear anti-roll bar")
    assert "<script>alert" not in page and "\x00" not in page
    scripts = list(parsed(page).iter(f"{HTML}script"))
    assert len(scripts) == 1


@pytest.mark.parametrize("name", PAGES)
def test_pages_of_the_team_say_so_and_what_to_send_instead(html: dict[str, str], name: str) -> None:
    footer = next(e for e in parsed(html[name]).iter(f"{HTML}footer"))
    said = words_of(footer)
    assert ("For the team:" in said and "backtoback share" in said) == (name != "share")


def test_a_run_sheet_puts_the_days_back_to_backs_together() -> None:
    result, context = made_up.meeting(), made_up.context()
    page = meeting_page(result, context)
    day = page.groups[0]
    assert day.name == "day"
    pace = result.effects[result.effects["outcome"] == "pace"]  # type: ignore[index]
    wanted = {
        f"{row.factor}:{row.level}:{row.reference}"
        for row in pace.itertuples()
        if row.estimate == row.estimate
    }
    assert {item.key for item in day.items} == wanted
    without = meeting_page(replace(result, effects=None), context)
    assert all(group.name != "day" for group in without.groups)


def test_a_run_sheet_shows_when_the_whole_field_was_slow() -> None:
    result, context = made_up.meeting(), made_up.context()
    page = render(meeting_page(result, context))
    assert "The whole field was slow from 10:12 to 10:15: 21 laps" in page
    assert "▮" in page
    calm = replace(result, neutralised=result.neutralised.iloc[:0])
    without = render(meeting_page(calm, context))
    assert "whole field was slow" not in without and "▮" not in without
    assert page.count("<polygon") > without.count("<polygon")
