"""The whole job: season, import, streaming of large stores, start; and how the costs grow.

Every measurement is a process of its own (see `child`). Seconds are processor seconds, which a
busy machine does not change much; with one thread an idle machine's wall time is hardly more.
`season` fits its outcomes side by side, so that its wall time is given too.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from statistics import median

from tests.benchmarks.child import measured
from tests.benchmarks.exports import WRITERS
from tests.benchmarks.fit import Line
from tests.benchmarks.stores import Size, write_team

EXPORT_LAPS = 1_000_000
GIGABYTE = 1e9
LARGE = Size(drivers=128, pool=3_000)  # a meeting of 25,900 laps


def season_lines() -> Iterator[Line]:
    """`season` and `check` on the method page's season, and the share of each stage."""
    with tempfile.TemporaryDirectory() as folder:
        team = write_team(Path(folder) / "team", Size())
        found = measured("season", team, Path(folder) / "out")
        stages, jobs = found["found"]["stages"], found["found"]["outcomes"]
        size = f"{sum(1 for _ in (team / 'store' / 'laps').iterdir())} meetings"
        whole, page = found["wall"], stages["report"]
        what = f"`season` without its page, {size}"
        yield Line(f"{what} (wall)", whole - page, "5 s", 5.0, "at most 1")
        yield Line(f"{what}", found["cpu"] - found["found"]["page_cpu"], "5 s", 5.0, "")
        what = f"`season` with its page, {size}"
        yield Line(f"{what} (wall)", whole, "12 s", 12.0, "at most 1")
        yield Line(f"{what}", found["cpu"], "12 s", 12.0, "")
        for stage, seconds in stages.items():
            yield Line(f"of it: {stage} (wall)", seconds, "the whole (wall)", whole, "")
        for job, seconds in jobs.items():
            yield Line(f"of the fits: {job}", seconds, "all fits", sum(jobs.values()), "")
        yield _memory("`season`", found["peak"], 0)
        check = [sys.executable, "-m", "pipeline", "--team", str(team), "check"]
        yield Line(f"`check`, {size}", _spent(check), "1 s", 1.0, "at most 1")


def kept_lines() -> Iterator[Line]:
    """Commands of the demo team with nothing kept, and after a season; whole processes."""
    calls = {
        "season": ["season"],
        "choose": ["choose"],
        "share --all": ["share", "--all"],
        "plan": ["plan", "--factor", "wing", "--drivers", "2", "--runs", "8"],
    }
    with tempfile.TemporaryDirectory() as folder:
        team = Path(folder) / "team"
        program = [sys.executable, "-m", "pipeline"]
        yield Line("`demo`", _spent([*program, "demo", "--out", str(team)]), "9 s", 9.0, "")
        program += ["--team", str(team)]
        meeting = [*program, "meeting", "may-test"]
        yield Line("`meeting`, demo team", _spent(meeting), "1.2 s", 1.2, "at most 1")
        for name, call in calls.items():
            anew = _spent([*program, *call, "--fresh"])
            ours = median(_spent([*program, *call]) for _ in range(3))
            yield Line(f"`{name}` after a season, demo team", ours, "1 s", 1.0, "at most 1")
            yield Line(f"`{name}` after a season", ours, "with --fresh", anew, "")


def import_lines() -> Iterator[Line]:
    """A million laps in each layout, against pyarrow's reading and writing of the same file."""
    for layout, write in WRITERS.items():
        with tempfile.TemporaryDirectory() as folder:
            team = write_team(Path(folder), Size(meetings=1))
            export = team / f"{layout}.csv"
            write(export, EXPORT_LAPS)
            ours, theirs, peaks = [], [], []
            for _ in range(5):
                shutil.rmtree(team / "store", ignore_errors=True)
                found = measured("import", layout, export)
                ours.append(found["cpu"])
                peaks.append(found["peak"])
                theirs.append(measured("arrow", export, Path(folder) / "out.parquet")["cpu"])
            what = f"import of {found['found']['laps']} laps, layout {layout}"
            aim = "at most 4" if layout == "laps" else "at most 6"
            reference = "pyarrow.csv and parquet"
            yield Line(what, median(ours), reference, median(theirs), aim)
            yield _memory(what, max(peaks), 1)


def scale_lines(
    meetings: tuple[int, ...] = (40, 400), seasons: tuple[int, ...] = (1, 10, 50)
) -> Iterator[Line]:
    """One streaming pass over stores of any size, and one fit over many seasons' runs."""
    first = 0.0
    for number in meetings:
        with tempfile.TemporaryDirectory() as folder:
            team = write_team(Path(folder), Size(number, LARGE.drivers, pool=LARGE.pool))
            found = measured("stream", team)
        laps = found["found"]["laps"]
        per_million = found["cpu"] / laps * 1e6
        first = first or per_million
        what = f"streaming pass over {laps} laps, a million laps"
        yield Line(what, per_million, "the same in the smallest store", first, "at most 1")
        yield _memory(f"streaming pass over {laps} laps", found["peak"], 2)
    for number in seasons:
        found = measured("many", number)
        what = f"one fit over {found['found']['runs']} runs, {found['found']['columns']} columns"
        yield Line(what, found["cpu"], "60 s", 60.0, "at most 1")
        yield _memory(what, found["peak"], 4)


def start_lines() -> Iterator[Line]:
    """`backtoback --help` against the import of click."""
    ours, theirs = [], []
    for _ in range(7):
        ours.append(_spent([sys.executable, "-m", "pipeline", "--help"]))
        theirs.append(_spent([sys.executable, "-c", "import click"]))
    reference = "python -c 'import click'"
    yield Line("`backtoback --help`", median(ours), reference, median(theirs), "at most 3")


def frames_lines() -> Iterator[Line]:
    """`pipeline.analyse` on a day of 24 cars in memory: what it costs beside its fit, 10 ms."""
    found = measured("frames", 24)["found"]
    what = f"`pipeline.analyse`, pace alone, {found['runs']} runs, {found['laps']} laps"
    yield Line(what, found["whole"], "its fit and table", found["fit"], "")
    yield Line(f"{what}: beside its fit", found["frames"], "10 ms", 0.01, "at most 1")


def growth_lines() -> Iterator[Line]:
    """`season` with twice of one thing and the same of all others; the base is half a season."""
    base = Size(meetings=6, drivers=40, runs=6, factors=3)
    doubled = {
        "laps a run": Size(6, 40, 6, 3, laps=50),
        "runs a driver": Size(6, 40, 12, 3),
        "drivers": Size(6, 80, 6, 3),
        "meetings": Size(12, 40, 6, 3),
        "factors": Size(6, 40, 6, 6),
    }
    plain = _season(base)
    for what, size in doubled.items():
        yield Line(f"`season`, twice the {what}", _season(size), "half a season", plain, "")


def _season(size: Size) -> float:
    with tempfile.TemporaryDirectory() as folder:
        team = write_team(Path(folder) / "team", size)
        return float(measured("season", team, Path(folder) / "out")["cpu"])


def _memory(what: str, peak: float, most: float) -> Line:
    """Peak memory in GB in place of seconds."""
    aim = "at most 1" if most else ""
    return Line(f"{what}: memory, GB", peak / GIGABYTE, f"{most or 1:g} GB", most or 1, aim)


def _spent(command: list[str]) -> float:
    """Processor seconds of a command, start-up included."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
