"""A store that lost, gained or changed a file: said with the file's name, and mended by import."""

import json
import shutil

import pyarrow.parquet as pq
import pytest

from pipeline.checking import check
from pipeline.errors import UserError
from pipeline.runs.gathering import load_season
from pipeline.store.importing import ImportCall, import_exports, undo
from pipeline.store.parquet import open_store
from pipeline.team.folder import load_team
from tests.exports import laps_csv
from tests.folders import team_folder
from tests.test_store import content


@pytest.fixture
def folder(tmp_path):
    team_folder(tmp_path / "team")
    laps_csv(tmp_path / "team/exports/spring/q1.csv")
    laps_csv(tmp_path / "team/exports/spring/q2.csv", start="11:00:00")
    laps_csv(tmp_path / "team/exports/summer/q1.csv", {"101 Ann Arbor": [17.0, 15.21, 15.42]})
    take(tmp_path / "team", "spring")
    take(tmp_path / "team", "summer")
    return tmp_path / "team"


def take(folder, meeting, path=None, **options):
    paths = (path or folder / "exports" / meeting,)
    return import_exports(load_team(folder), ImportCall(paths, meeting, **options))


def without_last_row(path):
    pq.write_table(pq.read_table(path).slice(1), path)


def with_a_bit_turned(path):
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 3] ^= 4
    path.write_bytes(bytes(raw))


def of_another_meeting(path):
    shutil.copy(path.with_name("summer.parquet"), path)


DAMAGE = {
    "missing": lambda path: path.unlink(),
    "cut": lambda path: path.write_bytes(path.read_bytes()[:-20]),
    "empty": lambda path: path.write_bytes(b""),
    "fewer rows": without_last_row,
    "a bit turned": with_a_bit_turned,
    "of another meeting": of_another_meeting,
    "a folder": lambda path: (path.unlink(), path.mkdir()),
}


@pytest.mark.parametrize("table", ["laps", "sessions"])
@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_file_is_named_by_every_reader_and_import_mends_it(folder, damage, table):
    before = content(open_store(folder))
    path = folder / f"store/{table}/spring.parquet"
    DAMAGE[damage](path)
    for read in (load_season, check):
        with pytest.raises(UserError, match=rf"store/{table}/spring\.parquet") as caught:
            read(load_team(folder))
        assert "backtoback import exports/spring --meeting spring" in str(caught.value)
    if damage == "a folder":
        path.rmdir()
    take(folder, "spring")
    assert content(open_store(folder)) == before
    load_season(load_team(folder))


def test_set_aside_rows_that_are_gone_are_missed_too(folder):
    (folder / "store/set_aside/spring.parquet").unlink()
    with pytest.raises(UserError, match=r"set_aside/spring\.parquet .*missing"):
        check(load_team(folder))


NO_RECORD = [
    b"{",
    b"[]",
    b'{"format": 2}',
    b"\xff\xfe",
    b'{"format": 2, "meeting": "x", "files": [{"a": 1}]}',
]


@pytest.mark.parametrize("raw", NO_RECORD)
def test_a_record_that_cannot_be_read_is_named_and_mended(folder, raw):
    before = content(open_store(folder))
    (folder / "store/imports/spring.json").write_bytes(raw)
    with pytest.raises(UserError, match=r"imports/spring\.json"):
        check(load_team(folder))
    take(folder, "spring", folder / "exports/spring/q1.csv")
    assert content(open_store(folder)) == before


def test_import_reads_all_again_that_the_damaged_meeting_had(folder):
    (folder / "store/laps/spring.parquet").unlink()
    report = take(folder, "spring", folder / "exports/spring/q2.csv")
    assert len(open_store(folder).read("laps", ["spring"])) == 36
    assert any("all exports of spring are read again" in said for said in report.warnings)


def test_what_cannot_be_read_again_is_asked_about(folder):
    (folder / "store/laps/spring.parquet").unlink()
    (folder / "exports/spring/q1.csv").unlink()
    before = content(open_store(folder))
    with pytest.raises(UserError, match=r"exports/spring/q1\.csv") as caught:
        take(folder, "spring")
    assert "backtoback import --meeting spring --undo" in str(caught.value)
    assert content(open_store(folder)) == before
    undo(load_team(folder), [], "spring")
    assert take(folder, "spring").as_json()["laps"] == 18


def test_a_file_that_no_record_knows_is_named_and_counts_for_nothing(folder):
    """Programs that keep folders alike leave such copies."""
    before = content(open_store(folder))
    strange = folder / "store/laps/spring (copy of Ann's laptop).parquet"
    shutil.copy(folder / "store/laps/spring.parquet", strange)
    with pytest.raises(UserError, match="copy of Ann's laptop"):
        check(load_team(folder))
    report = take(folder, "summer")
    assert any("copy of Ann's laptop" in warning for warning in report.warnings)
    assert content(open_store(folder)) == before
    assert len(check(load_team(folder)).meetings) == 2


def test_one_damaged_meeting_does_not_keep_the_other_from_being_mended(folder):
    before = content(open_store(folder))
    for meeting in ("spring", "summer"):
        (folder / f"store/laps/{meeting}.parquet").unlink()
    report = take(folder, "spring")
    assert any("summer" in warning for warning in report.warnings)
    take(folder, "summer")
    assert content(open_store(folder)) == before


def test_a_dry_run_mends_nothing(folder):
    (folder / "store/laps/spring.parquet").unlink()
    before = content(open_store(folder))
    assert take(folder, "spring", dry_run=True).as_json()["laps"] == 36
    assert content(open_store(folder)) == before


def test_a_store_of_a_newer_version_is_refused_in_these_words(folder):
    record = folder / "store/imports/spring.json"
    raw = json.loads(record.read_text())
    record.write_text(json.dumps({**raw, "format": 99, "unheard_of": 1}))
    before = content(open_store(folder))
    for attempt in (
        lambda: check(load_team(folder)),
        lambda: take(folder, "spring"),
        lambda: take(folder, "summer", dry_run=True),
        lambda: undo(load_team(folder), [], "spring"),
    ):
        with pytest.raises(UserError, match="the store is of a newer version of backtoback"):
            attempt()
    assert content(open_store(folder)) == before


def test_a_store_of_the_first_version_is_still_read(folder):
    for record in (folder / "store/imports").iterdir():
        raw = json.loads(record.read_text())
        del raw["tables"]
        record.write_text(json.dumps({**raw, "format": 1}))
    assert len(check(load_team(folder)).meetings) == 2


def test_pages_are_written_with_checksums(folder):
    with_a_bit_turned(folder / "store/laps/spring.parquet")
    with pytest.raises(UserError, match="cannot be read"):
        open_store(folder).read("laps", ["spring"])
