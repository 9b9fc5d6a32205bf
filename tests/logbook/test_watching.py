"""`watch`: exports as they appear, half-written files, a folder that goes, a full disk, Ctrl-C."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipeline.day import watching
from pipeline.day.files import is_logbook, looks_cut
from pipeline.day.watching import WatchCall, watch
from pipeline.errors import CallError, UserError
from pipeline.store.parquet import open_store
from tests.exports import laps_csv
from tests.folders import team_folder
from tests.logbook.days import BOOK, answer, day

HERE = Path(__file__).parents[2]
PATIENCE_S = 60.0  # how long a slow machine may take; nothing is timed here


class Watched:
    """A folder under watch in a thread: what was said, and how often the sheet was drawn."""

    def __init__(self, team: Path, folder: Path) -> None:
        self.team, self.folder = team, folder
        self.lines: list[str] = []
        self.drawn = 0
        self.fails: Exception | None = None
        self.stop = threading.Event()

    def redraw(self) -> tuple[Path, str]:
        if self.fails:
            raise self.fails
        self.drawn += 1
        return Path("sheet.html"), ""

    def says(self, words: str, count: int = 1) -> str:
        """Wait for a line with these words, the `count`th."""

        def found() -> list[str]:
            return [line for line in self.lines if words in line]

        until(lambda: len(found()) >= count, f"{words!r} in {self.lines}")
        return found()[count - 1]

    def laps(self) -> int:
        return sum(record.laps for _, record in open_store(self.team).all_imports())


def until(what: Callable[[], bool], why: str) -> None:
    end = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < end, f"waited in vain for {why}"
        time.sleep(0.02)


@contextmanager
def watched(team: Path, folder: Path, plan: Path | None = None) -> Iterator[Watched]:
    folder.mkdir(parents=True, exist_ok=True)
    it = Watched(team, folder)
    call = WatchCall(team, folder, "Spring", it.redraw, plan)
    thread = threading.Thread(target=watch, args=(call, it.lines.append, it.stop), daemon=True)
    thread.start()
    try:
        it.says("run sheet")  # the first look is over
        yield it
    finally:
        it.stop.set()
        thread.join(PATIENCE_S)


@pytest.fixture
def team(tmp_path: Path) -> Path:
    return team_folder(tmp_path / "team", setups="meeting,driver,run,factor,value\n")


def test_what_appears_and_what_grows_is_imported_and_drawn(team, tmp_path):
    drop = tmp_path / "drop"
    with watched(team, drop) as it:
        drawn = it.drawn
        laps_csv(drop / "heat 1.csv")
        assert "heat 1.csv: 18 laps of 3 drivers; run sheet: sheet.html" in it.says("heat 1.csv")
        laps_csv(drop / "sub" / "heat 2.csv", start="11:00:00")
        it.says("heat 2.csv: 18 laps")
        laps_csv(drop / "heat 1.csv", {"101 Ann Arbor": [18.0] * 9})
        it.says("heat 1.csv: 9 laps of 1 drivers")
        assert it.drawn == drawn + 3
        (drop / "heat 1.csv").touch()  # the same bytes are no change
        laps_csv(drop / "heat 3.csv", start="12:00:00")
        it.says("heat 3.csv")
        assert it.drawn == drawn + 4
    assert it.laps() == 9 + 18 + 18


def test_what_lies_there_already_is_taken_in_one_go(team, tmp_path):
    for number in range(5):
        laps_csv(tmp_path / "drop" / f"heat {number}.csv", start=f"1{number}:00:00")
    with watched(team, tmp_path / "drop") as it:
        it.says("5 files: 90 laps of 3 drivers")
    with watched(team, tmp_path / "drop") as again:
        time.sleep(4 * watching.SETTLED_S)
        assert [line for line in again.lines if "files" in line] == []


def test_one_bad_file_does_not_hold_up_the_others(team, tmp_path):
    drop = tmp_path / "drop"
    laps_csv(drop / "good.csv")
    (drop / "bad.csv").write_text("a letter, to somebody\nwith commas, in it\n")
    with watched(team, drop) as it:
        it.says("good.csv: 18 laps")
        it.says("waiting with bad.csv: ")
        laps_csv(drop / "bad.csv", start="15:00:00")
        it.says("bad.csv: 18 laps")
    assert len([line for line in it.lines if "waiting" in line]) == 1


def test_a_half_written_file_waits(team, tmp_path):
    whole = laps_csv(tmp_path / "whole.csv").read_text()
    cut = whole[: whole.index("102,Bo Burg,3") + 9]
    drop = tmp_path / "drop"
    with watched(team, drop) as it:
        (drop / "heat.csv").write_text(cut)
        laps_csv(drop / "other.csv", start="12:00:00")
        it.says("other.csv")
        time.sleep(3 * watching.SETTLED_S)
        assert it.laps() == 18
        with (drop / "heat.csv").open("a") as file:
            file.write(whole[len(cut) :])
        it.says("heat.csv: 18 laps of 3 drivers")
    assert it.laps() == 36


@pytest.mark.parametrize(
    ("text", "cut"),
    [
        ("a,b,c\n1,2,3\n", False),
        ("a,b,c\n1,2,3", False),
        ("a,b,c\n1,2,3\n1,2", True),
        ("a;b\n1", True),
        ("a\tb\r\n1\t2\r\n", False),
        ("", True),
        ("a,b", False),
        ("a,b\n1,2\n\0\0\0", False),
    ],
)
def test_a_last_line_that_ends_early_looks_cut(tmp_path, text, cut):
    (tmp_path / "x.csv").write_text(text, newline="")
    assert looks_cut(tmp_path / "x.csv") == cut
    assert looks_cut(tmp_path / "gone.csv")


def test_a_folder_that_goes_and_comes_again(team, tmp_path):
    drop = tmp_path / "drop"
    with watched(team, drop) as it:
        laps_csv(drop / "one.csv")
        it.says("one.csv")
        shutil.rmtree(drop)
        it.says("is gone; waiting for it")
        laps_csv(drop / "two.csv", start="12:00:00")
        it.says("is there again")
        it.says("two.csv: 18 laps")
    assert it.laps() == 36


def test_a_full_disk_is_said_and_tried_again(team, tmp_path, monkeypatch):
    monkeypatch.setattr(watching, "RETRY_S", (0.5,))
    real, full = watching.import_exports, [True]

    def importing(*given):
        if full:
            raise UserError("'store' cannot be written: No space left on device")
        return real(*given)

    monkeypatch.setattr(watching, "import_exports", importing)
    with watched(team, tmp_path / "drop") as it:
        laps_csv(tmp_path / "drop" / "heat.csv")
        it.says("waiting with heat.csv: 'store' cannot be written: No space left on device")
        time.sleep(1.5)
        full.clear()
        it.says("heat.csv: 18 laps")
        assert len([line for line in it.lines if "No space left" in line]) == 1
        it.fails = ValueError("something that nobody thought of")
        laps_csv(tmp_path / "drop" / "more.csv", start="12:00:00")
        it.says("more.csv: 18 laps of 3 drivers; no run sheet yet: a fault of the program (Value")
        it.fails = OSError(28, "No space left on device")
        laps_csv(tmp_path / "drop" / "third.csv", start="13:00:00")
        it.says("third.csv: 18 laps of 3 drivers; no run sheet yet: [Errno 28]")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no disk to fill")
def test_a_store_on_a_full_disk_keeps_what_it_had(team, tmp_path):
    """A file system of 600 kB, filled to the brim."""
    disk = tmp_path / "disk"
    disk.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", disk],
                          capture_output=True)  # fmt: skip
    if made.returncode:
        pytest.skip("cannot mount a small disk here")
    try:
        shutil.copytree(team, disk / "team")
        with watched(disk / "team", tmp_path / "drop") as it:
            laps_csv(tmp_path / "drop" / "one.csv")
            it.says("one.csv: 18 laps")
            filler = disk / "filler"
            with pytest.raises(OSError), filler.open("wb", buffering=0) as file:
                while True:
                    file.write(b"x" * 1024)
            laps_csv(tmp_path / "drop" / "two.csv", start="12:00:00")
            it.says("waiting with two.csv")
            assert it.laps() == 18
            filler.unlink()
            it.says("two.csv: 18 laps")
            assert it.laps() == 36
    finally:
        subprocess.run(["umount", disk], check=True)


def test_logbooks_and_edits_of_the_log_redraw_the_sheet(tmp_path):
    folder = day(tmp_path / "team", kept="")
    with watched(folder, tmp_path / "drop") as it:
        (tmp_path / "drop" / "logbook-spring-Ann.csv").write_text(BOOK)
        it.says("spring, Ann Arbor: 4 runs; run sheet")
        assert answer(folder) == "1.3 1.4 1.4 1.3"
        (folder / "sessions.csv").write_text("meeting,session,exclude\nspring,S1,rain\n")
        it.says("sessions.csv changed; run sheet")
        (folder / "sessions.csv").write_text("meeting,session,exclude\nsprung,S1,rain\n")
        it.says("sessions.csv: the team folder has 1 fault")
        later = BOOK.replace("1,09:55,1.3", "1,09:55,1.2").replace("Arbor", "Arbr")
        (tmp_path / "drop" / "logbook 2.csv").write_text(later)
        it.says("waiting with logbook 2.csv")


def test_with_a_plan_it_says_what_comes_next(tmp_path):
    folder = day(tmp_path / "team", kept="", starts=("10:00",))
    plan = tmp_path / "plan.json"
    plan.write_text(
        '{"meeting": "spring", "runs": [{"driver": "Ann Arbor", "run": 2, "start": "11:20",'
        ' "settings": {"rear_bar": "1.4"}}, {"driver": "Bo Burg", "run": 1, "settings": {}}]}'
    )
    with watched(folder, tmp_path / "drop", plan) as it:
        assert it.says("next:") == "  next: Ann Arbor, run 2, 11:20: Rear anti-roll bar 1.4 mm"
        plan.write_text(plan.read_text().replace("1.4", "1.2"))
        it.says("bar 1.2 mm")
    assert len([line for line in it.lines if "next:" in line]) == 2


@pytest.mark.parametrize(
    ("name", "text", "logbook"),
    [
        ("a.csv", BOOK, True),
        ("a.csv", '\ufeff"Meeting";"Driver";"Run";"start"\n', True),
        ("a.csv", "driver,meeting,run\n", False),
        ("a.csv", "Lap,Driver,Time\n", False),
        ("a.txt", BOOK, False),
        ("a.csv", "", False),
    ],
)
def test_what_a_logbook_looks_like(tmp_path, name, text, logbook):
    (tmp_path / name).write_text(text, "utf-8")
    assert is_logbook(tmp_path / name) == logbook


def test_wrong_calls_are_refused_before_anything_is_watched(team, tmp_path):
    it = Watched(team, tmp_path)
    for folder, meeting in ((tmp_path / "none", "spring"), (tmp_path, "sprng")):
        with pytest.raises(CallError):
            watch(WatchCall(team, folder, meeting, it.redraw), it.lines.append, it.stop)
    assert it.lines == [] and not (team / "store").exists()


def started(team: Path, drop: Path) -> subprocess.Popen[str]:
    command = [
        sys.executable,
        "-m",
        "pipeline",
        "--team",
        team,
        "watch",
        drop,
        "--meeting",
        "spring",
    ]
    return subprocess.Popen(
        list(map(str, command)), cwd=HERE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def read_until(process: subprocess.Popen[str], words: str) -> str:
    assert process.stdout is not None
    for line in process.stdout:
        if words in line:
            return line
    raise AssertionError(f"ended without {words!r}: {process.communicate()[1]}")


@pytest.mark.slow
def test_the_command_draws_the_sheet_and_ends_on_ctrl_c_with_status_0(tmp_path):
    folder, drop = day(tmp_path / "team", starts=(), kept=BOOK), tmp_path / "drop"
    drop.mkdir()
    process = started(folder, drop)
    read_until(process, "watching")
    draw = random.Random(5)
    names = ["101 Ann Arbor", "102 Bo Burg", *(f"{n} Rival {n}" for n in range(3, 12))]
    for number, start in enumerate(("10:00:00", "11:00:00"), 1):
        cars = {name: [round(draw.gauss(16, 0.2), 2) for _ in range(15)] for name in names}
        laps_csv(drop / f"heat {number}.csv", cars, start=start)
        read_until(process, f"heat {number}.csv: ")
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, err) == (0, "")
    assert out.endswith("stopped; nothing is half done\n")
    page = (folder / "reports" / "meetings" / "spring.html").read_text("utf-8")
    assert "Rear anti-roll bar" in page and "Rival" not in page
    assert not list(folder.rglob(".*.html.*"))


@pytest.mark.slow
def test_ctrl_c_at_any_moment_leaves_a_whole_store(tmp_path):
    for number, wait in enumerate((0.0, 0.3, 0.6, 0.8, 1.0)):
        folder = team_folder(tmp_path / str(number) / "team", setups="")
        (folder / "setups.csv").unlink()
        drop = folder.parent / "drop"
        drop.mkdir()
        process = started(folder, drop)
        read_until(process, "watching")
        for heat in range(3):
            laps_csv(drop / f"heat {heat}.csv", start=f"1{heat}:00:00")
        time.sleep(wait)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=PATIENCE_S)
        assert (process.returncode, err) == (0, "")
        store = open_store(folder)
        assert sum(record.laps for _, record in store.all_imports()) == len(store.read("laps"))
        assert not (folder / "store" / ".new").exists()
    assert os.name == "posix"
