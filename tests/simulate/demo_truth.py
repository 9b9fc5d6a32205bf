"""The true effects of the demo team's options: `python -m tests.simulate.demo_truth` writes them.

demo_truth.json holds, for each condition, outcome and contrast, the effect and its own error
from DRAWS runs of the world with and without the option.
"""

import json
from pathlib import Path

from pipeline.simulate.demo import demo_season
from pipeline.simulate.folder import Season
from pipeline.simulate.truth import Contrast, both_worlds, compare, in_condition

FILE = Path(__file__).with_name("demo_truth.json")
DRAWS = 8
STEPS = {"ride_height": "+0.2", "tyre_runs": "+1"}  # as the season ran them
CONDITIONS = ("all", "grip=low", "grip=medium", "grip=high")


def contrasts(season: Season) -> list[Contrast]:
    """(factor, level, reference) of every contrast of the season."""
    return [
        (factor.name, level, factor.reference)
        for factor in season.world.factors.values()
        for level in ((STEPS[factor.name],) if factor.kind == "number" else factor.levels)
        if level != factor.reference
    ]


def truths(season: Season, several: list[Contrast], draws: int = DRAWS) -> list[dict]:
    """One record a contrast, condition and outcome."""
    pairs = both_worlds(season.world, season.settings, several, draws)
    return [
        {
            "condition": condition,
            "factor": factor,
            "level": level,
            "outcome": outcome,
            "truth": round(effect.estimate, 6),
            "error": round(effect.std_error, 6),
        }
        for (factor, level, _), pair in zip(several, pairs, strict=True)
        for condition in CONDITIONS
        for outcome, effect in compare(season.world, pair, in_condition(condition)).items()
    ]


def main() -> None:
    season = demo_season()
    records = truths(season, contrasts(season))
    FILE.write_text("\n".join(["[", ",\n".join(json.dumps(r) for r in records), "]", ""]))
    print(f"{len(records)} effects in {FILE.name}")


if __name__ == "__main__":
    main()
