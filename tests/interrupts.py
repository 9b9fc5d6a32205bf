"""Press Ctrl-C at random moments of a command: `python -m tests.interrupts --signals 400`.

After each: is what was there whole, as before or as after, and was it said so? A quarter are fresh
processes, so that loading is hit too; the others are forked from one that has everything loaded.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from pipeline.store.parquet import open_store
from tests.exports import CARS, laps_csv
from tests.folders import team_folder
from tests.nursery import Nursery

SETUPS = "meeting,driver,run,factor,value\nspring,Ann Arbor,1,rear_bar,1.3\n"
# Says when the command begins: before that the signal would hit Python's own start.
_FRESH = "import os, sys; from pipeline.__main__ import start; os.write(1, b'.'); start()"
_NURSERY = """
import os, signal, sys
import filelock, pandas, plotnine, pyarrow.parquet, pyarrow.compute, scipy.stats
import pipeline.cli, pipeline.models.season, pipeline.report.season_page
signal.signal(signal.SIGINT, signal.SIG_DFL)  # as pipeline.__main__ has it
for line in sys.stdin:
    arguments, words = line.rstrip("\\n").split("\\t")
    pid = os.fork()
    if not pid:
        os.dup2(os.open(words, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        try:
            pipeline.cli.main(arguments.split(" "))
        except SystemExit as stop:
            os._exit(int(stop.code or 0))
    print(pid, flush=True)
    print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)
"""


Run = Callable[[list[str], "float | None"], tuple[int, str]]


class Commands(Nursery):
    """Commands in processes forked from one that has everything loaded."""

    def __init__(self, folder: Path) -> None:
        super().__init__(_NURSERY)
        self.words = folder / "words.txt"

    def run(self, arguments: list[str], wait: float | None) -> tuple[int, str]:
        """Exit status (negative: the signal that ended it) and what was said."""
        self.send(" ".join(arguments), self.words)
        pid = self.answer()
        if wait is not None:
            time.sleep(wait)
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGINT)
        return self.answer(), self.words.read_text()


def run_fresh(arguments: list[str], wait: float | None) -> tuple[int, str]:
    """The same in a new process."""
    command = [sys.executable, "-c", _FRESH, *arguments]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    process.stdout.read(1)
    if wait is not None:
        time.sleep(0.002 + wait)
        process.send_signal(signal.SIGINT)
    _, said = process.communicate()
    return process.returncode, said


def content(folder: Path) -> dict[str, bytes]:
    """Every file but locks, and what hides a change that does not count, as kept results."""
    files = {str(p.relative_to(folder)): p for p in folder.rglob("*") if p.is_file()}
    hidden = (".lock", "/.new/", "store/results/")
    return {n: p.read_bytes() for n, p in files.items() if not any(h in n for h in hidden)}


def verdict(status: int, said: str, state: str) -> str:
    """'' where all is well, else what is wrong."""
    if any(word in said for word in ("Traceback", "Exception", "Error", "fault of the program")):
        return "a trace"
    if status not in (0, 130, -signal.SIGINT):
        return f"status {status}"
    if state == "neither":
        return "a mixture"
    stands = "what was written before that stands" in said
    if status == 130 and stands != (state == "after"):
        return "not as it was said"
    return "not done" if status == 0 and state != "after" else ""


class Study:
    """One command in one kind of process, pressed Ctrl-C on from the same folder each time."""

    def __init__(self, folder: Path, words: list[str], run: Run) -> None:
        self.folder, self.words, self.run = folder, words, run
        self.again()
        self.before = content(folder)
        began = time.perf_counter()
        status, said = run(words, None)
        assert status == 0, said
        self.longest = time.perf_counter() - began
        self.after = content(folder)

    def again(self) -> None:
        """The folder as it was."""
        shutil.rmtree(self.folder, ignore_errors=True)
        shutil.copytree(self.folder.with_name("template"), self.folder)

    def press(self, share: float) -> tuple[str, str]:
        """What is left after Ctrl-C in that part of the command's time, and what is wrong."""
        self.again()
        status, said = self.run(self.words, share * self.longest)
        open_store(self.folder).meetings()  # finishes what counts
        left = content(self.folder)
        state = "before" if left == self.before else "after" if left == self.after else "neither"
        return state, verdict(status, said, state)


def study(folder: Path, signals: int, seed: int) -> tuple[Counter[str], Counter[str]]:
    """How often what was there was left as before and as after; what was wrong, and how often."""
    team = team_folder(folder / "team", setups=SETUPS)
    nursery, draw = Commands(folder), random.Random(seed)
    exports = [
        laps_csv(
            team / f"exports/spring/q{n}.csv",
            {car: [18.0, *(round(draw.gauss(16, 0.2), 3) for _ in range(12))] for car in CARS},
            start=f"1{n}:00:00",
        )
        for n in range(3)
    ]
    at = ["--team", str(team)]
    for export in exports[:2]:
        assert nursery.run([*at, "import", str(export), "--meeting", "spring"], None)[0] == 0
    shutil.copytree(team, folder / "template")
    verbs = [["import", str(team / "exports"), "--meeting", "spring"], ["season"]]
    fresh, forked = (
        [Study(team, [*at, *verb], run) for verb in verbs] for run in (run_fresh, nursery.run)
    )
    count: Counter[str] = Counter()
    wrong: Counter[str] = Counter()
    for number in range(signals):
        one = (fresh if number % 8 < 2 else forked)[number % 2]
        # What counts comes late: every other third of the draws looks there.
        state, fault = one.press(draw.uniform(*((0.0, 1.0) if number % 3 else (0.7, 1.2))))
        count[state] += 1
        wrong[fault] += bool(fault)
    nursery.close()
    return count, +wrong


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--signals", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        left, faults = study(Path(scratch), options.signals, options.seed)
    print(f"left as {dict(left)}; wrong: {dict(faults) or 'nothing'}")
