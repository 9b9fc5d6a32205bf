"""Real laps, with labels by lot: how often is something found where nothing can be?

    python -m tests.real.study laps.parquet --draws 300 --seed 1 --workers 2 --out real.parquet

takes any table with the columns of `races.NEEDED` and prints the page that METHOD.md quotes: labels
by lot with nothing added and with known effects, tyres as a real change, the laps that the whole
field drove slowly, the same meetings as files in all layouts, what stints of real laps are like,
and whether the random worlds reach that. --out keeps a row a draw, effect and outcome.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
from tqdm import tqdm

from tests.calibration.study import THREADS
from tests.real import beside, files, page, tyres
from tests.real.draws import ROWS, Draw, Record, Row, draw, records
from tests.real.races import Races, read_races
from tests.real.shapes import shapes

PARTS = ("labels", "tyres", "files", "shapes", "worlds")
WORLDS = 120
WAYS = [*(("laps", order) for order in files.ORDERS), ("passings", "end"), ("grid", "end")]


def main(arguments: Sequence[str] | None = None) -> None:
    options = _options(arguments)
    races = read_races(options.path)
    print(page.opening(races))
    if "labels" in options.parts:
        table = run(options.path, options.draws, options.seed, options.workers, options.out)
        print(page.nothing_added(table), page.something_added(table), page.held(table), sep="\n\n")
    if "tyres" in options.parts and set(tyres.COMPOUNDS) <= set(races.runs["tyre"]):
        print(page.tyres(tyres.study(races, options.seed)))
    if "files" in options.parts:
        print(page.files(*compared(races, options.seed)))
    if "shapes" in options.parts:
        print(page.shapes(shapes(races)))
    if "worlds" in options.parts:
        print(page.beside(beside.compared(races, WORLDS, options.seed)))


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.real.study", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("path", type=Path, help="table of real laps, parquet or CSV")
    parser.add_argument("--draws", type=int, default=300, help="of each row")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1, help="processes, one thread each")
    parser.add_argument(
        "--out",
        type=Path,
        help="where draws are kept, as parquet; one that is there is gone on with",
    )
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=PARTS, help="default: all")
    return parser.parse_args(arguments)


def run(path: Path, draws: int, seed: int, workers: int, out: Path | None = None) -> pd.DataFrame:
    """The records of all draws, one a row. Rows of more meetings than there are fall away.

    out: a file that is written after every draw of all rows, so that a study that was stopped goes
    on where it was; it holds for one table, one seed and one state of the code.
    """
    most = len(read_races(path).meetings)
    rows = [row for row in ROWS if row.meetings <= most]
    table = pd.read_parquet(out) if out and out.exists() else pd.DataFrame()
    known = set(zip(table["row"], table["number"], strict=True)) if len(table) else set()
    wanted = [(row, number) for number in range(draws) for row in rows]
    tasks = [(row, number) for row, number in wanted if (row.name, number) not in known]
    for done in _batches(path, seed, workers, tasks, len(rows)):
        table = pd.concat([table, pd.DataFrame(done)], ignore_index=True)
        if out:
            table.to_parquet(out)
    return table


def _batches(
    path: Path, seed: int, workers: int, tasks: list[tuple[Row, int]], size: int
) -> Iterator[list[Record]]:
    """The records of `size` tasks at a time."""
    os.environ.update(dict.fromkeys(THREADS, "1"))  # read by a new process as numpy loads
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        done = pool.map(partial(_records, path, seed), *zip(*tasks, strict=True)) if tasks else []
        batch: list[Record] = []
        for count, each in enumerate(tqdm(done, total=len(tasks), desc="draws", unit=""), start=1):
            batch += each
            if count % size == 0 or count == len(tasks):
                yield batch
                batch = []


def _records(path: Path, seed: int, row: Row, number: int) -> list[Record]:
    return records(_races(path), row, seed, number)


@cache
def _races(path: Path) -> Races:
    return read_races(path)


def compared(races: Races, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """All meetings by the commands, in all layouts and orders.

    Returns a row a way of writing (laps kept; laps of another run or time, and of another status,
    than when written by their end; largest difference of effects to those in memory, in standard
    errors) and the stored laps with the flag of each.
    """
    row = Row(len(races.meetings), 4)
    world = draw(races, row, np.random.default_rng([seed, 6]))
    rows, stored = [], pd.DataFrame()
    with tempfile.TemporaryDirectory() as folder:
        for layout, order in tqdm(WAYS, desc="files", unit=""):
            written = files.write(world, Path(folder) / f"{layout}-{order}", layout, order)
            laps = written.laps()
            stored = laps if stored.empty else stored
            difference = _largest(world, written, layout != "grid") if order == "end" else np.nan
            other, status = (_other(laps, stored, more) for more in ([], ["status"]))
            rows.append((layout, order, len(laps), other, status - other, difference))
    names = ["layout", "order", "laps", "other", "status", "difference"]
    flags = files.lap_rows(world).assign(flag=world.laps["flag"].to_numpy())
    flags = flags.sort_values(files.KEYS, ignore_index=True)["flag"]
    return pd.DataFrame(rows, columns=names), stored.assign(flag=flags)


def _other(laps: pd.DataFrame, stored: pd.DataFrame, more: list[str]) -> int:
    """Laps that differ from the first way's in run, number or time, or are not there."""
    columns = [*files.KEYS, "heat", "lap_s", *more]
    one, two = (table[columns].round({"lap_s": 3}) for table in (laps, stored))
    same = pd.merge(one, two, how="inner", on=columns)
    return max(len(one), len(two)) - len(same)


def _largest(world: Draw, written: files.Written, clock: bool) -> float:
    return files.largest_difference(files.in_memory(world, clock), files.from_commands(written))


if __name__ == "__main__":
    main()
