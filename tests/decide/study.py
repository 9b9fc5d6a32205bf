"""The study of choices: many teams' seasons, what was advised, and what would have been true.

    python -m tests.decide.study --worlds 200 --seed 1 --out records.jsonl

Each world is analysed with its effects at full, half and quarter size, and at one of these once
more after one of the test days that are proposed; one in ten also with its numbers in other units.
Records are appended to the file as they are done, so that a study that was stopped goes on where
it was; the tables go to RESULTS.md with --write.
"""

from __future__ import annotations

import argparse
import json
import os
import traceback
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

from tests.decide import tables
from tests.decide.record import Record, analysed, record
from tests.decide.season import season
from tests.decide.units import UNITS, differences
from tests.decide.world import SIZES, draw
from tests.decide.worth import brought

RESULTS = Path(__file__).with_name("RESULTS.md")
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
Task = tuple[int, int, str]  # number, seed, size


def main(arguments: Sequence[str] | None = None) -> None:
    options = _options(arguments)
    numbers = range(options.first, options.worlds)
    wanted = [(number, options.seed, size) for number in numbers for size in options.sizes]
    if not options.recorded:
        run(wanted, options.workers, options.out)
    known = recorded(options.out)
    text = tables.page([known[task] for task in wanted if task in known], options.seed)
    print(text)
    if options.write:
        RESULTS.write_text(text + "\n", encoding="utf-8")


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.decide.study", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--worlds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True, help="file of records, to go on later")
    parser.add_argument("--workers", type=int, default=1, help="processes, one thread each")
    parser.add_argument("--sizes", nargs="+", choices=list(SIZES), default=list(SIZES))
    parser.add_argument("--first", type=int, default=0, help="number of the first world")
    parser.add_argument("--recorded", action="store_true", help="run none, show what there is")
    parser.add_argument("--write", action="store_true", help="write the tables to RESULTS.md")
    return parser.parse_args(arguments)


def run(wanted: Sequence[Task], workers: int, out: Path) -> None:
    """Append to `out` the records that it does not hold."""
    known = recorded(out)
    missing = [task for task in wanted if task not in known]
    out.parent.mkdir(parents=True, exist_ok=True)
    with out.open("a", encoding="utf-8") as file:
        for one in _done(missing, workers):
            file.write(json.dumps(one) + "\n")
            file.flush()


def _done(tasks: Sequence[Task], workers: int) -> Iterator[Record]:
    os.environ.update(dict.fromkeys(THREADS, "1"))  # read by a new process as numpy loads
    if workers == 1:
        yield from (attempt(*task) for task in tasks)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for future in as_completed([pool.submit(attempt, *task) for task in tasks]):
            yield future.result()


def attempt(number: int, seed: int, size: str) -> Record:
    """The record of a world, or the failure of its analysis, which is a result too."""
    head = {"seed": seed, "number": number, "size": size}
    try:
        return head | _studied(number, seed, size)
    except Exception:
        return head | {"failure": traceback.format_exc(limit=-3)}


def _studied(number: int, seed: int, size: str) -> Record:
    world = draw(number, seed, size)
    data = season(world, seed)
    found = analysed(data)
    said = record(world, data, found)
    if size == list(SIZES)[number % len(SIZES)]:
        said["test_day"] = brought(world, data, found, seed)
    if size == "full" and number % 10 == 0:
        said["units"] = [differences(world, data, found, factor) for factor in UNITS]
    return said


def recorded(out: Path) -> dict[Task, Record]:
    """What the file holds; a line that a stop cut off is left out."""
    text = out.read_text(encoding="utf-8") if out.exists() else ""
    whole = text[: text.rfind("\n") + 1]
    if whole != text:
        out.write_text(whole, encoding="utf-8")
    records = [json.loads(line) for line in whole.splitlines()]
    return {(r["number"], r["seed"], r["size"]): r for r in records}


if __name__ == "__main__":
    main()
