"""Coverage of what feels are said to do, and of how far they go with the clock, in drawn worlds.

    python -m tests.feel.study --worlds 1500 --seed 1 --out felt.csv --write

Records are appended a world at a time, so that a study that was stopped goes on where it was. The
table goes to RESULTS.md with --write.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipeline.models.season import estimate
from pipeline.tables.outcomes import is_definite
from tests.feel.season import season
from tests.feel.world import FEEL, LEVELS, World, draw, true_effect, true_share

RESULTS = Path(__file__).with_name("RESULTS.md")
FIELDS = [
    "world",
    "what",
    "drivers",
    "meetings",
    "runs",
    "truth",
    "estimate",
    "low",
    "high",
    "called",
]
LEAST = 30  # intervals, for a line of the table


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.feel.study", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--worlds", type=int, default=1500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True, help="file of records, to go on later")
    parser.add_argument("--write", action="store_true", help="write the table to RESULTS.md")
    options = parser.parse_args(arguments)
    run(options.worlds, options.seed, options.out)
    text = page(pd.read_csv(options.out), options.seed)
    print(text)
    if options.write:
        RESULTS.write_text(text, encoding="utf-8")


def run(worlds: int, seed: int, out: Path) -> None:
    """Append the worlds that `out` does not have yet."""
    done = -1
    if out.exists():
        done = int(pd.read_csv(out)["world"].max())
    for number in range(done + 1, worlds):
        rows = pd.DataFrame(record(number, seed), columns=FIELDS)
        rows.to_csv(out, mode="a", header=not out.exists(), index=False)


def record(number: int, seed: int) -> list[tuple[Any, ...]]:
    """Of one world: a row an effect, and a row a driver; without numbers where none were given."""
    world = draw(number, seed)
    found = estimate(season(world), outcomes=["pace", FEEL], conditions=[])
    shape = len(world.people.middle), world.runs["meeting"].nunique()
    rows = [*_effects(found, world, shape), *_shares(found, world, shape)]
    return [(number, *row) for row in rows] or [(number, "nothing", *shape, *[None] * 6)]


def _effects(found: Any, world: World, shape: tuple[int, int]) -> Iterator[tuple[Any, ...]]:
    standings = {e.standing.contrast.level: e.standing for e in found.felt[FEEL].effects
                 if e.standing.contrast.factor == "part"}  # fmt: skip
    table = found.effects_table()
    for row in table[table["outcome"].eq(FEEL) & table["factor"].eq("part")].itertuples():
        standing = standings[row.level]
        known, is_next = pd.notna(row.estimate), row.scope == "the next meeting"
        truth = None
        if known:
            drivers, meetings = (
                [int(name.split()[1]) for name in names]
                for names in (standing.drivers, standing.meetings)
            )
            level, reference = (LEVELS.index(name) for name in (row.level, row.reference))
            truth = true_effect(world, level, reference, drivers, None if is_next else meetings)
        yield ("next" if is_next else "these", *shape, row.n_runs, truth, row.estimate,
               row.ci_low, row.ci_high, is_definite(row.verdict))  # fmt: skip


def _shares(found: Any, world: World, shape: tuple[int, int]) -> Iterator[tuple[Any, ...]]:
    for row in found.agreement_table().itertuples():
        truth = true_share(world, int(row.driver.split()[1])) if pd.notna(row.share) else None
        yield "share", *shape, row.n_runs, truth, row.share, row.ci_low, row.ci_high, False


def coverage(rows: pd.DataFrame) -> tuple[int, float, float, float]:
    """How many intervals there are, the share that holds the truth, its error by worlds (several
    intervals of one world are one drawing), and the median half-width."""
    told = rows[rows["estimate"].notna()]
    held = (told["low"] <= told["truth"]) & (told["truth"] <= told["high"])
    by_world = held.groupby(told["world"]).agg(["sum", "size"])
    share = float(held.mean())
    off = by_world["sum"] - share * by_world["size"]
    error = float(np.sqrt((off**2).sum()) / max(len(told), 1))
    return len(told), share, error, float((told["high"] - told["low"]).median() / 2)


def page(rows: pd.DataFrame, seed: int) -> str:
    """RESULTS.md."""
    effects = rows[rows["what"].isin(["next", "these"])]
    told = effects[effects["estimate"].notna()]
    zero = told[told["truth"].abs() < 1e-9]
    wrong = told["called"].astype(bool) & (told["estimate"] * told["truth"] < 0)
    lines = [
        "# What feels are said to do: coverage in drawn worlds",
        "",
        f"{rows['world'].nunique()} worlds, seed {seed}: 1 to 6 drivers with their own middle, "
        "scale and noise, one in ten of whom always answers the same; 1 to 6 meetings; answers",
        "rounded to whole numbers and cut at -2 and 2, up to three in ten missing; what a part "
        "does differs between drivers and meetings. Truth is counted from the",
        "chances of the answers. The error is that of the study, worlds being the units. Made by "
        "`python -m tests.feel.study`.",
        "",
        "| 95 % intervals | number | hold the truth, % | error | median half-width |",
        "|---|---:|---:|---:|---:|",
    ]
    for title, part in _parts(rows):
        count, share, error, half = coverage(part)
        if count >= LEAST:
            lines.append(
                f"| {title} | {count} | {100 * share:.1f} | {100 * error:.1f} | {half:.2f} |"
            )
    lines += [
        "",
        f"Rows of effects without a number: {effects['estimate'].isna().sum()} of {len(effects)}. "
        f"Parts that did nothing to anybody: {len(zero)}, of which called better or worse: "
        f"{int(zero['called'].astype(bool).sum())}. Called the wrong way round: {int(wrong.sum())} "
        f"of {int(told['called'].astype(bool).sum())} calls.",
        "",
    ]
    return "\n".join(lines)


def _parts(rows: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    effects = rows[rows["what"].isin(["next", "these"])]
    shares = rows[rows["what"] == "share"]
    yield "effects, points", effects
    yield "… at these meetings", effects[effects["what"] == "these"]
    yield "… at the next meeting", effects[effects["what"] == "next"]
    yield "… of one driver", effects[effects["drivers"] == 1]
    yield "… of two or three drivers", effects[effects["drivers"].isin([2, 3])]
    yield "… of four to six drivers", effects[effects["drivers"] > 3]
    yield "… of one meeting", effects[effects["meetings"] == 1]
    yield "… of two or three meetings", effects[effects["meetings"].isin([2, 3])]
    yield "agreement with the clock, share of pairs", shares
    yield "… of up to 12 runs", shares[shares["runs"] <= 12]
    yield "… of more", shares[shares["runs"] > 12]


if __name__ == "__main__":
    main()
