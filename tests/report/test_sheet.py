import itertools
import os
import re
from pathlib import Path

import html5lib
import pytest

from pipeline.plan.planner import chance_of, plan_day
from pipeline.plan.request import DayRequest, PlanFactor
from pipeline.report.render import write_page
from pipeline.report.sheet import CAUTION, sheet_html

HOSTILE = "<script>alert(1)</script>"


def plan_of(drivers=4, runs=8, label="Rear anti-roll bar", first="Ann Arbor"):
    factors = (
        PlanFactor("rear_bar", ("1.3", "1.4"), label, "mm"),
        PlanFactor("oil", ("thin", "thick"), "Oil"),
    )
    names = (first, *(f"Driver {number}" for number in range(2, drivers + 1)))
    return plan_day(DayRequest(factors, names, runs, meeting="march-test"), chance_of(1))


def cells(html):
    """Text of each body row of each table."""
    tree = html5lib.parse(html, namespaceHTMLElements=False)
    return [
        [
            ["".join(cell.itertext()).strip() for cell in row if cell.tag in ("th", "td")]
            for row in table.iter("tr")
        ][1:]
        for table in tree.iter("table")
    ]


def test_each_run_has_its_settings_and_a_box_for_what_was_fitted():
    plan = plan_of(2, 6)
    tables = cells(sheet_html(plan))
    assert [len(table) for table in tables] == [6, 6]
    for driver, table in enumerate(tables):
        for run, row in enumerate(table):
            setting = plan.setting(driver, run)
            assert row[0].split()[0] == str(run + 1)
            assert row[1].split()[0] == setting["rear_bar"]
            assert row[3].split()[0] == setting["oil"]
            assert [row[2], *row[4:]] == [""] * 4
    assert tables[0][0][0] == "1 09:00 warm-up"


def test_changes_are_marked_and_only_they():
    plan = plan_of(1, 8)
    rows = cells(sheet_html(plan))[0]
    for before, row in itertools.pairwise(rows):
        for column in (1, 3):
            differs = before[column].split()[0] != row[column].split()[0]
            assert ("change" in row[column]) == differs


def test_the_sheet_is_valid_self_contained_and_careful():
    html = sheet_html(plan_of())
    html5lib.HTMLParser(strict=True).parse(html)
    assert CAUTION in html
    assert "default-src &#39;none&#39;" in html or "default-src 'none'" in html
    assert not re.search(r"(src|href)=|https?:", html)
    assert "<script" not in html


def test_the_sheet_says_what_keeps_hands_and_people_whole():
    said = " ".join(CAUTION.split())
    assert "Unplug the battery before hands go near motor or gears." in said
    assert "Nobody on the track while cars run." in said
    assert "as their maker says" in said and "rules of the event" in said
    assert "top the motor" not in sheet_html(plan_of())


@pytest.mark.browser
@pytest.mark.parametrize("media", ["screen", "print"])
def test_the_caution_is_in_ink_at_the_size_of_the_tables(chromium, tmp_path, media):
    path = write_page(tmp_path / "plan.html", sheet_html(plan_of(2, 8)))
    page = chromium.new_page(viewport={"width": 1280, "height": 800})
    page.goto(path.as_uri())
    page.emulate_media(media=media)
    caution, cell = (
        page.evaluate(
            "s => { const c = getComputedStyle(document.querySelector(s));"
            " return [c.color, c.fontSize, c.display]; }",
            selector,
        )
        for selector in (".sheet header p:last-of-type", ".sheet tbody td")
    )
    page.close()
    assert caution[:2] == cell[:2] and caution[2] == "block"


def test_names_are_escaped():
    html = sheet_html(plan_of(1, 6, label=HOSTILE, first=HOSTILE))
    assert HOSTILE not in html
    assert "&lt;script&gt;" in html


@pytest.mark.browser
@pytest.mark.parametrize(("drivers", "runs"), [(1, 6), (2, 8), (4, 8)])
def test_the_sheet_prints_on_one_a4_page_and_fits_a_phone(chromium, tmp_path, drivers, runs):
    path = write_page(tmp_path / "plan.html", sheet_html(plan_of(drivers, runs)))
    page = chromium.new_page(viewport={"width": 360, "height": 700})
    said = []
    page.on("console", lambda message: said.append(message.text))
    page.goto(path.as_uri())
    wide = page.evaluate("document.documentElement.scrollWidth")
    printed = page.pdf(prefer_css_page_size=True)
    page.close()
    assert said == []
    assert wide <= 360
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1
    box = re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", printed)
    assert [round(float(side)) for side in box.groups()] == pytest.approx([595, 842], abs=1)


@pytest.mark.browser
@pytest.mark.parametrize("width", [360, 1280])
def test_the_sheet_has_no_serious_barrier(chromium, tmp_path, width):
    """By axe-core's rules."""
    axe = os.environ.get("BACKTOBACK_AXE", "")
    if not Path(axe).is_file():
        pytest.skip("BACKTOBACK_AXE does not name axe-core's script")
    path = write_page(tmp_path / "plan.html", sheet_html(plan_of(2, 8)))
    page = chromium.new_page(viewport={"width": width, "height": 800}, bypass_csp=True)
    page.goto(path.as_uri())
    page.add_script_tag(path=axe)
    found = page.evaluate("axe.run()")["violations"]
    page.close()
    assert [rule["id"] for rule in found if rule["impact"] in ("serious", "critical")] == []
