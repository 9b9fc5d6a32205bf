"""Many worlds, analysed and held against their truth.

    python -m tests.worlds.study --worlds 20000 --seed 1 --workers 2 --out worlds.parquet
    python -m tests.worlds.study --hostile --worlds 300 --out hostile.parquet

Each world's record is appended to a scratch file as it is done, so a study that was stopped, or
whose `--minutes` are over, goes on where it was; the file's name carries a fingerprint of the code
and of what was asked, so that a changed model starts afresh. `--out` gets a row a world, outcome,
contrast, condition and driver; `tests.worlds.reading` says what they come to.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from tqdm import tqdm

from tests.worlds.hostile import BY_NAME
from tests.worlds.parameters import OUTCOMES
from tests.worlds.record import ANALYSES, RANDOM, TEXTS, Asked, Record, record

ROOT = Path(__file__).parents[2]
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
NO_MODEL = ("cli", "report", "checking")  # rooms of the package that no number comes from
CHUNK = 500  # worlds to a row group: what memory holds with ease
QUEUED = 4  # worlds waiting for each process
Task = tuple[str, int, int]


def main(arguments: Sequence[str] | None = None) -> None:
    options = _options(arguments)
    asked = Asked(tuple(options.outcomes), options.conditions, options.drivers, options.analysis)
    kinds = options.kinds or (list(BY_NAME) if options.hostile else [RANDOM])
    tasks = [(kind, options.seed, n) for n in range(options.worlds) for kind in kinds]
    scratch = options.scratch or _scratch_file(options.seed, asked)
    scratch.parent.mkdir(parents=True, exist_ok=True)
    if not options.recorded:
        run(tasks, asked, options.workers, scratch, options.minutes)
    print(f"{scratch}: {_summary(tasks, scratch)}")
    if options.out:
        write(tasks, scratch, options.out)


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.worlds.study", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--worlds", type=int, default=1000, help="of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1, help="processes, one thread each")
    parser.add_argument("--hostile", action="store_true", help="the fixed kinds, not random ones")
    parser.add_argument("--kinds", nargs="+", choices=[RANDOM, *BY_NAME], help="these alone")
    parser.add_argument("--outcomes", nargs="+", choices=OUTCOMES, default=OUTCOMES)
    parser.add_argument("--conditions", action="store_true", help="also by grip and surface")
    parser.add_argument("--drivers", action="store_true", help="also by driver")
    parser.add_argument("--minutes", type=float, help="stop after so many")
    parser.add_argument("--analysis", choices=list(ANALYSES), default="pipeline")
    parser.add_argument("--scratch", type=Path, help="file of records, for going on later")
    parser.add_argument("--recorded", action="store_true", help="run none, use what there is")
    parser.add_argument("--out", type=Path, help="parquet file of all rows")
    return parser.parse_args(arguments)


def run(
    tasks: Sequence[Task], asked: Asked, workers: int, scratch: Path, minutes: float | None
) -> None:
    """Append to `scratch` the records of all worlds asked for that it does not hold."""
    known = {_task(one) for one in _recorded(scratch)}
    left = [task for task in tasks if task not in known]
    deadline = time.monotonic() + 60 * minutes if minutes else None
    with scratch.open("a", encoding="utf-8") as file:
        for one in tqdm(_records(left, asked, workers, deadline), total=len(left), unit="world"):
            file.write(json.dumps(one) + "\n")
            file.flush()


def _records(
    tasks: Sequence[Task], asked: Asked, workers: int, deadline: float | None
) -> Iterator[Record]:
    """As they are done; after the deadline no further world is begun."""
    os.environ.update(dict.fromkeys(THREADS, "1"))  # read by a new process as numpy loads
    waiting = iter(tasks)
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        running: set[Future[Record]] = set()
        while True:
            late = deadline is not None and time.monotonic() > deadline
            room = 0 if late else QUEUED * workers - len(running)
            running |= {pool.submit(record, *task, asked) for task in islice(waiting, room)}
            if not running:
                return
            done, running = wait(running, return_when=FIRST_COMPLETED)
            yield from (future.result() for future in done)


def _task(one: Record) -> Task:
    return one["kind"], one["seed"], one["number"]


def _recorded(scratch: Path) -> Iterator[Record]:
    """What the file holds; a last line that a stop cut off is taken out of it first."""
    if not scratch.exists():
        return
    _cut_unfinished(scratch)
    with scratch.open(encoding="utf-8") as file:
        yield from (json.loads(line) for line in file)


def _cut_unfinished(scratch: Path) -> None:
    with scratch.open("rb+") as file:
        size = file.seek(0, os.SEEK_END)
        while size and _byte(file, size - 1) != b"\n":
            size -= 1
        file.truncate(size)


def _byte(file, place: int) -> bytes:  # type: ignore[no-untyped-def]
    file.seek(place)
    return file.read(1)


def _scratch_file(seed: int, asked: Asked) -> Path:
    name = f"{fingerprint(asked)}-seed-{seed}.jsonl"
    return Path(tempfile.gettempdir()) / "backtoback-worlds" / name


def fingerprint(asked: Asked) -> str:
    """Of the code that the records depend on, and of what the analysis was asked for."""
    digest = hashlib.sha256(repr(asked).encode())
    package = ROOT / "pipeline"
    models = [p for p in package.rglob("*.py") if p.relative_to(package).parts[0] not in NO_MODEL]
    own = [p for p in Path(__file__).parent.glob("*.py") if not p.name.startswith("test_")]
    for path in sorted([*models, *own]):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def _summary(tasks: Sequence[Task], scratch: Path) -> str:
    wanted, done, failures = set(tasks), 0, Counter[str]()
    for one in _recorded(scratch):
        if _task(one) in wanted:
            done += 1
            failures[alike(one["failure"])] += bool(one["failure"])
    lines = [f"{done} of {len(wanted)} worlds"]
    lines += [f"{count} x {failure}" for failure, count in failures.most_common() if failure]
    return "\n".join(lines)


def alike(failure: str) -> str:
    """A failure without its numbers and after its second line, so that its like are counted."""
    return re.sub(r"\d[\d.]*", "#", "\n".join(failure.splitlines()[:2]))[:200]


def write(tasks: Sequence[Task], scratch: Path, out: Path) -> None:
    """A parquet file of all rows; where the analysis failed, one with the failure."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    wanted = set(tasks)
    records = (one for one in _recorded(scratch) if _task(one) in wanted)
    writer = None
    while chunk := list(islice(records, CHUNK)):
        table = pa.Table.from_pandas(frame(chunk), preserve_index=False)
        writer = writer or pq.ParquetWriter(out, table.schema)
        writer.write_table(table.cast(writer.schema))
    if writer:
        writer.close()


def frame(records: Sequence[Record]) -> pd.DataFrame:
    """A row a number; the world's parameters are `w_…`. A world on which the analysis failed has
    a single row without a number."""
    lengths = [max(len(one["rows"]["outcome"]), 1) for one in records]
    rows = {name: [v for one in records for v in _column(one, name)] for name in records[0]["rows"]}
    texts = {name: pd.array(rows.pop(name), dtype="str") for name in TEXTS}
    numbers = {name: np.array(values, dtype=float) for name, values in rows.items()}
    worlds = pd.DataFrame([_facts(one) for one in records])
    facts = worlds.loc[np.repeat(np.arange(len(worlds)), lengths)].reset_index(drop=True)
    return pd.concat([pd.DataFrame({**texts, **numbers}), facts], axis=1)


def _column(one: Record, name: str) -> list[Any]:
    return one["rows"][name] or ["" if name in TEXTS else None]


def _facts(one: Record) -> dict[str, Any]:
    facts = {name: one[name] for name in ("kind", "seed", "number", "failure", "seconds")}
    return facts | {f"w_{name}": value for name, value in one["parameters"].items()}


if __name__ == "__main__":
    main()
