"""The logbook's page in emulated phones: offline, reloaded, in two tabs, refused, and all day."""

from __future__ import annotations

import csv
import datetime
import io
import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.day.page import CAUTION
from tests.browser import axe
from tests.commands import run
from tests.folders import TOML
from tests.laps import heat, stored
from tests.logbook.days import BOOK, FEELS, LAPS, answer, day, joined
from tests.logbook.phones import DAY, phone

pytestmark = pytest.mark.browser
REFUSED = """Object.defineProperty(window, "localStorage", {
  get() { throw new DOMException("refused", "SecurityError"); } });"""
FULL = """(() => { const set = Storage.prototype.setItem; let left = 4;
  Storage.prototype.setItem = function (...all) {
    if (left-- <= 0) throw new DOMException("full", "QuotaExceededError");
    return set.apply(this, all); }; })();"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A team with a page each for summer, and one for both."""
    made = day(tmp_path_factory.mktemp("day") / "team", kept=BOOK)
    plan = {
        "meeting": "summer",
        "held": {"ride_height": "5.0"},
        "runs": [
            {"driver": "Ann Arbor", "run": n, "start": f"{9 + n}:00", "settings": {"rear_bar": bar}}
            for n, bar in enumerate(["1.3", "1.4", "1.2"], start=1)
        ],
    }
    (made / "plan.json").write_text(json.dumps(plan))
    for arguments in (["--all"], ["--all", "--together"]):
        assert run("--team", made, "logbook", "--meeting", "summer", *arguments).status == 0
    planned = ["--driver", "Ann Arbor", "--plan", made / "plan.json", "--out", made / "planned"]
    assert run("--team", made, "logbook", "--meeting", "summer", *planned).status == 0
    return made


@pytest.fixture
def page(folder: Path) -> Path:
    return next((folder / "reports" / "logbooks").glob("*Ann-Arbor*.html"))


@pytest.fixture
def planned(folder: Path) -> Path:
    return next((folder / "planned").glob("*.html"))


def a_day(book: Any, runs: int = 2, step: str = "0.2") -> None:
    """So many runs, half an hour apart, each with something changed."""
    for number in range(runs):
        book.choose("Rear anti-roll bar", ("1.4 mm", "1.2 mm", "1.3 mm")[number % 3])
        book.tap(f"Ride height more {step}")
        book.go_out()
        book.wait(1)
        book.feel("Rear grip", ("−1", "0", "1")[number % 3])
        book.wait(29)


def test_a_day_on_a_phone_without_a_network(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        assert CAUTION in book.page.locator("header").inner_text()
        assert "stays on this phone" in book.page.locator("#kept").inner_text()
        a_day(book, 3)
        assert book.rows() == [
            ["summer", "Ann Arbor", "1", "09:30", "1.4", "5.6", "-1", "", ""],
            ["summer", "Ann Arbor", "2", "10:00", "1.2", "5.8", "0", "", ""],
            ["summer", "Ann Arbor", "3", "10:30", "1.3", "6", "1", "", ""],
        ]
        assert (device.said, device.asked) == ([], [page.as_uri()])


def test_what_was_changed_is_marked_and_a_run_starts_from_the_one_before(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        bar = book.page.get_by_role("group", name="Rear anti-roll bar")
        assert bar.get_by_role("radio", name="1.3 mm").is_checked()
        assert bar.locator(".mark").count() == 0
        book.choose("Rear anti-roll bar", "1.4 mm")
        assert bar.locator(".mark").inner_text().strip() == "changed, was 1.3 mm"
        book.go_out()
        following = book.page.locator("#part-next").get_by_role("group", name="Rear anti-roll bar")
        assert following.get_by_role("radio", name="1.4 mm").is_checked()
        assert following.locator(".mark").count() == 0
        assert "Run 2" in book.page.locator("#head-next").inner_text()


def test_a_run_that_is_mended_carries_over_to_what_was_not_touched(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        book.go_out()
        book.page.get_by_text("Mend run 1").tap()
        book.choose("Rear anti-roll bar", "1.2 mm", "[id^=part-last]")
        book.page.get_by_label("Time it went out").fill("08:05")
        book.wait(0.1)
        book.go_out()
        assert [row[3:5] for row in book.rows()] == [["08:05", "1.2"], ["09:30", "1.2"]]


def test_a_reload_in_mid_entry_loses_nothing(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        a_day(book, 1)
        book.choose("Rear anti-roll bar", "1.2 mm")
        book.page.locator("#next-note").press_sequentially('tyres, used 3 times; "soft" =1')
        book.page.locator("#next-ride_height-field").fill("6,2")
        book.page.reload()
        assert book.page.locator("#next-note").input_value() == 'tyres, used 3 times; "soft" =1'
        assert book.page.locator("#next-ride_height-field").input_value() == "6,2"
        book.go_out()
        rows = list(csv.reader(io.StringIO(book.text())))
        assert rows[2][4:] == ["1.2", "6.2", "", "", 'tyres, used 3 times; "soft" =1']
        # Closed and opened again, as after a restart of the browser.
        book.page.close()
        again = device.open(page)
        assert len(again.rows()) == 2 and device.said == []


def test_a_tap_right_after_typing_is_not_lost(chromium, page):
    """The field loses the focus by the tap, and the page is drawn anew between touch and tap."""
    with phone(chromium) as device:
        book = device.open(page)
        book.page.locator("#next-ride_height-field").tap()
        book.page.keyboard.type("7")
        book.go_out()
        assert len(book.rows()) == 1
        book.page.locator("#next-note").tap()
        book.page.keyboard.type("windy")
        book.page.get_by_role("button", name="Ride height less 0.2").first.tap()
        assert book.page.locator("#next-ride_height-field").input_value() != "7"


def test_a_tap_that_lands_twice_closes_one_run(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        book.page.locator("#close").tap()
        book.page.evaluate("document.getElementById('close').click()")
        assert len(book.rows()) == 1
        book.wait(0.02)
        book.go_out()
        assert len(book.rows()) == 2


def test_two_tabs_show_and_keep_the_same(chromium, page):
    with phone(chromium) as device:
        one, other = device.open(page), device.open(page)
        one.choose("Rear anti-roll bar", "1.4 mm")
        other.page.bring_to_front()
        checked = other.page.get_by_role("radio", name="1.4 mm")
        assert checked.is_checked()
        other.page.locator("#next-note").fill("from the other tab")
        other.go_out()
        one.page.bring_to_front()
        one.page.get_by_text("Run 2: what is on the car").wait_for()
        one.wait(20)
        one.go_out()
        other.page.bring_to_front()
        other.page.get_by_text("Run 3: what is on the car").wait_for()
        assert one.text() == other.text() and len(other.rows()) == 2
        assert other.rows()[0][-1] == "from the other tab"


def test_a_tab_that_slept_writes_over_nothing(chromium, page):
    """No event reached it: what it enters goes on top of what the other tab kept."""
    deaf = """window.addEventListener = (real => function (type, ...rest) {
      if (["storage", "focus", "pageshow"].includes(type)) return;
      real.call(this, type, ...rest); })(window.addEventListener);"""
    with phone(chromium) as device:
        asleep, awake = device.open(page, deaf), device.open(page)
        a_day(awake, 2)
        asleep.page.evaluate("document.getElementById('next-note').focus()")
        asleep.page.keyboard.type("late")
        asleep.page.evaluate("document.getElementById('close').click()")
        awake.page.reload()
        assert [row[2] for row in awake.rows()] == ["1", "2", "3"]
        assert awake.rows()[2][-1] == "late"


@pytest.mark.parametrize("script", [REFUSED, FULL])
def test_a_viewer_that_keeps_nothing_says_so_and_still_serves(chromium, page, script):
    with phone(chromium) as device:
        book = device.open(page, script)
        a_day(book, 3)
        kept = book.page.locator("#kept").inner_text()
        assert kept == "This viewer keeps nothing: hand the logbook on before you close it."
        assert len(book.rows()) == 3
        book.page.close(run_before_unload=True)
        book.page.wait_for_event("close")
        assert device.said == ["beforeunload"]


BREAK = "for (const k of Object.keys(localStorage)) localStorage.setItem(k, '{broken')"


def test_entries_that_cannot_be_read_are_put_aside_and_not_deleted(chromium, page, tmp_path):
    (tmp_path / "other.html").write_text("<p>another page of the same phone")
    with phone(chromium) as device:
        book = device.open(page)
        a_day(book, 1)
        book.page.close()
        device.open(tmp_path / "other.html").page.evaluate(BREAK)
        book = device.open(page)
        assert "could not be read" in book.page.locator("#kept").inner_text()
        assert "{broken" in book.page.evaluate("Object.values(localStorage)")
        book.go_out()
        assert len(book.rows()) == 1 and device.said == []


def test_entries_that_break_while_the_page_is_open_are_mended(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        a_day(book, 2)
        before = book.text()
        book.page.evaluate(BREAK)
        book.page.reload()
        assert book.text() == before


@pytest.mark.parametrize("raw", ["[]", "3", "null", '{"runs":{}}', '{"runs":[3,null,{}]}', '""'])
def test_kept_things_of_any_shape_do_no_harm(chromium, page, raw):
    with phone(chromium) as device:
        book = device.open(page)
        book.go_out()
        book.page.evaluate(
            "raw => Object.keys(localStorage).filter(k => k.includes('[')).forEach("
            "k => localStorage.setItem(k, raw))", raw,
        )  # fmt: skip
        book.page.reload()
        book.wait(1)
        book.go_out()
        assert book.rows()[-1][:2] == ["summer", "Ann Arbor"] and device.said == []


def test_a_clock_that_jumps_is_said_and_the_order_stays(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        book.go_out()
        book.page.clock.set_system_time(DAY - datetime.timedelta(hours=7))
        book.wait(0.1)
        book.go_out()
        book.page.clock.set_system_time(DAY + datetime.timedelta(days=400, hours=2))
        book.wait(0.1)
        book.go_out()
        assert [row[2:4] for row in book.rows()] == [
            ["1", "09:30"], ["2", "02:30"], ["3", "11:30"]
        ]  # fmt: skip
        book.page.locator(".runs summary").first.tap()
        remark = book.page.locator(".runs .remark").inner_text()
        assert remark.startswith("This is before 09:30") and "phone's clock" in remark
        book.page.locator(".runs input[type=time]").fill("10:31")
        assert [row[3] for row in book.rows()] == ["09:30", "10:31", "11:30"]
        assert book.page.locator(".runs .remark").count() == 0


def test_forty_runs(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        for number in range(40):
            book.choose("Rear anti-roll bar", ("1.2 mm", "1.4 mm")[number % 2])
            book.go_out()
            book.wait(12)
        rows = book.rows()
        assert [row[2] for row in rows] == [str(n) for n in range(1, 41)]
        assert [row[4] for row in rows] == ["1.2", "1.4"] * 20
        assert rows[-1][3] == "17:18"
        book.page.reload()
        assert book.rows() == rows
        assert book.page.locator(".runs details").count() == 39
        book.page.locator("details[id^=fold-r]").last.locator("summary").tap()
        book.choose("Rear anti-roll bar", "1.3 mm", ".runs details[open]")
        assert book.rows()[0][4] == "1.3" and device.said == []


def test_runs_are_taken_out_put_back_and_added(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        a_day(book, 3)
        whole = book.rows()
        book.page.locator(".runs summary", has_text="Run 2").tap()
        book.tap("Take run 2 out")
        assert [row[2:4] for row in book.rows()] == [["1", "09:30"], ["2", "10:30"]]
        book.tap("Put back the run of 10:00")
        assert book.rows() == whole
        first = book.page.locator(".runs details").last
        first.locator("summary").tap()
        first.get_by_text("Add a forgotten run before it").tap()
        assert book.rows()[0] == ["summer", "Ann Arbor", "1", "", "1.3", "5.4", "", "", ""]
        assert book.rows()[1][3:] == whole[0][3:]
        assert device.said == []


def test_a_number_that_is_none_is_asked_about_before_the_run_is_closed(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        field = book.page.locator("#next-ride_height-field")
        field.fill("five")
        field.blur()
        assert field.get_attribute("aria-invalid") == "true"
        book.go_out()
        assert book.rows() == [] and field.evaluate("e => e === document.activeElement")
        assert book.page.locator("#said").inner_text() == "Ride height is no number."
        for text, row in (("5,30 MM", "5.3"), ("", "?"), ("+.5", "0.5"), ("-0", "0")):
            field.fill(text)
            field.blur()
            book.go_out()
            book.wait(1)
            assert book.rows()[-1][5] == row


def test_a_number_goes_by_the_teams_step_without_rounding_dust(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        for _ in range(7):
            book.tap("Ride height more 0.2")
        assert book.page.locator("#next-ride_height-field").input_value() == "6.8"
        for _ in range(9):
            book.tap("Ride height less 0.2")
        assert book.page.locator("#next-ride_height-field").input_value() == "5"
        book.page.locator("#next-ride_height-field").fill("")
        book.tap("Ride height more 0.2")
        assert book.page.locator("#next-ride_height-field").input_value() == "5.2"


def test_what_was_planned_is_one_tap(chromium, planned):
    with phone(chromium) as device:
        book = device.open(planned)
        said = book.page.locator(".plan").inner_text()
        assert "Planned for run 1, 10:00: Rear anti-roll bar 1.3 mm, Ride height 5 mm." in said
        for _ in range(3):
            book.tap("Set as planned")
            assert "set as planned" in book.page.locator(".plan").inner_text()
            book.go_out()
            book.wait(1)
        assert [row[4:6] for row in book.rows()] == [["1.3", "5"], ["1.4", "5"], ["1.2", "5"]]
        assert book.page.locator(".plan").count() == 0  # nothing was planned for run 4


def test_one_page_for_two_cars_hands_on_a_file_each(chromium, folder, tmp_path):
    page = next((folder / "reports" / "logbooks").glob("*2-cars.html"))
    with phone(chromium) as device:
        book = device.open(page)
        book.go_out()
        book.page.get_by_role("radio", name="Bo Burg").tap(force=True)
        assert book.rows() == []
        book.choose("Rear anti-roll bar", "1.2 mm")
        book.wait(1)
        book.go_out()
        bo = book.save(tmp_path)
        book.page.get_by_role("radio", name="Ann Arbor").tap(force=True)
        ann = book.save(tmp_path)
        assert "Bo-Burg" in bo.name and "Ann-Arbor" in ann.name
        assert bo.read_text().splitlines()[1] == "summer,Bo Burg,1,09:31,1.2,?,,,"
        assert ann.read_text().count("\n") == 2 and "Bo" not in ann.read_text()


def test_shared_saved_copied_and_what_changed_since(chromium, page, tmp_path):
    share = """navigator.canShare = () => true;
      navigator.share = async ({files: [file]}) => {
        window.shared = [file.name, await file.text()]; };"""
    with phone(chromium) as device:
        book = device.open(page, share)
        a_day(book, 1)
        state = book.page.locator("#handed")
        assert state.inner_text() == "Not handed on yet: these runs are on this phone alone."
        book.tap("Share the file")
        book.page.get_by_text("Handed on at 10:00; nothing was changed since.").wait_for()
        name, text = book.page.evaluate("window.shared")
        assert name.startswith("logbook-summer-Ann-Arbor") and name.endswith(".csv")
        assert text == book.text()
        book.page.locator("[id^=part-last] textarea").fill("later")
        book.tap("Copy as text")
        assert "nothing was changed since" in state.inner_text()
        assert book.text().splitlines()[1].endswith(",later")
        book.wait(1)
        book.go_out()
        assert state.inner_text().startswith("Changed since it was handed on at 10:00")
        assert book.save(tmp_path).read_text("utf-8") == book.text()
        assert device.said == []


def test_from_the_page_through_log_to_the_runs(chromium, tmp_path):
    folder = day(tmp_path / "team", kept="")
    cars = {"101 Ann Arbor": LAPS, "102 Bo Burg": LAPS}
    starts = ("09:40", "10:10", "10:45")
    parts = [heat(f"T{n}", at, cars, meeting="summer", date="2026-07-04", kind="test")
             for n, at in enumerate(starts, 1)]  # fmt: skip
    stored(folder, *parts)
    run("--team", folder, "logbook", "--meeting", "summer", "--driver", "Ann Arbor")
    (page,) = (folder / "reports" / "logbooks").glob("*.html")
    with phone(chromium, "tall") as device:
        book = device.open(page)
        a_day(book, 3, "0.1")
        book.page.locator("[id^=part-last] textarea").fill('wind, "gusts"\nnew pack')
        file = book.save(tmp_path)
    said = run("--team", folder, "log", file)
    assert (said.status, said.out) == (0, "summer, Ann Arbor: 3 runs\n")
    runs, problems, warnings = joined(folder)
    assert (problems, warnings) == ([], [])
    at_summer = runs[runs["meeting"] == "summer"]
    assert at_summer["rear_bar"].to_list() == ["1.4", "1.2", "1.3"]
    assert at_summer["rear_grip"].to_list() == [-1, 0, 1]
    assert at_summer["ride_height"].to_list() == ["5.2", "5.3", "5.4"]
    assert answer(folder, "rear_bar", "Bo Burg") == ". . . . . . ."
    (kept,) = (folder / "logbooks" / "summer").glob("*.csv")
    rows = list(csv.reader(io.StringIO(kept.read_text("utf-8"))))
    assert rows[3][-1] == 'wind, "gusts"\nnew pack'


HOSTILE = "</script><img src=x onerror=alert(1)><script>alert(2)</script>\"'`${1}&amp;"


def test_names_with_quotes_and_script_in_them_run_nothing(chromium, tmp_path):
    toml = (TOML + FEELS).replace("Rear anti-roll bar", "BAR").replace("Rear grip", "GRIP")
    toml = toml.replace('"1.2"', "'SOFT'").replace("loose", "LOOSE")
    for word in ("BAR", "GRIP", "SOFT", "LOOSE"):
        toml = toml.replace(f'"{word}"', json.dumps(f"{word} {HOSTILE}"))
        toml = toml.replace(f"'{word}'", json.dumps(f"{word} {HOSTILE}"))
    toml = toml.replace('name = "rear_bar"', 'name = "__proto__"')
    quoted = HOSTILE.replace('"', '""')
    folder = day(
        tmp_path / "team", starts=(), kept="",
        drivers=f'driver,transponder,team\n"{quoted}",101,yes\n',
        meetings=f'meeting,date\n"=2+3 {quoted}",2026-07-04\n',
    )  # fmt: skip
    (folder / "team.toml").write_text(toml)
    said = run("--team", folder, "logbook", "--meeting", f"=2+3 {HOSTILE}", "--all")
    assert said.status == 0, said.err
    (page,) = (folder / "reports" / "logbooks").glob("*.html")
    with phone(chromium) as device:
        book = device.open(page)
        group = book.page.locator("#part-next fieldset").first
        assert group.locator("legend").inner_text().startswith(f"BAR {HOSTILE}")
        group.locator(".choice").first.tap()
        book.page.locator("#next-note").fill(f"=1+1 {HOSTILE}")
        book.go_out()
        book.page.locator("[id^=part-last] .choice").first.tap()
        file = book.save(tmp_path)
        assert (device.said, [a for a in device.asked if a != page.as_uri()]) == ([], [])
    handed = list(csv.reader(io.StringIO(file.read_text("utf-8"))))[1]
    assert handed[0].startswith("'=2+3") and handed[-1].startswith("'=1+1")
    said = run("--team", folder, "log", file)
    assert said.status == 0, said.err
    (kept,) = (folder / "logbooks").glob("*/*.csv")
    rows = list(csv.reader(io.StringIO(kept.read_text("utf-8"))))
    assert rows[1][0] == f"'=2+3 {HOSTILE}" and rows[1][1] == HOSTILE
    assert rows[1][4] == f"SOFT {HOSTILE}" and rows[1][6] == "-2"
    assert rows[1][-1] == f"'=1+1 {HOSTILE}"


TARGETS = "button, .choice, summary, input[type=text], input[type=time], textarea"


def states(book: Any) -> Any:
    """The page as it looks in the course of a day."""
    yield "fresh"
    a_day(book, 3)
    yield "after three runs"
    book.page.get_by_text("Mend run 3").tap()
    book.page.locator(".runs summary").first.tap()
    yield "mending"
    book.page.locator("#next-ride_height-field").fill("five")
    book.page.locator("#next-ride_height-field").blur()
    book.page.locator("details[open]").get_by_text("Take run").last.tap()
    yield "with a wrong number, and a run taken out"


@pytest.mark.parametrize("refused", [False, True])
def test_thumb_sized_and_no_wider_than_the_phone(chromium, planned, refused):
    with phone(chromium) as device:
        book = device.open(planned, REFUSED if refused else "")
        for state in states(book):
            boxes = book.page.evaluate(
                f"""Array.from(document.querySelectorAll('#app :is({TARGETS})')).map(e => {{
                    const b = e.getBoundingClientRect();
                    return [e.outerHTML.slice(0, 80), b.width, b.height, b.right]; }})"""
            )
            assert len(boxes) > 10
            small = [box for box in boxes if box[1] < 44 or box[2] < 44 or box[3] > 360]
            assert small == [], state
            assert book.page.evaluate("document.documentElement.scrollWidth") <= 360, state


@pytest.mark.parametrize("refused", [False, True])
def test_no_barrier_and_contrast_for_sunlight(chromium, planned, refused):
    """By all of axe-core's rules and the enhanced contrast (7 : 1) of WCAG's level AAA."""
    script = axe()
    with phone(chromium, bypass_csp=True) as device:
        book = device.open(planned, REFUSED if refused else "")
        for state in states(book):
            book.page.add_script_tag(path=script)
            book.page.clock.resume()
            found = book.page.evaluate(
                "axe.run({rules: {'color-contrast-enhanced': {enabled: true}},"
                " resultTypes: ['violations']})"
            )["violations"]
            assert [(v["id"], [n["html"] for n in v["nodes"]]) for v in found] == [], state


def test_by_keyboard_alone(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        press = book.page.keyboard.press
        book.page.evaluate("document.getElementById('next-rear_bar-1').focus()")
        press("ArrowRight")
        focused = "document.activeElement.id"
        assert book.page.evaluate(focused) == "next-rear_bar-2"
        press("Tab")
        press("Enter")  # less
        press("Tab")
        press("Tab")
        press("Tab")
        book.page.keyboard.type("dry")
        press("Tab")
        assert book.page.evaluate(focused) == "close"
        press("Enter")
        assert book.rows() == [["summer", "Ann Arbor", "1", "09:30", "1.4", "5.2", "", "", "dry"]]
        assert book.page.evaluate(focused).startswith("head-r")
        press("Tab")
        press("ArrowLeft")
        assert book.rows()[0][6] in ("2", "-2")


def test_a_screen_reader_finds_names_and_is_told_what_happened(chromium, page):
    with phone(chromium) as device:
        book = device.open(page)
        a_day(book, 1)
        last = book.page.locator("[id^=part-last]")
        grip = last.get_by_role("group", name="Rear grip")
        names = [r.get_attribute("aria-label") for r in grip.get_by_role("radio").all()]
        assert names == ["−2, loose", "−1", "0", "1", "2, planted", "no answer"]
        assert book.page.get_by_role("heading", name="Run 1, 09:30: how did it feel?").is_visible()
        book.tap("Ride height more 0.2")
        said = book.page.get_by_role("status").last
        assert said.inner_text() == "Ride height 5.8 mm"
        assert book.page.locator("#kept").get_attribute("role") == "status"


def test_without_script_it_says_so_and_is_a_form(chromium, planned, page):
    context = chromium.new_context(
        java_script_enabled=False, viewport={"width": 360, "height": 640}
    )
    tab = context.new_page()
    tab.goto(planned.as_uri())
    first = tab.locator("body > *").first
    assert first.is_visible() and first.inner_text().startswith("This viewer runs no script")
    assert not tab.locator("#app").is_visible() and not tab.locator("#kept").is_visible()
    table = tab.locator("table")
    assert table.is_visible() and table.locator("tbody tr").count() == 12
    assert table.locator("tbody tr").nth(1).locator("td").nth(1).inner_text() == "(1.4)"
    assert tab.evaluate("document.documentElement.scrollWidth") <= 360
    context.close()


def test_on_paper_stands_what_was_entered(chromium, planned):
    with phone(chromium) as device:
        book = device.open(planned)
        a_day(book, 2)
        book.page.emulate_media(media="print")
        book.page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        rows = book.page.locator("#paper tbody tr")
        cells = [rows.nth(n).locator("th, td").all_inner_texts()[:5] for n in (0, 1, 2)]
        assert cells[:2] == [["1", "09:30", "1.4", "5.6", "-1"], ["2", "10:00", "1.2", "5.8", "0"]]
        assert cells[2][:3] == ["3", "(12:00)", "(1.2)"]
        assert not book.page.locator("#app").is_visible()
        pdf = book.page.pdf(prefer_css_page_size=True)
        assert pdf.startswith(b"%PDF") and pdf.count(b"/Type /Page\n") == 1
