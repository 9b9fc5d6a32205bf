"""The true effects of the demo team's options: `python -m tests.simulate.demo_truth` writes them.

demo_truth.json holds, for each condition, outcome and contrast, the effect and its own error
from DRAWS runs of the world with and without the option.
"""

import json
from pathlib import Path

from pipeline.simulate.demo import demo_season
from pipeline.simulate.folder import Season
from pipeline.simulate.truth import both_worlds, compare, in_condition

FILE = Path(__file__).with_name("demo_truth.json")
DRAWS = 8
CONDITIONS = ("all", "grip=low", "grip=medium", "grip=high")


def contrasts(season: Season) -> list[tuple[str, str, str]]:
    """(factor, level, reference) of every contrast of the season."""
    return [
        (factor.name, level, factor.reference)
        for factor in season.world.factors.values()
        for level in (("+1",) if factor.kind == "number" else factor.levels)
        if level != factor.reference
    ]


def truths(season: Season, contrast: tuple[str, str, str], draws: int = DRAWS) -> list[dict]:
    """One record a condition and outcome."""
    factor, level, reference = contrast
    pair = both_worlds(season.world, season.settings, factor, level, reference, draws)
    return [
        {
            "condition": condition,
            "factor": factor,
            "level": level,
            "outcome": outcome,
            "truth": effect.estimate,
            "error": effect.std_error,
        }
        for condition in CONDITIONS
        for outcome, effect in compare(season.world, pair, in_condition(condition)).items()
    ]


def main() -> None:
    season = demo_season()
    records = [record for one in contrasts(season) for record in truths(season, one)]
    FILE.write_text("\n".join(["[", ",\n".join(json.dumps(r) for r in records), "]", ""]))
    print(f"{len(records)} effects in {FILE.name}")


if __name__ == "__main__":
    main()
