"""No lap counts twice: whoever tells of it again, under whatever name, session or meeting."""

import itertools
import os
import random
from collections import Counter
from dataclasses import replace

import pytest

from pipeline.errors import UserError
from pipeline.runs.gathering import gather
from pipeline.store.importing import ImportCall, import_exports, undo
from pipeline.store.parquet import open_store
from pipeline.team.folder import load_team
from tests.folders import team_folder
from tests.tellings import (
    FORMATS,
    NAMES,
    Heat,
    day,
    grid_export,
    heat,
    laps_export,
    passings_export,
    write,
)
from tests.test_store import content

MEETINGS = """\
meeting,date,timezone
spring,2026-04-18,Europe/Berlin
club,2026-04-18,Europe/Berlin
summer,2026-07-04,Europe/Berlin
"""
PAIRS = list(itertools.permutations(FORMATS, 2))


@pytest.fixture
def folder(tmp_path):
    return team_folder(tmp_path / "team", meetings=MEETINGS)


def take(folder, *paths, meeting="spring", **options):
    return import_exports(load_team(folder), ImportCall(paths, meeting, **options))


def truth(*heats):
    return sum(len(laps) for each in heats for laps in each.cars.values())


def stored(folder):
    return open_store(folder).read("laps")


def sums_hold(folder):
    """Rows in are rows kept and rows set aside, file by file, in the records and in the tables."""
    store = open_store(folder)
    laps, aside = store.read("laps"), store.read("set_aside")
    for meeting, record in store.all_imports():
        assert record.rows_in == record.rows_kept + record.rows_set_aside
        assert sum(record.reasons.values()) == record.rows_set_aside
        own = (laps["source"] == record.source) & (laps["meeting"] == meeting)
        assert own.sum() == record.laps
        assert set(laps.loc[own, "session"]) == set(record.sessions)
        left = aside[(aside["source"] == record.source) & (aside["meeting"] == meeting)]
        assert left["reason"].value_counts().to_dict() == record.reasons


@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_a_heat_told_in_two_formats_under_two_names(folder, first, second):
    one = heat(random.Random(len(first) + 31 * len(second)), "Qualifying 1", 36_000)
    a = write(folder / "exports/spring/a.csv", FORMATS[first](one))
    b = write(folder / "exports/spring/b.csv", FORMATS[second](replace(one, name="Heat 7")))
    take(folder, a)
    report = take(folder, b)
    assert len(stored(folder)) == truth(one)
    assert any("a.csv" in said and "b.csv" in said for said in report.warnings)
    sums_hold(folder)
    before = content(open_store(folder))
    assert take(folder, a, b).nothing_new
    assert content(open_store(folder)) == before


@pytest.mark.parametrize(("first", "second"), PAIRS[::3])
def test_both_in_one_import(folder, first, second):
    one = heat(random.Random(1), "Qualifying 1", 36_000)
    write(folder / "exports/spring/a.csv", FORMATS[first](one))
    write(folder / "exports/spring/b.csv", FORMATS[second](replace(one, name="Heat 7")))
    take(folder, folder / "exports/spring")
    assert len(stored(folder)) == truth(one)
    sums_hold(folder)
    assert take(folder, folder / "exports/spring").nothing_new


def test_rows_taken_once_are_set_aside_with_their_text_and_where_they_stand(folder):
    one = heat(random.Random(2), "Qualifying 1", 36_000)
    take(folder, write(folder / "exports/spring/a.csv", laps_export([one])))
    text = laps_export([replace(one, name="Heat 7")])
    take(folder, write(folder / "exports/spring/b.csv", text))
    aside = open_store(folder).read("set_aside")
    assert set(aside["source"]) == {"exports/spring/b.csv"}
    assert aside["raw"].to_list() == text.splitlines()[1:]
    assert set(aside["reason"]) == {"repeated"}
    assert set(aside["detail"]) == {"in exports/spring/a.csv too, session Qualifying 1"}


def test_two_meetings_of_a_date(folder):
    one = heat(random.Random(3), "Qualifying 1", 36_000)
    take(folder, write(folder / "exports/a.csv", laps_export([one])))
    report = take(folder, write(folder / "exports/b.csv", grid_export(one)), meeting="club")
    assert len(stored(folder)) == truth(one)
    assert set(stored(folder)["meeting"]) == {"spring"}
    assert any("exports/a.csv of spring" in said for said in report.warnings)
    sums_hold(folder)


def test_a_noon_export_and_an_evening_export_that_holds_the_morning(folder):
    for seed in range(4):
        draw = random.Random(seed)
        heats = day(draw, 6)
        noon = 9 * 3600 + 1800 * 3 + draw.uniform(60, 200)  # in the midst of the fourth
        early = [each.until(noon) for each in heats]
        early = [each for each in early if each.cars]
        team = team_folder(folder.parent / f"{seed}", meetings=MEETINGS)
        export = draw.choice([laps_export, passings_export])
        other = draw.choice([laps_export, passings_export])
        take(team, write(team / "exports/noon.csv", export(early)))
        take(team, write(team / "exports/evening.csv", other(heats)))
        assert len(stored(team)) == truth(*heats)
        sums_hold(team)
        assert take(team, team / "exports").nothing_new
        one_run_a_heat(team, heats)


def one_run_a_heat(team, heats):
    """Every driver of every heat has one run with all of its laps, and none besides."""
    runs = gather(load_team(team)).runs
    drivers = Counter(name for each in heats for name in each.cars)
    found = Counter(NAMES[int(d) - 101] if d.isdigit() else d for d in runs["driver"])
    assert found == drivers


CORRECTIONS = {
    "a lap changed": lambda laps: [*laps[:5], round(laps[5] + 0.7, 3), *laps[6:]],
    "a lap cut in two": lambda laps: [*laps[:5], 7.1, round(laps[5] - 7.1, 3), *laps[6:]],
    "two laps joined": lambda laps: [*laps[:5], round(laps[5] + laps[6], 3), *laps[7:]],
    "the first lap": lambda laps: [round(laps[0] + 0.2, 3), *laps[1:]],
    "the last lap gone and one changed": lambda laps: [round(laps[0] - 0.2, 3), *laps[1:-1]],
    "three hundredths": lambda laps: [*laps[:5], round(laps[5] + 0.03, 3), *laps[6:]],
}


@pytest.mark.parametrize("format", ["laps", "laps without times", "grid"])
@pytest.mark.parametrize("correction", CORRECTIONS)
def test_a_corrected_copy_under_a_new_name_replaces_the_first(folder, correction, format):
    one = heat(random.Random(5), "Qualifying 1", 36_000)
    cars = {**one.cars, "Bo Burg": CORRECTIONS[correction](one.cars["Bo Burg"])}
    new = replace(one, cars=cars)
    take(folder, write(folder / "exports/q1.csv", FORMATS[format](one)))
    report = take(folder, write(folder / "exports/q1 corrected.csv", FORMATS[format](new)))
    assert by_driver(folder) == new.cars
    assert set(stored(folder)["source"]) == {"exports/q1 corrected.csv"}
    (said,) = [said for said in report.warnings if "q1.csv" in said]
    assert "corrected.csv" in said
    sums_hold(folder)
    assert take(folder, folder / "exports").nothing_new
    assert by_driver(folder) == new.cars
    aside = open_store(folder).read("set_aside")
    assert set(aside["reason"]) == {"replaced"}
    assert set(aside["detail"]) == {"by exports/q1 corrected.csv, session Qualifying 1"}


def corrected(one):
    laps = CORRECTIONS["a lap changed"](one.cars["Bo Burg"])
    return replace(one, cars={**one.cars, "Bo Burg": laps})


def by_driver(folder):
    laps = stored(folder)
    return {str(name): rows["lap_s"].to_list() for name, rows in laps.groupby("driver")}


def test_a_copy_in_which_a_run_was_another_drivers(folder):
    """The commonest correction: somebody drove with the transponder of somebody else."""
    one = heat(random.Random(6), "Qualifying 1", 36_000)
    cars = {("Hal Hue" if name == "Cy Coe" else name): laps for name, laps in one.cars.items()}
    new = replace(one, cars=cars)
    take(folder, write(folder / "exports/q1.csv", laps_export([one])))
    take(folder, write(folder / "exports/q1 corrected.csv", laps_export([new])))
    assert by_driver(folder) == new.cars
    sums_hold(folder)


def test_a_copy_of_my_own_cars_alone_takes_nobody_else_away(folder):
    one = heat(random.Random(7), "Qualifying 1", 36_000)
    cars = {"Ann Arbor": CORRECTIONS["a lap changed"](one.cars["Ann Arbor"])}
    take(folder, write(folder / "exports/q1.csv", laps_export([one])))
    take(folder, write(folder / "exports/mine.csv", laps_export([replace(one, cars=cars)])))
    assert by_driver(folder) == {**one.cars, **cars}


def test_a_corrected_copy_takes_over_the_name_that_came_from_the_files_name(folder):
    one = heat(random.Random(8), "x", 36_000)
    new = corrected(one)
    texts = [grid_export(each).split("\n", 1)[1] for each in (one, new)]
    take(folder, write(folder / "exports/q1.csv", texts[0]))
    take(folder, write(folder / "exports/q1 corrected.csv", texts[1]))
    assert set(stored(folder)["session"]) == {"q1"}
    sums_hold(folder)
    gather(load_team(folder))


def test_of_two_in_one_import_the_one_written_later_corrects(folder):
    one = heat(random.Random(9), "Qualifying 1", 36_000)
    new = corrected(one)
    first = write(folder / "exports/z.csv", laps_export([one]))
    second = write(folder / "exports/a.csv", laps_export([new]))
    os.utime(first, (1_000_000, 1_000_000))
    os.utime(second, (2_000_000, 2_000_000))
    take(folder, folder / "exports")
    assert by_driver(folder) == new.cars
    # What was decided once holds, whatever the files' times are in another copy of the folder.
    os.utime(second, (500_000, 500_000))
    for path in sorted((folder / "store").rglob("*.*"), reverse=True):
        path.unlink()
    take(folder, folder / "exports")
    assert by_driver(folder) == new.cars


def test_undo_of_the_file_that_took_over_brings_the_other_back(folder):
    one = heat(random.Random(10), "Qualifying 1", 36_000)
    a = write(folder / "exports/a.csv", laps_export([one]))
    b = write(folder / "exports/b.csv", passings_export([one]))
    take(folder, a)
    take(folder, b)
    undo(load_team(folder), [a], "spring")
    assert len(stored(folder)) == 0
    take(folder, b)
    assert len(stored(folder)) == truth(one)
    sums_hold(folder)


def test_a_driver_in_two_runs_at_once_is_refused_with_both_files(folder):
    draw = random.Random(11)
    one, other = heat(draw, "Qualifying 1", 36_000), heat(draw, "Heat 7", 36_060)
    take(folder, write(folder / "exports/a.csv", laps_export([one])))
    before = content(open_store(folder))
    with pytest.raises(UserError, match="Ann Arbor") as caught:
        take(folder, write(folder / "exports/b.csv", laps_export([other])))
    for words in ("exports/a.csv", "exports/b.csv", "Qualifying 1", "Heat 7", "10:01", "--undo"):
        assert words in str(caught.value)
    assert content(open_store(folder)) == before
    with pytest.raises(UserError, match=r"exports/b\.csv"):
        take(folder, folder / "exports/b.csv", meeting="club")


def test_a_correction_under_another_meeting_is_refused(folder):
    one = heat(random.Random(12), "Qualifying 1", 36_000)
    new = corrected(one)
    take(folder, write(folder / "exports/a.csv", grid_export(one)))
    before = content(open_store(folder))
    for meeting in ("club", "summer"):
        with pytest.raises(UserError, match=r"exports/a\.csv of spring"):
            take(folder, write(folder / "exports/b.csv", grid_export(new)), meeting=meeting)
    assert content(open_store(folder)) == before


def test_cars_of_two_classes_may_run_at_once(folder):
    draw = random.Random(13)
    one = replace(heat(draw, "Q1", 36_000), racing_class="Touring")
    other = replace(heat(draw, "F1", 36_060), racing_class="Formula")
    take(folder, write(folder / "exports/a.csv", laps_export([one])))
    take(folder, write(folder / "exports/b.csv", laps_export([other])))
    assert len(stored(folder)) == truth(one, other)


def test_sessions_told_of_twice_within_a_file(folder):
    one = heat(random.Random(14), "Qualifying 1", 36_000)
    twice = laps_export([one, replace(one, name="Heat 7")])
    report = take(folder, write(folder / "exports/a.csv", twice))
    assert len(stored(folder)) == truth(one)
    assert report.as_json()["reasons"] == {"repeated": truth(one)}
    sums_hold(folder)


def test_heats_of_other_laps_stay_apart(folder):
    """Rounds of one day, of two meetings and of two dates; with times and without."""
    for seed, (format, other) in enumerate(itertools.product(FORMATS, repeat=2)):
        draw = random.Random(seed)
        team = team_folder(folder.parent / f"{seed}", meetings=MEETINGS)
        heats = [heat(draw, f"Q{n}", 36_000 + 1200 * n) for n in range(3)]
        for n, each in enumerate(heats):
            text = FORMATS[format if n % 2 else other](each)
            report = take(team, write(team / f"exports/{n}.csv", text))
            assert report.as_json()["rows_set_aside"] == 0
        late = heat(draw, "Q1", 36_000)
        take(team, write(team / "exports/late.csv", FORMATS[format](late)), meeting="summer")
        assert len(stored(team)) == truth(*heats, late)


def test_laps_after_the_flag_that_two_sessions_share(folder):
    """The passing that ends one session begins the next: no overlap worth a word."""
    draw = random.Random(15)
    one = heat(draw, "Practice 1", 36_000, ["Ann Arbor"])
    start = 36_000 + sum(one.cars["Ann Arbor"])
    after = Heat("Practice 2", start, heat(draw, "", 0, ["Ann Arbor"]).cars)
    take(folder, write(folder / "exports/a.csv", laps_export([one])))
    take(folder, write(folder / "exports/b.csv", laps_export([after])))
    assert len(stored(folder)) == truth(one, after)


@pytest.mark.parametrize("seed", range(12))
def test_days_told_in_any_number_of_exports(folder, seed):
    """Whatever parts of a day are exported in whatever format, and imported in whatever order."""
    draw = random.Random(seed)
    heats = day(draw, draw.randint(2, 6))
    paths = []
    for number in range(draw.randint(2, 5)):
        part = draw.sample(heats, draw.randint(1, len(heats)))
        part.sort(key=lambda each: each.start)
        if len(part) == 1 and draw.random() < 0.6:
            text = FORMATS[draw.choice(list(FORMATS))](part[0])
        else:
            text = draw.choice([laps_export, passings_export])(part)
        paths.append((write(folder / f"exports/{number}.csv", text), part))
    told = {each.name: each for _, part in paths for each in part}
    draw.shuffle(paths)
    if draw.random() < 0.5:
        take(folder, folder / "exports")
    else:
        for path, _ in paths:
            take(folder, path)
    assert len(stored(folder)) == truth(*told.values())
    one_run_a_heat(folder, told.values())
    sums_hold(folder)
    before = content(open_store(folder))
    assert take(folder, folder / "exports").nothing_new
    assert content(open_store(folder)) == before
