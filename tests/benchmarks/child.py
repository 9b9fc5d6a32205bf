"""One measurement in a process of its own: `python -m tests.benchmarks.child WHAT [ARGUMENT…]`.

Prints what was found, and the processor time, wall time and peak memory of the work, as JSON.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any


def measured(what: str, *arguments: object) -> dict[str, Any]:
    """Run one of the measurements below in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.child", what, *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)}:\n{done.stderr}")
    return dict(json.loads(done.stdout.splitlines()[-1]))


def importing(layout: str, path: str) -> Callable[[], Any]:
    """The import of one export into a new store; team folder: where the export lies."""
    import pyarrow.parquet  # noqa: F401 - as `arrow` does; a dry run does not load it

    from pipeline.store.importing import ImportCall, import_exports
    from pipeline.team.folder import load_team

    team = load_team(Path(path).parent)
    call = ImportCall((Path(path),), "m00000", layout=layout)
    # A small export first, so that loading the libraries does not count.
    small = ImportCall((Path(__file__).with_name("small.csv"),), "m00000", dry_run=True)
    import_exports(team, small)
    return lambda: import_exports(team, call).as_json()


def arrow(path: str, out: str) -> Callable[[], Any]:
    """The reference: the same file read by pyarrow.csv and written as parquet."""
    import pyarrow.csv
    import pyarrow.parquet

    def work() -> dict[str, int]:
        table = pyarrow.csv.read_csv(path)
        pyarrow.parquet.write_table(table, out, compression="zstd")
        return {"rows": table.num_rows}

    return work


def season(folder: str, out: str) -> Callable[[], Any]:
    """The whole season with its page; the seconds of each stage by the tool's own `--timings`."""
    from pipeline.cli.pages import opened, say_season
    from pipeline.cli.steps import Steps
    from pipeline.report.write import write_season

    def work() -> dict[str, Any]:
        steps = Steps()
        joined = opened(Path(folder), steps).join()
        started = time.process_time()
        found = joined.season(progress=steps)
        result = found.result
        analysed = time.process_time()
        steps("report")
        write_season(result, joined.context("season"), Path(out))
        say_season(found, steps)
        page = time.process_time() - analysed
        stages = {"stages": steps.seconds, "outcomes": steps.side_by_side}
        return stages | {"fits_cpu": analysed - started, "page_cpu": page}

    return work


def frames(cars: str) -> Callable[[], Any]:
    """A day's frames to effects of pace, and its parts; medians of twenty, processor seconds."""
    import pipeline
    from pipeline.models.season import estimate
    from pipeline.public.frames import season_data
    from tests.api.frames import dicts
    from tests.api.frames import frames as frames_of
    from tests.models.small_season import season as small

    made = small(meetings=1, cars=int(cars))
    runs, laps = frames_of(made)
    raw = {"team": {"name": "frames"}, "factor": dicts(made.factors)}
    data, _ = season_data(runs, laps, raw)
    only: dict[str, Any] = {"outcomes": ["pace"], "conditions": []}

    def work() -> dict[str, Any]:
        return {
            "runs": len(runs),
            "laps": len(laps),
            "frames": _median(lambda: season_data(runs, laps, raw)),
            "fit": _median(lambda: estimate(data, **only).effects_table()),
            "whole": _median(lambda: pipeline.analyse(runs, laps, raw["factor"], **only).effects),
        }

    return work


def _median(work: Callable[[], Any], times: int = 20) -> float:
    spent = []
    for _ in range(times):
        started = time.process_time()
        work()
        spent.append(time.process_time() - started)
    return sorted(spent)[times // 2]


def stream(folder: str) -> Callable[[], Any]:
    """Runs and their statistics of the whole store, some meetings at a time."""
    from pipeline.runs.gathering import stream_season
    from pipeline.runs.statistics import reduce_laps
    from pipeline.team.folder import load_team

    team = load_team(Path(folder))

    def work() -> dict[str, int]:
        import pandas as pd

        laps = runs = 0
        for data in stream_season(team):
            clean = data.laps[data.laps["status"] == "clean"]
            driver = pd.factorize(data.runs["driver"])[0]
            columns = (clean["run"], clean["lap"], clean["lap_s"])
            run, lap, seconds = (column.to_numpy() for column in columns)
            statistics = reduce_laps(run, lap.astype(float), seconds, driver)
            laps, runs = laps + len(data.laps), runs + len(statistics.n)
        return {"laps": laps, "runs": runs}

    return work


def many(seasons: str) -> Callable[[], Any]:
    """One fit over the runs of several seasons, each with its own 60 drivers."""
    from dataclasses import replace

    from tests.benchmarks.fit import ours
    from tests.benchmarks.made import DRIVERS, SETUP_COLUMNS, make

    one = make(meetings=12 * int(seasons))
    driver = one.driver + DRIVERS * (one.meeting // 12)
    season = replace(one, driver=driver)

    def work() -> dict[str, Any]:
        fit = ours(season, reported=SETUP_COLUMNS)
        return {"runs": len(driver), "columns": len(fit.beta), "converged": fit.converged}

    return work


WHAT: dict[str, Callable[..., Callable[[], Any]]] = {
    "import": importing,
    "arrow": arrow,
    "season": season,
    "frames": frames,
    "stream": stream,
    "many": many,
}


def main() -> None:
    """Time the work alone, with nothing of it on stdout but the JSON object."""
    what, *arguments = sys.argv[1:]
    work = WHAT[what](*arguments)
    cpu, wall = _processor(), time.perf_counter()
    with redirect_stdout(sys.stderr):
        found = work()
    spent = {"cpu": _processor() - cpu, "wall": time.perf_counter() - wall}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(json.dumps({"found": found, **spent, "peak": peak}))


def _processor() -> float:
    """Processor seconds so far, of the processes too that the work was split into."""
    used = map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in used)


if __name__ == "__main__":
    main()
