import os
import threading
from pathlib import Path

import pytest

from pipeline.errors import CallError, UserError
from pipeline.runs.gathering import load_season
from pipeline.store.export_files import find_exports, source_name
from pipeline.store.importing import ImportCall, import_exports, undo
from pipeline.store.parquet import open_store
from pipeline.team.folder import load_team
from pipeline.team.imports import read_imports
from tests.exports import CARS, LAPS, laps_csv
from tests.folders import DRIVERS, team_folder
from tests.test_store import content


@pytest.fixture
def folder(tmp_path):
    team_folder(tmp_path / "team")
    laps_csv(tmp_path / "team/exports/spring/q1.csv")
    laps_csv(tmp_path / "team/exports/spring/q2.csv", start="11:00:00")
    return tmp_path / "team"


def take(folder, *paths, meeting="spring", **options):
    paths = paths or (folder / "exports/spring",)
    return import_exports(load_team(folder), ImportCall(paths, meeting, **options))


def test_a_folder_of_exports_goes_into_the_store(folder):
    count = take(folder).as_json()
    assert count == {
        "files": 2, "rows_in": 36, "rows_kept": 36, "rows_set_aside": 0, "laps": 36,
        "sessions": 2, "drivers": 3, "already_imported": 0, "reasons": {},
    }  # fmt: skip
    laps = open_store(folder).read("laps")
    assert set(laps["source"]) == {"exports/spring/q1.csv", "exports/spring/q2.csv"}
    assert laps.groupby("driver")["team"].first().to_dict() == {
        "Ann Arbor": True, "Bo Burg": True, "Cy Coe": False,
    }  # fmt: skip
    # 10:00 in Berlin in April.
    assert str(laps["at"].min()) == "2026-04-18 08:00:18.200000+00:00"
    runs = load_season(load_team(folder)).runs
    assert runs["start"].unique().tolist() == ["2026-04-18T10:00:00", "2026-04-18T11:00:00"]


def test_the_same_again_changes_nothing_and_counts_the_same(folder):
    first = take(folder).as_json()
    before = content(open_store(folder))
    times = {p: p.stat().st_mtime_ns for p in (folder / "store").rglob("*")}
    again = take(folder)
    assert again.as_json() == {**first, "already_imported": 2}
    assert again.nothing_new
    assert content(open_store(folder)) == before
    assert {p: p.stat().st_mtime_ns for p in (folder / "store").rglob("*")} == times


def test_a_copy_of_a_file_is_the_file(folder):
    (folder / "exports/spring/q1 copy.csv").write_bytes(
        (folder / "exports/spring/q1.csv").read_bytes()
    )
    report = take(folder)
    assert report.as_json()["laps"] == 36
    assert report.already_imported == 1


def test_a_corrected_export_replaces_the_old_one(folder):
    take(folder)
    laps_csv(folder / "exports/spring/q1.csv", {"101 Ann Arbor": LAPS[:3]})
    report = take(folder)
    assert report.as_json()["laps"] == 21
    assert report.already_imported == 1
    assert len(open_store(folder).read("laps")) == 21


def test_the_same_file_read_otherwise_replaces_itself(folder):
    take(folder)
    q1 = folder / "exports/spring/q1.csv"
    assert take(folder, q1, session="Second qualifying").already_imported == 0
    laps = open_store(folder).read("laps")
    assert len(laps) == 36
    assert set(laps["session"]) == {"Second qualifying", "q2"}
    assert take(folder, q1, session="Second qualifying").nothing_new


def test_a_dry_run_shows_what_was_understood_and_changes_nothing(folder):
    report = take(folder, dry_run=True)
    assert len(report.understood) == 2
    assert "Lap time" in report.understood[0]
    assert not (folder / "store").exists()
    take(folder)
    again = take(folder, dry_run=True)
    assert (len(again.understood), again.already_imported) == (2, 2)
    assert again.as_json()["laps"] == 36


def test_files_that_are_no_exports_are_left_out_with_their_reason(folder):
    spring = folder / "exports/spring"
    (spring / "photo.jpg").write_bytes(b"\xff\xd8\xff")
    (spring / ".hidden.csv").write_text("x")
    (spring / "~$q1.xlsx").write_text("x")
    (spring / "notes.txt").write_text("Rain after lunch and a dirty line.\n")
    (spring / "empty.csv").write_text("")
    report = take(folder)
    assert report.as_json()["files"] == 2
    why = {each.source.rsplit("/", 1)[1]: each.why for each in report.skipped}
    assert set(why) == {"photo.jpg", ".hidden.csv", "~$q1.xlsx", "notes.txt", "empty.csv"}
    assert why["photo.jpg"] == "no export: its name ends in '.jpg'"
    assert "empty" in why["empty.csv"]


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("empty.csv", b""),
        ("photo.png", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20),
        ("sheet.pdf", b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj\n"),
        ("photo.csv", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20),
        ("nothing.csv", b"Transponder,Lap,Lap time\n"),
        ("garbage.xlsx", b"PK\x03\x04garbage"),
    ],
)
def test_what_cannot_be_read_is_one_message_and_the_store_stays(folder, name, raw):
    (folder / name).write_bytes(raw)
    for there in (False, True):
        if there:
            take(folder)
        before = content(open_store(folder)) if there else None
        with pytest.raises(UserError) as caught:
            take(folder, folder / "exports/spring/q1.csv", folder / name)
        assert caught.value.exit_status in (1, 2)
        assert len(str(caught.value)) < 1000
        if there:
            assert content(open_store(folder)) == before
        else:
            assert not (folder / "store").exists()


def test_a_folder_without_exports_and_a_path_that_is_not_there(folder, tmp_path):
    (tmp_path / "bare").mkdir()
    (tmp_path / "bare" / "photo.jpg").write_bytes(b"x")
    with pytest.raises(UserError, match="no timing export in") as caught:
        take(folder, tmp_path / "bare")
    assert caught.value.exit_status == 1
    assert "photo.jpg" in str(caught.value)
    with pytest.raises(CallError, match="there is no file or folder") as caught:
        take(folder, tmp_path / "absent")
    assert caught.value.exit_status == 2


def test_rows_that_cannot_be_used_are_set_aside_or_with_strict_refused(folder):
    path = folder / "exports/spring/q3.csv"
    laps_csv(path, start="12:00:00")
    path.write_text(path.read_text() + "101,Ann Arbor,7,--\n")
    with pytest.raises(UserError, match=r"with --strict: 1 rows \(\w+: 1\)"):
        take(folder, strict=True)
    assert not (folder / "store").exists()
    count = take(folder).as_json()
    assert (count["rows_in"], count["rows_kept"], count["rows_set_aside"]) == (55, 54, 1)
    assert sum(count["reasons"].values()) == 1
    aside = open_store(folder).read("set_aside")
    assert aside["raw"].to_list() == ["101,Ann Arbor,7,--"]


def test_an_unknown_meeting_says_the_row_to_add(folder):
    with pytest.raises(UserError, match="Did you mean 'spring'") as caught:
        take(folder, meeting="sprnig")
    assert caught.value.exit_status == 1
    with pytest.raises(UserError, match="To add it: winter,<date as 2026-05-03>"):
        take(folder, meeting="winter")
    assert not (folder / "store").exists()


def test_a_meeting_is_found_in_any_case_under_its_own_name(folder):
    take(folder, meeting=" SPRING ")
    assert open_store(folder).meetings() == ["spring"]


def test_undo_takes_a_file_or_the_meeting_out_again(folder):
    take(folder, folder / "exports/spring/q1.csv")
    before = content(open_store(folder))
    take(folder)
    team = load_team(folder)
    (folder / "exports/spring/q2.csv").unlink()
    (gone,) = undo(team, [folder / "exports/spring/q2.csv"], "spring")
    assert gone.source == "exports/spring/q2.csv"
    assert content(open_store(folder)) == before
    with pytest.raises(UserError, match="was not imported"):
        undo(team, [folder / "exports/spring/q2.csv"], "spring")
    assert [record.laps for record in undo(team, [], "Spring")] == [18]
    assert open_store(folder).read("laps").empty
    with pytest.raises(UserError, match=r"the store has no meeting 'spring'\. It is empty"):
        undo(team, [], "spring")


def test_undo_by_folder_and_by_file_name(folder, tmp_path):
    take(folder)
    team = load_team(folder)
    assert len(undo(team, [folder / "exports/spring"], "spring")) == 2
    take(folder)
    assert len(undo(team, [tmp_path / "q1.csv"], "spring")) == 1


def test_what_drivers_csv_says_later_counts_where_laps_are_read(folder):
    take(folder)
    (folder / "drivers.csv").write_text(DRIVERS + "Cy Coe,7,yes,,\n")
    assert take(folder).nothing_new
    runs = load_season(load_team(folder)).runs
    assert runs["team"].all()


def test_a_mapping_is_remembered_for_the_same_header(folder):
    for name in ("odd1", "odd2"):
        path = folder / "exports/spring" / f"{name}.csv"
        rows = [f"{lap},{16 + lap / 10},{17 - lap / 10}" for lap in range(1, 8)]
        path.write_text("no,alpha,omega\n" + "\n".join(rows) + f"\n8,16.{name[-1]},16.0\n")
    odd1, odd2 = (folder / f"exports/spring/odd{n}.csv" for n in (1, 2))
    mapping = {"lap": "no", "lap_s": "omega", "driver": "alpha"}
    first = take(folder, odd1, mapping=mapping, layout="laps", session="Q5")
    assert first.as_json()["laps"] == 8
    assert list(read_imports(folder).mappings.values()) == [mapping]
    second = take(folder, odd2, layout="laps", session="Q6")
    laps = open_store(folder).read("laps")
    assert set(laps.loc[laps["session"] == "Q6", "lap_s"]) == set(
        laps.loc[laps["session"] == "Q5", "lap_s"]
    )
    assert second.as_json()["laps"] == 8
    assert take(folder, odd1, layout="laps", session="Q5").nothing_new


def test_imports_at_once_do_not_harm_each_other(folder):
    for number in range(4):
        laps_csv(folder / f"exports/spring/p{number}.csv", start=f"0{number + 1}:00:00")
    files = sorted((folder / "exports/spring").iterdir())
    threads = [threading.Thread(target=take, args=(folder, file)) for file in files]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(open_store(folder).read("laps")) == 6 * 18
    assert take(folder).nothing_new


def test_a_link_inside_the_store_is_not_written_through(folder, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (folder / "store").mkdir()
    (folder / "store/laps").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(UserError, match="is a link to another place"):
        take(folder)
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_a_file_of_another_day_or_meeting_is_told(folder):
    path = folder / "exports/spring/q1.csv"
    take(folder, path)
    before = content(open_store(folder))
    with pytest.raises(UserError, match="was imported for spring already") as caught:
        take(folder, path, meeting="summer")
    command = "backtoback import exports/spring/q1.csv --meeting spring --undo"
    assert command in str(caught.value)
    assert content(open_store(folder)) == before
    dated = folder / "exports/spring/dated.csv"
    rows = [f"101,2026-06-20 10:0{lap // 4}:{15 * (lap % 4):02}" for lap in range(12)]
    dated.write_text("\n".join(["Transponder,Time of day", *rows]) + "\n")
    report = take(folder, dated)
    assert any("is of 2026-06-20, but spring was on" in warning for warning in report.warnings)


def test_names_of_sources(tmp_path):
    team = tmp_path / "team"
    team.mkdir()
    assert source_name(team, team / "exports" / "a.csv") == "exports/a.csv"
    assert source_name(team, team / "exports" / ".." / "a.csv") == "a.csv"
    assert source_name(team, tmp_path / "Ann Arbor" / "b.csv") == "b.csv"
    assert source_name(team, tmp_path / "Ann Arbor" / ".." / "b.csv") == "b.csv"


def everything_in(folder):
    """All that the store's files say, as text."""
    store = open_store(folder)
    tables = [store.read(name).to_csv() for name in ("laps", "set_aside", "sessions")]
    return "\n".join([*tables, *(p.read_text() for p in (folder / "store").rglob("*.json"))])


def test_no_path_of_a_file_from_outside_is_kept(folder, tmp_path, monkeypatch):
    """A path may hold the name of whose computer it is."""
    path = laps_csv(tmp_path / "home of Eve Ek" / "stick" / "q3.csv", start="15:00:00")
    path.write_text(path.read_text() + "not,a,lap,-\n")
    take(folder, path)
    monkeypatch.chdir(path.parent)
    laps_csv(path.parent / "q4.csv", start="16:00:00")
    take(folder, Path("../stick/q4.csv"))
    said = everything_in(folder)
    assert "q3.csv" in said and "q4.csv" in said
    assert not any(part in said for part in ("Eve Ek", "stick", str(tmp_path), "../"))


def test_two_files_of_one_name_from_two_places_stay_two(folder, tmp_path):
    one, two = (laps_csv(tmp_path / p / "q.csv", start=f"1{p}:00:00") for p in "56")
    take(folder, one)
    take(folder, two)
    assert sources(folder) == {"q.csv": 18, "q (2).csv": 18}
    laps_csv(two, {"101 Ann Arbor": LAPS[:3]}, "16:00:00")  # corrected, in its place
    take(folder, one, two)
    assert sources(folder) == {"q.csv": 18, "q (2).csv": 3}
    (gone,) = undo(load_team(folder), [two], "spring")
    assert gone.source == "q (2).csv"
    two.unlink()
    take(folder, one.parent)
    assert [record.source for record in undo(load_team(folder), [one.parent], "spring")] == [
        "q.csv"
    ]


def test_both_in_one_call_and_in_a_folder_below(folder, tmp_path):
    for place in "567":
        laps_csv(tmp_path / "stick" / place / "sessions.csv", start=f"1{place}:00:00")
    take(folder, tmp_path / "stick")
    assert set(sources(folder)) == {"sessions.csv", "sessions (2).csv", "sessions (3).csv"}
    assert take(folder, tmp_path / "stick").nothing_new
    assert len(undo(load_team(folder), [tmp_path / "stick"], "spring")) == 3


def test_a_file_of_the_folder_keeps_clear_of_one_from_outside(folder, tmp_path):
    take(folder, laps_csv(tmp_path / "stick" / "q.csv", start="15:00:00"))
    take(folder, laps_csv(folder / "q.csv", start="16:00:00"))
    assert sources(folder) == {"q.csv": 18, "q (2).csv": 18}


def sources(folder):
    """Source -> laps."""
    return open_store(folder).read("laps")["source"].value_counts().to_dict()


def test_links_are_not_followed_out_of_a_folder_nor_round_in_circles(folder, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    laps_csv(tmp_path / "elsewhere/x.csv")
    (folder / "exports/spring/loop").symlink_to(folder / "exports")
    (folder / "exports/spring/out").symlink_to(tmp_path / "elsewhere")
    (folder / "exports/spring/broken.csv").symlink_to(tmp_path / "absent")
    os.mkfifo(folder / "exports/spring/pipe.csv")
    (folder / "exports/spring/far.csv").symlink_to(tmp_path / "elsewhere/x.csv")
    (folder / "exports/spring/near.csv").symlink_to(folder / "exports/spring/q1.csv")
    files, skipped = find_exports(folder, [folder / "exports"])
    assert len(files) == 2
    assert {each.source.rsplit("/")[-1]: each.why for each in skipped} == {
        "pipe.csv": "not a plain file",
        "broken.csv": "not a plain file",
        "far.csv": "a link to a file elsewhere",
    }


def test_a_folder_that_cannot_be_read_is_named(folder, monkeypatch):
    locked = folder / "exports/spring/locked"
    laps_csv(locked / "q3.csv", start="12:00:00")
    scan = os.scandir

    def refuse(path="."):
        # The tests may run as root, whom no mode of a folder keeps out.
        if str(path) == str(locked):
            raise PermissionError(13, "Permission denied", str(path))
        return scan(path)

    monkeypatch.setattr(os, "scandir", refuse)
    (skipped,) = take(folder).skipped
    assert skipped.source == "exports/spring/locked"
    assert skipped.why == "a folder that cannot be read: Permission denied"
    with pytest.raises(UserError, match="with --strict"):
        take(folder, strict=True)


def test_the_whole_team_folder_may_be_given(folder):
    (folder / "setups.csv").write_text("meeting,driver,run,factor,value\n")
    take(folder)
    files, skipped = find_exports(folder, [folder])
    assert [file.source for file in files] == ["exports/spring/q1.csv", "exports/spring/q2.csv"]
    assert {each.source: each.why for each in skipped}["setups.csv"] == "a table of the team folder"


@pytest.mark.parametrize(
    "name", ["<script>alert(1)</script>.csv", "=HYPERLINK(1).csv", "a\nb.csv", "ü.csv"]
)
def test_hostile_file_names(folder, name):
    path = laps_csv(folder / "exports/spring" / name.replace("/", "_"), CARS, "15:00:00")
    take(folder, path)
    assert set(open_store(folder).read("laps")["source"]) == {f"exports/spring/{path.name}"}


def test_a_file_name_that_is_no_text(folder):
    raw = os.fsencode(folder / "exports/spring") + b"/q\xff.csv"
    with open(raw, "w") as file:  # noqa: PTH123 (a name that Path cannot show)
        file.write((folder / "exports/spring/q1.csv").read_text() + "7,Cy Coe,7,16.5\n")
    take(folder)
    assert "exports/spring/q?.csv" in set(open_store(folder).read("laps")["source"])
