"""What the system refuses: full disks, rights, readers that leave, Ctrl-C; in words, each named."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.cli.process import interruptible
from tests.cli.test_meeting import ANN, BO, RIVAL, day
from tests.interrupts import study

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name == "nt", reason="rights and disks as POSIX has them"),
]
# Root may read and write everything; without these two it is held to the rights of files.
AS_ANYBODY = ["setpriv", "--bounding-set", "-dac_override,-dac_read_search", "--"]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A team folder with a meeting in its store."""
    return day(tmp_path_factory.mktemp("made") / "team", (ANN, BO, RIVAL))


@pytest.fixture
def team(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "team"))


def command(*arguments: object, anybody: bool = False) -> list[str]:
    call = [sys.executable, "-m", "pipeline", *map(str, arguments)]
    if anybody and os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("root without setpriv: rights of files do not hold")
        return [*AS_ANYBODY, *call]
    return call


def run(*arguments: object, anybody: bool = False) -> subprocess.CompletedProcess[str]:
    call = command(*arguments, anybody=anybody)
    return subprocess.run(call, capture_output=True, text=True, timeout=120)


def refused(done: subprocess.CompletedProcess[str], *words: str) -> None:
    assert done.returncode == 1, done.stderr
    for word in words:
        assert word in done.stderr, done.stderr
    assert "Traceback" not in done.stderr and "fault of the program" not in done.stderr


def content(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@contextlib.contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    """A disk of its own; skips where none can be mounted."""
    folder.mkdir()
    options = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    if os.geteuid() != 0 or subprocess.run(options, capture_output=True).returncode:
        pytest.skip("no small disk can be mounted here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.parametrize(
    "verb",
    [
        ["season"],
        ["meeting", "spring"],
        ["share", "--all"],
        ["plan", "--factor", "rear_bar", "--drivers", "2", "--runs", "4"],
    ],
)
def test_a_full_disk_leaves_what_was_there(team: Path, tmp_path: Path, verb: list[str]) -> None:
    with small_disk(tmp_path / "disk", "3m") as disk:
        call = ["--team", team, *verb, "--out", disk / "out"]
        assert run(*call).returncode == 0
        (disk / "ballast").write_bytes(bytes(3_000_000 - sum(map(len, content(disk).values()))))
        with contextlib.suppress(OSError), (disk / "ballast").open("ab") as ballast:
            ballast.write(bytes(3_000_000))
        toml = team / "team.toml"
        toml.write_text(toml.read_text().replace("Test team", "Renamed team"))
        before = content(disk)
        refused(run(*call), "the disk is full", str(disk / "out"), "nothing was written")
        assert content(disk) == before


def test_a_full_disk_leaves_the_store(made: Path, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "400k") as disk:
        team = Path(shutil.copytree(made, disk / "team"))
        before = content(team)
        with contextlib.suppress(OSError), (disk / "ballast").open("wb") as ballast:
            ballast.write(bytes(500_000))
        text = (team / "exports/spring/q1.csv").read_text().replace("10:00:00", "15:00:00")
        other = tmp_path / "q9.csv"
        other.write_text(text.replace("16.", "17."))
        done = run("--team", team, "import", other, "--meeting", "spring")
        refused(done, "the disk is full", "store")
        assert {n: raw for n, raw in content(team).items() if ".lock" not in n} == {
            n: raw for n, raw in before.items() if ".lock" not in n
        }


def test_a_new_folder_is_made_whole_or_not_at_all(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "200k") as disk:
        for verb in (["demo", "--out"], ["simulate"]):
            refused(run(*verb, disk / "new"), "the disk is full", "nothing was written")
            assert list(disk.iterdir()) == []


@pytest.mark.parametrize("verb", [["season"], ["meeting", "spring"], ["share", "--all"]])
def test_a_folder_that_may_not_be_written(team: Path, tmp_path: Path, verb: list[str]) -> None:
    out = tmp_path / "kept"
    out.mkdir()
    out.chmod(0o555)
    done = run("--team", team, *verb, "--out", out, anybody=True)
    refused(done, "you have no right to this", str(out), "nothing was written")
    assert list(out.iterdir()) == []


@pytest.mark.parametrize("name", ["team.toml", "drivers.csv", "meetings.csv", "setups.csv"])
def test_a_table_that_may_not_be_read(team: Path, name: str) -> None:
    (team / name).chmod(0)
    done = run("--team", team, "season", anybody=True)
    refused(done, name, "you have no right to this")
    assert "Remove" not in done.stderr


def test_a_store_that_may_not_be_read_is_not_called_broken(team: Path) -> None:
    for path in (team / "store" / "laps").glob("*.parquet"):
        path.chmod(0)
    done = run("--team", team, "season", anybody=True)
    refused(done, "you have no right to this", "laps")
    assert "Remove" not in done.stderr


def test_a_team_folder_that_may_not_be_entered(team: Path) -> None:
    team.chmod(0)
    try:
        done = run("--team", team, "season", anybody=True)
        assert done.returncode in (1, 2) and "Traceback" not in done.stderr
        assert "not readable" in done.stderr or "you have no right to this" in done.stderr
    finally:
        team.chmod(0o755)


@pytest.mark.parametrize("verb", [["season"], ["meeting", "spring"], ["share", "--all"], ["check"]])
def test_a_reader_that_leaves_stops_no_work(team: Path, verb: list[str]) -> None:
    """As `| head -n 0`: nothing of the work is lost, and nothing is said about pipes."""
    read, write = os.pipe()
    os.close(read)
    call = command("--team", team, *verb)
    done = subprocess.run(call, stdout=write, stderr=subprocess.PIPE, text=True, timeout=120)
    os.close(write)
    assert done.returncode == 0 and "ipe" not in done.stderr, done.stderr
    assert verb == ["check"] or list((team / "reports").rglob("*.html"))


def test_a_reader_that_leaves_does_not_stop_the_demo_half_way(tmp_path: Path) -> None:
    """The demo prints before it has written all."""
    read, write = os.pipe()
    os.close(read)
    call = command("demo", "--out", tmp_path / "demo")
    done = subprocess.run(call, stdout=write, stderr=subprocess.PIPE, text=True, timeout=300)
    os.close(write)
    assert done.returncode == 0, done.stderr
    assert len(list((tmp_path / "demo/reports/share").glob("*.html"))) == 5


def test_words_that_cannot_be_written(team: Path) -> None:
    with Path("/dev/full").open("w") as full:
        call = command("--team", team, "season")
        done = subprocess.run(call, stdout=full, stderr=subprocess.PIPE, text=True, timeout=120)
    refused(done, "the disk is full", f"what was written before that stands: {team}")


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_a_terminal_without_a_sign_for_a_letter(team: Path, encoding: str) -> None:
    drivers = team / "drivers.csv"
    drivers.write_text(drivers.read_text().replace("Ann Arbor", "Ann Árbor 李"))
    call = command("--team", team, "check")
    done = subprocess.run(
        call, capture_output=True, timeout=120, env={**os.environ, "PYTHONIOENCODING": encoding}
    )
    assert done.returncode == 0, done.stderr


def test_closed_streams(team: Path) -> None:
    call = "exec " + " ".join(f"'{word}'" for word in command("--team", team, "check"))
    for closed in (">&-", "2>&-", ">&- 2>&-"):
        assert subprocess.run(["sh", "-c", f"{call} {closed}"], timeout=120).returncode == 0


def test_an_error_that_a_library_makes_of_ctrl_c_is_ctrl_c() -> None:
    before = signal.signal(signal.SIGINT, signal.SIG_DFL)
    try:
        with pytest.raises(KeyError), interruptible():
            raise KeyError("not of Ctrl-C")
        with pytest.raises(KeyboardInterrupt), interruptible():
            with contextlib.suppress(KeyboardInterrupt):
                signal.raise_signal(signal.SIGINT)
            raise KeyError("of Ctrl-C")
    finally:
        signal.signal(signal.SIGINT, before)


def test_ctrl_c_at_any_moment(tmp_path: Path) -> None:
    """One line, status 130, all of it or nothing, and said which; a part of tests.interrupts."""
    left, wrong = study(tmp_path, signals=16, seed=5)
    assert not wrong and left["before"] + left["after"] == 16
