"""How often an effect is called to leave the line of low, medium and high, where it does and where
it does not.

    python -m tests.models.bows --seasons 100

draws so many seasons of five meetings (two of low grip, one of medium, two of high), four cars of
the team and eight rivals, in which every effect also differs between meetings by 0.02 s, and prints
a markdown table: the shares of seasons in which a bow is called at 1 %.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from pipeline.models.axis import along_grip
from pipeline.models.design import build_design
from pipeline.models.identify import standings, usable_runs
from pipeline.models.off_line import CALLED, bows
from pipeline.models.responses import lap_tables, response_of
from pipeline.tables.outcomes import PACE
from pipeline.tables.records import SeasonData
from tests.models import small_season

WORDS = np.array(["low", "low", "medium", "high", "high"])
AT = {"low": 0, "medium": 1, "high": 2}
BETWEEN_MEETINGS = 0.02
# What each level does at low, medium and high, s a lap.
KINDS = {
    "nothing at any grip": {"1.2": (0.0, 0.0, 0.0), "hard": (0.0, 0.0, 0.0)},
    "on a line": {"1.2": (-0.08, 0.03, 0.14), "hard": (0.1, 0.0, -0.1)},
    "0.05 s off it": {"1.2": (-0.05, 0.0, -0.05), "hard": (0.1, 0.05, 0.1)},
    "0.10 s off it": {"1.2": (-0.1, 0.0, -0.1), "hard": (0.1, 0.0, 0.1)},
    "0.20 s off it": {"1.2": (-0.2, 0.0, -0.2), "hard": (0.2, 0.0, 0.2)},
}


def season(effects: dict[str, tuple[float, ...]], seed: int) -> SeasonData:
    rng = np.random.default_rng(seed + 1000)
    data = small_season.season(seed, meetings=len(WORDS))
    runs = data.runs
    meeting = runs["meeting"].str[-1].to_numpy(int)
    at = np.array([AT[word] for word in WORDS])[meeting]
    cost = np.zeros(len(runs))
    # The small season has 0.05 s with the hard spring.
    for column, level, usual in (("bar", "1.2", 0.0), ("spring", "hard", 0.05)):
        apart = rng.normal(0, BETWEEN_MEETINGS, len(WORDS))[meeting]
        on = runs[column].to_numpy(object) == level
        cost += np.where(on, np.array(effects[level])[at] + apart - usual, 0.0)
    data = small_season.with_laps(data, data.laps["lap_s"] + cost[data.laps["run"]])
    return replace(data, runs=runs.assign(grip=WORDS[meeting]).astype({"grip": "str"}))


def p_values(data: SeasonData) -> Iterator[float]:
    """Of the bows of 1.2 against 1.3 and of hard against soft."""
    design = build_design(data, usable_runs(data))
    everything = standings(design, data.factors, "all", np.ones(len(design.hour), bool))
    for word in AT:
        here = (design.runs["grip"] == word).to_numpy()
        everything += standings(design, data.factors, f"grip={word}", here)
    pace = response_of(PACE, lap_tables(data, design))
    for bow, found in bows(design, pace, everything, along_grip(design, everything)):
        if bow.level != "1.4":
            yield found.p_value


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.models.bows", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--seasons", type=int, default=100)
    parser.add_argument("--kinds", nargs="+", choices=list(KINDS), default=list(KINDS))
    options = parser.parse_args(arguments)
    print("| effects | called | bows |\n|---|---|---|", flush=True)
    for kind in options.kinds:
        found = [p for n in range(options.seasons) for p in p_values(season(KINDS[kind], n))]
        share = float(np.mean(np.array(found) <= CALLED))
        print(f"| {kind} | {100 * share:.1f} % | {len(found)} |", flush=True)


if __name__ == "__main__":
    main()
