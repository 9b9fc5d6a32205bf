"""Do the season's intervals hold the truth of the worlds that the season came from?

The truth is counterfactual: the same meetings run with and without an option. The season's
interval promises more, the next meeting, and is wider for it. So two rates are given: that of the
season's interval, and that of the same fit asked about these meetings and drivers alone.

`python -m tests.simulate.coverage --worlds 200 --seed 1 --out FILE.jsonl` makes worlds, analyses
each as a season and runs it again with and without each option; FILE keeps one line a contrast,
so that a stopped study goes on where it was. The table is printed as markdown.
"""

import argparse
import json
import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pipeline.models.design import build_design
from pipeline.models.effects import scaled, unit_weight
from pipeline.models.fitting import fit_outcome
from pipeline.models.identify import standings, usable_runs
from pipeline.models.responses import lap_tables, race_laps
from pipeline.models.season import RESPONSES, effects_alone
from pipeline.models.tables import SeasonData
from pipeline.simulate.season import TeamSpec, make_season
from pipeline.simulate.truth import both_worlds, compare
from tests.simulate.frames import season_data

OUTCOMES = ("pace", "spread", "mistakes", "race")
NOWHERE = (math.nan, math.nan)
SPEC = TeamSpec(
    meetings=5,
    drivers=20,
    team_drivers=4,
    factors=("centre_brace", "rear_toe", "body", "screws"),
    together=(),
)
DRAWS = 4
NOTHING = {"pace": 0.0, "spread": 1.0, "mistakes": 1.0, "race": 0.0}


def study_world(seed: int, spec: TeamSpec = SPEC, draws: int = DRAWS) -> Iterator[dict]:
    """A line for each contrast and outcome: what the season says and what is true."""
    season = make_season(spec, seed)
    data = season_data(season.world, season.settings)
    effects = effects_alone(data, outcomes=OUTCOMES, conditions=False)
    here = of_these_meetings(data)
    groups = list(effects.groupby(["factor", "level", "reference"]))
    pairs = both_worlds(season.world, season.settings, [contrast for contrast, _ in groups], draws)
    for ((factor, level, _), rows), pair in zip(groups, pairs, strict=True):
        true = compare(season.world, pair)
        for row in rows.itertuples():
            effect = true[row.outcome]
            yield {
                "seed": seed,
                "outcome": row.outcome,
                "factor": factor,
                "level": level,
                "told": not math.isnan(row.estimate),
                "estimate": row.estimate,
                "ci_low": row.ci_low,
                "ci_high": row.ci_high,
                "p_value": row.p_value,
                "verdict": row.verdict,
                "here_low": here.get((row.outcome, factor, level), NOWHERE)[0],
                "here_high": here.get((row.outcome, factor, level), NOWHERE)[1],
                "truth": effect.estimate,
                "truth_error": effect.std_error,
            }


def of_these_meetings(data: SeasonData) -> dict[tuple[str, str, str], tuple[float, float]]:
    """95 % intervals of pace, spread and race, with the slopes of these meetings and drivers.

    The mean over the season's meetings and team drivers of b_k + s_km + s_ki (see METHOD.md).
    """
    design = build_design(data, usable_runs(data))
    laps = lap_tables(data, design)
    everyone = np.ones(len(design.hour), bool)
    told = [s.contrast for s in standings(design, data.factors, "all", everyone) if s.tellable]
    team = [design.driver_names[code] for code in np.unique(design.driver[design.team])]
    out = {}
    for outcome in ("pace", "spread", "race"):
        fitted = fit_outcome(design, RESPONSES[outcome](laps))
        unit = race_laps(laps, data.race_seconds) if outcome == "race" else 1.0
        for contrast in told:
            groups = [("setup by driver", name, 1 / len(team)) for name in team]
            for block in (f"{contrast.factor} by meeting", "other setup by meeting"):
                groups += [(block, m, 1 / len(design.meeting_names)) for m in design.meeting_names]
            combination = fitted.combination(unit_weight(contrast), groups)
            if combination is None:
                continue
            low, high = scaled(fitted.estimates([combination])[0], unit).interval()
            ends = (math.exp(low), math.exp(high)) if outcome == "spread" else (low, high)
            out[outcome, contrast.factor, contrast.level] = ends
    return out


def covers(line: dict) -> bool:
    return line["ci_low"] <= line["truth"] <= line["ci_high"]


def covers_here(lines: list[dict]) -> str:
    """Rate of the intervals of these meetings alone, where the outcome has them."""
    known = [line for line in lines if not math.isnan(line["here_low"])]
    if not known:
        return "–"
    held = sum(line["here_low"] <= line["truth"] <= line["here_high"] for line in known)
    return f"{held / len(known):.1%}"


def wrong_way(line: dict) -> bool:
    """A difference is claimed (p below 0.05) and the truth lies on the other side of nothing."""
    nothing = NOTHING[line["outcome"]]
    return line["p_value"] < 0.05 and (line["estimate"] - nothing) * (line["truth"] - nothing) < 0


def table(lines: list[dict]) -> str:
    """Coverage by outcome and factor, in markdown; with its Monte-Carlo error."""
    out = [
        "| outcome | factor | intervals | cover | ± | cover, these meetings | wrong way "
        "| mean error | no number |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for outcome in OUTCOMES:
        for factor in ("all", *SPEC.factors):
            mine = [
                line
                for line in lines
                if line["outcome"] == outcome and factor in ("all", line["factor"])
            ]
            told = [line for line in mine if line["told"]]
            if told:
                out.append(_row(outcome, factor, mine, told))
    return "\n".join(out)


def _row(outcome: str, factor: str, mine: list[dict], told: list[dict]) -> str:
    count = len(told)
    cover = sum(covers(line) for line in told) / count
    error = math.sqrt(cover * (1.0 - cover) / count)
    wrong = sum(wrong_way(line) for line in told) / count
    bias = sum(_error(line) for line in told) / count
    return (
        f"| {outcome} | {factor} | {count} | {cover:.1%} | {error:.1%} | "
        f"{covers_here(told)} | {wrong:.1%} | "
        f"{bias:+.4f} | {len(mine) - count} |"
    )


def _error(line: dict) -> float:
    """Estimate less truth; ratios by their logarithms."""
    if NOTHING[line["outcome"]] == 1.0:
        return math.log(line["estimate"] / line["truth"])
    return line["estimate"] - line["truth"]


def read_lines(path: Path) -> list[dict]:
    return [json.loads(text) for text in path.read_text().splitlines()] if path.exists() else []


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    done = {line["seed"] for line in read_lines(arguments.out)}
    for seed in range(arguments.seed, arguments.seed + arguments.worlds):
        if seed not in done:
            lines = [json.dumps(line) for line in study_world(seed)]
            with arguments.out.open("a") as file:
                file.write("\n".join([*lines, ""]))
    print(table(read_lines(arguments.out)))


if __name__ == "__main__":
    main()
