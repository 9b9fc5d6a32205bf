"""Kill imports at random moments and look at the store: `python -m tests.kill --kills 200`."""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import signal
import tempfile
import time
from pathlib import Path

from pipeline.store.parquet import open_store
from tests.exports import laps_csv
from tests.folders import team_folder
from tests.nursery import Nursery

# A process that has everything loaded and forks one import a line; it never uses arrow itself,
# whose threads do not survive a fork.
_NURSERY = """
import os, sys
from pathlib import Path
import filelock, pandas, pyarrow.parquet, pyarrow.compute
from pipeline.store.importing import ImportCall, import_exports
from pipeline.team.folder import load_team
for line in sys.stdin:
    folder, export = line.rstrip("\\n").split("\\t")
    pid = os.fork()
    if not pid:
        import_exports(load_team(Path(folder)), ImportCall((Path(export),), "spring"))
        os._exit(0)
    print(pid, flush=True)
    print(os.waitpid(pid, 0)[1], flush=True)
"""


class Imports(Nursery):
    """Imports in processes of their own, each of which can be killed."""

    def __init__(self) -> None:
        super().__init__(_NURSERY)

    def start(self, folder: Path, export: Path) -> int:
        self.send(folder, export)
        return self.answer()

    def whole(self, folder: Path, export: Path) -> float:
        """An import that nobody kills; its seconds."""
        began = time.perf_counter()
        self.start(folder, export)
        assert self.answer() == 0
        return time.perf_counter() - began


def content(folder: Path) -> dict[str, bytes]:
    """Every file of the store but the lock; opening it first finishes what was committed."""
    store = open_store(folder)
    store.read("laps")
    files = (path for path in store.folder.rglob("*") if path.is_file())
    found = {path.relative_to(store.folder).as_posix(): path.read_bytes() for path in files}
    return {name: raw for name, raw in found.items() if not name.startswith((".lock", ".new/"))}


def kill_after(pid: int, wait: float, sign: Path | None) -> None:
    """SIGKILL after `wait` seconds, counted from when `sign` is there."""
    until = time.perf_counter() + 5
    while sign and time.perf_counter() < until and not sign.exists():
        if not Path(f"/proc/{pid}").exists():
            break
    time.sleep(wait)
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)


def study(folder: Path, kills: int, seed: int) -> dict[str, int]:
    """Kill imports of a second file into a store that has the first.

    A third is killed at any moment of the import, a third while the new files are written, a
    third around the moment from which they count. Counts stores left as before, as after, and as
    neither; and repeats with other bytes than `after`.
    """
    team_folder(folder)
    first = laps_csv(folder / "exports/spring/q1.csv")
    second = laps_csv(folder / "exports/spring/q2.csv", start="11:00:00")
    nursery, template = Imports(), folder.parent / "template"
    nursery.whole(folder, first)
    shutil.copytree(folder / "store", template)
    before, longest = content(folder), nursery.whole(folder, second)
    after, draw = content(folder), random.Random(seed)
    store = folder / "store"
    signs = [(None, longest), (store / ".new", 0.1), (store / ".new/moves.json", 0.02)]
    count = dict.fromkeys(("before", "after", "neither", "unlike"), 0)
    for number in range(kills):
        shutil.rmtree(folder / "store")
        shutil.copytree(template, folder / "store")
        sign, most = signs[number % 3]
        kill_after(nursery.start(folder, second), draw.uniform(0, most), sign)
        nursery.answer()  # not 0 if it was killed or failed
        left = content(folder)
        count["before" if left == before else "after" if left == after else "neither"] += 1
        nursery.whole(folder, second)
        count["unlike"] += content(folder) != after
    nursery.close()
    return count


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        print(study(Path(scratch) / "team", options.kills, options.seed))
