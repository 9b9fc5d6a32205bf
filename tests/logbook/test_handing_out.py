"""`logbook`: what a page holds, and what it does not."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from pathlib import Path
from typing import Any

import html5lib
import pytest

from pipeline.day.page import usual_step
from pipeline.team.factors import Factor
from tests.commands import Said, run
from tests.folders import DRIVERS, TOML
from tests.laps import heat, stored
from tests.logbook.days import BOOK, CHANGES, FEELS, LAPS, day
from tests.logbook.said import tree

PLAN = {
    "meeting": "summer", "seed": 1, "held": {"ride_height": "5.20"}, "contrasts": [],
    "runs": [
        {"driver": driver, "run": number, "start": f"1{number}:00", "settings": {"rear_bar": bar}}
        for driver in ("Ann Arbor", "Bo Burg")
        for number, bar in enumerate(["1.3", "1.40 mm", "1.3"], start=1)
    ],
}  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return day(tmp_path / "team")


def logbook(folder: Path, *arguments: object) -> Said:
    return run("--team", folder, "logbook", *arguments)


def pages(folder: Path) -> list[Path]:
    return sorted((folder / "reports" / "logbooks").glob("*.html"))


def data_of(page: Path) -> dict[str, Any]:
    text = page.read_text("utf-8")
    found = re.search(r'<script type="application/json" id="logbook">(.*?)</script>', text, re.S)
    assert found
    data: dict[str, Any] = json.loads(found[1])
    return data


def plan_file(folder: Path, **changed: Any) -> Path:
    path = folder.parent / "plan.json"
    path.write_text(json.dumps({**PLAN, **changed}))
    return path


def test_a_page_a_driver_with_its_own_name_alone(folder):
    said = logbook(folder, "--meeting", "Summer", "--all")
    assert said.status == 0
    ann, bo = pages(folder)
    assert ann.name.startswith("logbook-summer-Ann") and bo.name.startswith("logbook-summer-Bo")
    assert [line.split(" (")[0] for line in said.out.splitlines()] == [str(ann), str(bo)]
    for page, own, other in ((ann, "Ann Arbor", "Bo Burg"), (bo, "Bo Burg", "Ann Arbor")):
        text = page.read_text("utf-8")
        assert own in text and other not in text and "Cy" not in text
        assert not re.search(r"\b10[12]\b", text)
        assert page.stat().st_size < 200_000


def test_it_starts_from_what_the_car_had_last_and_knows_no_more(folder):
    logbook(folder, "--meeting", "summer", "--all")
    ann, bo = map(data_of, pages(folder))
    assert ann["cars"][0]["start"] == ["1.3", "5.4"]
    assert bo["cars"][0]["start"] == ["?", "?"]
    assert ann["cars"][0]["file"].startswith("logbook-summer-Ann-Arbor")
    assert [f["name"] for f in ann["feels"]] == ["rear_grip", "steering"]


def test_before_any_import_it_starts_from_the_log_alone(tmp_path):
    typed = CHANGES + "spring,Ann Arbor,1,rear_bar,1.2\nspring,Ann Arbor,2,rear_bar,1.4\n"
    typed += "spring,Ann Arbor,1,ride_height,5.0\nspring,Ann Arbor,3,ride_height,reset\n"
    folder = day(tmp_path / "team", starts=(), kept="", typed=typed)
    assert logbook(folder, "--meeting", "summer", "--driver", "ann arbor").status == 0
    assert data_of(pages(folder)[0])["cars"][0]["start"] == ["1.4", "?"]


def test_of_a_driver_of_two_classes_the_car_of_the_last_run_counts(tmp_path):
    drivers = "driver,transponder,team\nAnn Arbor,101,yes\nAnn Arbor,111,yes\n"
    head = "meeting,driver,class,run,factor,value\n"
    row = "spring,Ann Arbor,{},1,rear_bar,{}\n"
    typed = head + row.format("touring", "1.2") + row.format("formula", "1.4")
    folder = day(tmp_path / "team", starts=(), kept="", typed=typed, drivers=drivers)
    stored(
        folder,
        heat("Q1", "08:00", {"111": LAPS}, racing_class="Formula"),
        heat("Q2", "09:00", {"101": LAPS}, racing_class="Touring"),
    )
    logbook(folder, "--meeting", "summer", "--all")
    assert data_of(pages(folder)[0])["cars"][0]["start"] == ["1.2", "?"]


def test_one_page_for_a_mechanic(folder):
    said = logbook(folder, "--meeting", "summer", "--all", "--together")
    (page,) = pages(folder)
    assert said.status == 0 and page.name == "logbook-summer-2-cars.html"
    assert [car["driver"] for car in data_of(page)["cars"]] == ["Ann Arbor", "Bo Burg"]


def test_what_was_planned_stands_with_each_run(folder):
    said = logbook(
        folder, "--meeting", "summer", "--driver", "Bo Burg", "--plan", plan_file(folder)
    )
    assert (said.status, said.err) == (0, "")
    data = data_of(pages(folder)[0])
    assert data["cars"][0]["runs"] == [
        {"start": "11:00", "settings": ["1.3", "5.2"]},
        {"start": "12:00", "settings": ["1.4", "5.2"]},
        {"start": "13:00", "settings": ["1.3", "5.2"]},
    ]
    assert "Ann" not in pages(folder)[0].read_text("utf-8")


def test_a_plan_without_a_driver_is_said(folder):
    only = [run for run in PLAN["runs"] if run["driver"] == "Bo Burg"]
    said = logbook(folder, "--meeting", "summer", "--all", "--plan", plan_file(folder, runs=only))
    assert said.err == "note: the plan has no run of Ann Arbor\n"


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"meeting": "spring"}, "found a plan for 'spring'; expected one for 'summer'"),
        ({"runs": 3}, "found no list `runs`"),
        ({"runs": [{"driver": "Ann Arbor", "run": 0, "settings": {}}]}, "the number of a run"),
        ({"runs": [{"driver": 4, "run": 1, "settings": {}}]}, "found 4; expected a driver's name"),
        ({"runs": [{"driver": "A", "run": 1, "settings": [1]}]}, "factors with their levels"),
        ({"runs": [{"driver": "A", "run": 1, "settings": {}, "start": "x"}]}, "a time of day"),
        ({"runs": [{"driver": "A", "run": 1, "settings": {}}] * 2}, "run 1 of A again"),
        ({"held": {"rear_bra": "1.3"}}, "Did you mean 'rear_bar'?"),
        ({"held": {"rear_bar": "1.9"}}, "found '1.9'; expected one of 1.2, 1.3, 1.4 (mm)"),
    ],
)
def test_a_file_that_is_no_plan_of_that_day_is_refused(folder, changed, said):
    before = tree(folder)
    result = logbook(folder, "--meeting", "summer", "--all", "--plan", plan_file(folder, **changed))
    assert (result.status, result.out) == (1, "")
    assert said in result.err and "plan.json" in result.err
    assert tree(folder) == before


@pytest.mark.parametrize("text", ["", "[]", "{", "\x00", '"plan"', "[" * 100_000])
def test_what_is_no_json_at_all_is_refused(folder, text):
    path = folder.parent / "plan.json"
    path.write_text(text)
    result = logbook(folder, "--meeting", "summer", "--all", "--plan", path)
    assert (
        result.status == 1 and "no plan" in result.err and "fault of the program" not in result.err
    )
    assert logbook(folder, "--meeting", "summer", "--all", "--plan", path / "none").status in (1, 2)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--meeting", "summr", "--all"], "Did you mean 'summer'?"),
        (["--meeting", "summer", "--driver", "An Arbor"], "Did you mean 'Ann Arbor'?"),
        (["--meeting", "summer"], "--driver NAME (repeat) or --all"),
        (["--meeting", "summer", "--all", "--driver", "Ann Arbor"], "--driver NAME (repeat)"),
        (["--all"], "--meeting"),
    ],
)
def test_wrong_calls_name_the_nearest(folder, arguments, said):
    result = logbook(folder, *arguments)
    assert (result.status, result.out) == (2, "")
    assert said in result.err
    assert pages(folder) == []


def test_a_file_of_a_persons_own_in_the_way_stays(folder):
    logbook(folder, "--meeting", "summer", "--all")
    ann, _ = pages(folder)
    assert logbook(folder, "--meeting", "summer", "--all").status == 0
    ann.write_text("<p>mine")
    before = tree(folder)
    result = logbook(folder, "--meeting", "summer", "--all")
    assert result.status == 1 and "was not made by backtoback" in result.err
    assert tree(folder) == before


@pytest.mark.parametrize("place", ["label", "levels", "unit"])
def test_a_page_that_would_name_others_is_not_written(tmp_path, place):
    new = {"label": "Rear bar of Bo Burg", "levels": "Bo Burg", "unit": "as Bo  Burg"}[place]
    old = {"label": "Rear anti-roll bar", "levels": "1.2", "unit": "mm"}[place]
    folder = day(tmp_path / "team", kept="")
    (folder / "team.toml").write_text(TOML.replace(f'"{old}"', f'"{new}"') + FEELS)
    result = logbook(folder, "--meeting", "summer", "--all")
    assert result.status == 1 and "would hold 1 names or transponders of others" in result.err
    assert pages(folder) == []
    alone = logbook(folder, "--meeting", "summer", "--driver", "Bo Burg")
    assert alone.status == 0, alone.err


def test_a_page_too_large_to_send_is_not_written(tmp_path):
    levels = ", ".join(f'"a rather long name of a level, number {n}"' for n in range(5000))
    folder = day(tmp_path / "team", kept="")
    text = f'\n[[factor]]\nname = "oil"\nkind = "category"\nlevels = [{levels}]\n'
    (folder / "team.toml").write_text(TOML + text)
    result = logbook(folder, "--meeting", "summer", "--all")
    assert result.status == 1 and "more than 200 is too much for a message" in result.err


def test_forty_factors_and_thirty_planned_runs_stay_small(tmp_path):
    factors = "".join(
        f'\n[[factor]]\nname = "f{n}"\nlabel = "Some factor number {n}"\nkind = "category"\n'
        'levels = ["soft", "medium", "stiff", "very stiff"]\n'
        for n in range(38)
    )
    folder = day(tmp_path / "team", kept="")
    (folder / "team.toml").write_text(TOML + FEELS + factors)
    settings = {f"f{n}": "very stiff" for n in range(38)}
    runs = [{"driver": "Ann Arbor", "run": n, "settings": settings} for n in range(1, 31)]
    plan = plan_file(folder, runs=runs)
    assert (
        logbook(folder, "--meeting", "summer", "--driver", "Ann Arbor", "--plan", plan).status == 0
    )
    assert pages(folder)[0].stat().st_size < 200_000


HOSTILE = "</script><script>alert(1)</script>\"'&<!--"


def test_hostile_names_are_text_in_the_page(tmp_path):
    folder = day(
        tmp_path / "team", kept="", starts=(),
        drivers=f'driver,transponder,team\n"{HOSTILE.replace(chr(34), chr(34) * 2)}",101,yes\n',
    )  # fmt: skip
    toml = TOML.replace("Rear anti-roll bar", HOSTILE.replace('"', '\\"'))
    (folder / "team.toml").write_text(toml + FEELS)
    assert logbook(folder, "--meeting", "summer", "--all").status == 0
    (page,) = pages(folder)
    data = data_of(page)
    assert data["cars"][0]["driver"] == HOSTILE and data["factors"][0]["label"] == HOSTILE
    tree_ = html5lib.parse(page.read_text("utf-8"), namespaceHTMLElements=False)
    assert len(list(tree_.iter("script"))) == 2
    assert HOSTILE in "".join(tree_.find("body").itertext())


def test_the_page_is_valid_and_lets_in_its_own_script_and_style_alone(folder):
    logbook(folder, "--meeting", "summer", "--driver", "Ann Arbor", "--plan", plan_file(folder))
    text = pages(folder)[0].read_text("utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', text)
    assert policy and "default-src 'none'" in policy[1].replace("&#39;", "'")
    for tag in ("style", "script"):
        (inside,) = re.findall(rf"<{tag}>(.*?)</{tag}>", text, re.S)
        digest = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert f"{tag}-src &#39;sha256-{digest}&#39;" in policy[1].replace("'", "&#39;")
    assert not re.search(r"""(src|href)\s*=\s*["']?(https?:)?//""", text)
    assert "unsafe" not in policy[1]


def test_its_first_lines_are_for_viewers_without_script_and_for_safety(folder):
    logbook(folder, "--meeting", "summer", "--driver", "Ann Arbor")
    tree_ = html5lib.parse(pages(folder)[0].read_text("utf-8"), namespaceHTMLElements=False)
    lines = " ".join(" ".join(tree_.find("body").itertext()).split())
    assert lines.startswith("This viewer runs no script, so nothing can be tapped here.")
    caution = "At the table, not while marshalling. Unplug the battery before you work on the car."
    assert 0 < lines.index(caution) < 250
    assert "stays on this phone" in lines
    (table,) = tree_.iter("table")
    assert len(list(table.iter("tr"))) == 13


@pytest.mark.parametrize(
    ("step", "values", "reference", "expected"),
    [
        (0.2, ["5", "5", "5.5", "5.5"], "5.2", "0.2"),
        (None, ["5", "5", "5.5", "5.5", "6.5", "6.5"], "5.2", "0.5"),
        (None, ["5", "5", "5.1", "5.5", "5.5"], "5.2", "0.5"),  # 5.1 stands in one run alone
        (None, ["5", "5"], "5.2", "0.1"),
        (None, [], "5000", "1"),
        (None, [], "", "1"),
    ],
)
def test_the_usual_step_of_a_number(step, values, reference, expected):
    factor = Factor("oil", "Oil", "number", (), reference, "", step)
    assert usual_step(factor, values) == expected


def test_notes_of_a_logbook_stay_in_the_folder(folder):
    """What a driver noted is nobody's on a page that is made anew."""
    assert "windy" in BOOK
    logbook(folder, "--meeting", "summer", "--all", "--together")
    assert "windy" not in pages(folder)[0].read_text("utf-8")
    assert DRIVERS
