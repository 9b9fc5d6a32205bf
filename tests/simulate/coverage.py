"""Do the season's intervals hold the truth of the worlds that the season came from?

The truth is counterfactual: the same meetings run with and without an option. A season's interval
promises what holds beyond its own meetings, so it is asked for the mean of that truth over all
worlds, whose venues are drawn at random. The same fit asked about the season's own meetings and
drivers alone is asked for the truth of these.

`python -m tests.simulate.coverage --worlds 200 --seed 1 --out FILE.jsonl` makes worlds, analyses
each as a season and runs it again with and without each option; FILE keeps one line a contrast,
so that a stopped study goes on where it was. The table is printed as markdown.
"""

import argparse
import json
import math
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np

from pipeline.models.design import build_design
from pipeline.models.effects import scaled, unit_weight
from pipeline.models.fitting import fit_outcome
from pipeline.models.identify import standings, usable_runs
from pipeline.models.responses import lap_tables, race_laps, response_of
from pipeline.models.season import effects_alone
from pipeline.simulate.season import TeamSpec, make_season
from pipeline.simulate.truth import both_worlds, compare, in_condition
from pipeline.tables.conditions import CONDITIONS
from pipeline.tables.outcomes import OUTCOMES, is_definite
from pipeline.tables.records import SeasonData
from tests.simulate.frames import season_data

JUDGED = ("pace", "spread", "mistakes", "race")
NOWHERE = (math.nan, math.nan)
SPEC = TeamSpec(
    meetings=5,
    drivers=20,
    team_drivers=4,
    factors=("centre_brace", "rear_toe", "body", "screws"),
    together=(),
    drawn_venues=True,
)
DRAWS = 4
NOTHING = {"pace": 0.0, "spread": 1.0, "mistakes": 1.0, "race": 0.0}


def study_world(
    seed: int, spec: TeamSpec = SPEC, draws: int = DRAWS, conditions: Sequence[str] = ()
) -> Iterator[dict]:
    """A line for each contrast, outcome and condition: what the season says and what is true."""
    season = make_season(spec, seed)
    data = season_data(season.world, season.settings)
    effects = effects_alone(data, outcomes=JUDGED, conditions=conditions)
    here = of_these_meetings(data)
    groups = list(effects.groupby(["factor", "level", "reference"]))
    pairs = both_worlds(season.world, season.settings, [contrast for contrast, _ in groups], draws)
    for ((factor, level, _), rows), pair in zip(groups, pairs, strict=True):
        true = {
            name: compare(season.world, pair, in_condition(name))
            for name in rows["condition"].unique()
        }
        for row in rows.itertuples():
            effect = true[row.condition][row.outcome]
            key = row.outcome, factor, level
            here_low, here_high = here.get(key, NOWHERE) if row.condition == "all" else NOWHERE
            yield {
                "seed": seed,
                "outcome": row.outcome,
                "condition": row.condition,
                "factor": factor,
                "level": level,
                "told": not math.isnan(row.estimate),
                "estimate": row.estimate,
                "ci_low": row.ci_low,
                "ci_high": row.ci_high,
                "p_value": row.p_value,
                "verdict": row.verdict,
                "here_low": here_low,
                "here_high": here_high,
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
        fitted = fit_outcome(design, response_of(OUTCOMES[outcome], laps))
        unit = race_laps(laps, data.race_seconds) if outcome == "race" else 1.0
        for contrast in told:
            groups = [("setup by driver", name, 1 / len(team)) for name in team]
            share = 1 / len(design.meeting_names)
            groups += [("setup by meeting", m, share) for m in design.meeting_names]
            combination = fitted.combination(unit_weight(contrast), groups)
            if combination is None:
                continue
            low, high = scaled(fitted.estimates([combination])[0], unit).interval()
            ends = (math.exp(low), math.exp(high)) if outcome == "spread" else (low, high)
            out[outcome, contrast.factor, contrast.level] = ends
    return out


def covers(line: dict, truth: float) -> bool:
    """The season's interval holds `truth`."""
    return line["ci_low"] <= truth <= line["ci_high"]


def covers_here(line: dict) -> bool:
    """The interval for these meetings holds their truth; mistakes have but one interval."""
    if math.isnan(line["here_low"]):
        return covers(line, line["truth"])
    return line["here_low"] <= line["truth"] <= line["here_high"]


def of_all_worlds(lines: list[dict]) -> dict[tuple[str, ...], float]:
    """The mean truth of each outcome, contrast and condition; of ratios, the geometric mean."""
    truths: dict[tuple[str, ...], list[float]] = {}
    for line in lines:
        truths.setdefault(_contrast(line), []).append(_on_its_scale(line, line["truth"]))
    means = {key: sum(values) / len(values) for key, values in truths.items()}
    return {key: math.exp(m) if NOTHING[key[0]] == 1.0 else m for key, m in means.items()}


def _contrast(line: dict) -> tuple[str, ...]:
    return line["outcome"], line["factor"], line["level"], line["condition"]


def _on_its_scale(line: dict, value: float) -> float:
    return math.log(value) if NOTHING[line["outcome"]] == 1.0 else value


def wrong_way(line: dict) -> bool:
    """The verdict claims a difference, and the truth lies on the other side of nothing."""
    nothing = NOTHING[line["outcome"]]
    claimed = is_definite(line["verdict"])
    return claimed and (line["estimate"] - nothing) * (line["truth"] - nothing) < 0


def table(lines: list[dict]) -> str:
    """Coverage by outcome and factor, in markdown; with its Monte-Carlo error."""
    everywhere = of_all_worlds(lines)
    lines = [line for line in lines if line["condition"] == "all"]
    out = [
        "| outcome | factor | intervals | season's, of all worlds | these meetings' own "
        "| wrong way | mean error | no number |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for outcome in JUDGED:
        for factor in ("all", *SPEC.factors):
            mine = [
                line
                for line in lines
                if line["outcome"] == outcome and factor in ("all", line["factor"])
            ]
            told = [line for line in mine if line["told"]]
            if told:
                out.append(_row(outcome, factor, mine, told, everywhere))
    return "\n".join(out)


def _row(
    outcome: str,
    factor: str,
    mine: list[dict],
    told: list[dict],
    everywhere: dict[tuple[str, ...], float],
) -> str:
    count = len(told)
    beyond = _rate(covers(line, everywhere[_contrast(line)]) for line in told)
    here = _rate(covers_here(line) for line in told)
    wrong = sum(wrong_way(line) for line in told) / count
    errors = [
        _on_its_scale(line, line["estimate"]) - _on_its_scale(line, line["truth"]) for line in told
    ]
    return (
        f"| {outcome} | {factor} | {count} | {beyond} | {here} | {wrong:.1%} | "
        f"{sum(errors) / count:+.4f} | {len(mine) - count} |"
    )


def table_by_condition(lines: list[dict]) -> str:
    """Coverage by outcome and condition, in markdown."""
    out = [
        "| outcome | condition | intervals | of all worlds | of these meetings | wrong way "
        "| no number |",
        "|---|---|---|---|---|---|---|",
    ]
    everywhere = of_all_worlds(lines)
    for outcome in JUDGED:
        for condition in sorted({line["condition"] for line in lines} - {"all"}):
            mine = [
                line
                for line in lines
                if line["outcome"] == outcome and line["condition"] == condition
            ]
            told = [line for line in mine if line["told"]]
            if told:
                beyond = _rate(covers(line, everywhere[_contrast(line)]) for line in told)
                own = _rate(covers(line, line["truth"]) for line in told)
                wrong = sum(wrong_way(line) for line in told) / len(told)
                out.append(
                    f"| {outcome} | {condition} | {len(told)} | {beyond} | {own} | {wrong:.1%} | "
                    f"{len(mine) - len(told)} |"
                )
    return "\n".join(out)


def _rate(held: Iterable[bool]) -> str:
    each = list(held)
    rate = sum(each) / len(each)
    return f"{rate:.1%} ± {math.sqrt(rate * (1.0 - rate) / len(each)):.1%}"


def read_lines(path: Path) -> list[dict]:
    return [json.loads(text) for text in path.read_text().splitlines()] if path.exists() else []


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--conditions", action="store_true", help="by grip and surface too")
    arguments = parser.parse_args()
    done = {line["seed"] for line in read_lines(arguments.out)}
    for seed in range(arguments.seed, arguments.seed + arguments.worlds):
        if seed not in done:
            found = study_world(seed, conditions=CONDITIONS if arguments.conditions else ())
            lines = [json.dumps(line) for line in found]
            with arguments.out.open("a") as file:
                file.write("\n".join([*lines, ""]))
    lines = read_lines(arguments.out)
    print(table(lines))
    if arguments.conditions:
        print(table_by_condition(lines))


if __name__ == "__main__":
    main()
