"""One season of a kind, analysed, beside its truth: a record that JSON can hold."""

from __future__ import annotations

import math
import zlib
from typing import Any

import numpy as np

from tests.calibration.kinds import BY_NAME, PLAIN_DAYS
from tests.calibration.seasons import Season, make_season

Record = dict[str, Any]
NUMBERS = ("estimate", "std_error", "df", "ci_low", "ci_high", "p_value", "q_value")


def season_of(kind: str, seed: int, number: int) -> Season:
    """The season of that kind, seed and number; kinds and numbers do not depend on each other."""
    return make_season(
        BY_NAME[kind], np.random.default_rng([seed, zlib.crc32(kind.encode()), number])
    )


def replicate(kind: str, seed: int, number: int) -> Record:
    """Analyse one season.

    Returns kind, number, effects (a record a contrast and outcome, with its truth), naive
    (p-values, plain days only) and failure (what was raised, or '').
    """
    season = season_of(kind, seed, number)
    record: Record = {"kind": kind, "number": number, "effects": [], "failure": ""}
    if season.kind in PLAIN_DAYS:
        record["naive"] = _naive(season)
    try:
        record |= _analysed(season)
    except Exception as error:  # a failure is a result of the study: counted, and shown
        record["failure"] = f"{type(error).__name__}: {error}"
    return record


def _naive(season: Season) -> dict[str, float]:
    from tests.calibration.naive import ANALYSES

    return {name: analysis(season) for name, analysis in ANALYSES.items()}


def _analysed(season: Season) -> Record:
    from pipeline.models.season import effects_alone
    from tests.calibration.frames import season_data

    rows = effects_alone(season_data(season), conditions=()).to_dict("records")
    return {"effects": [_beside_truth(row, season) for row in rows if row["condition"] == "all"]}


def _beside_truth(row: dict[Any, Any], season: Season) -> Record:
    key = (row["outcome"], row["factor"], row["level"])
    numbers = {name: _number(row[name]) for name in NUMBERS}
    return (
        dict(zip(("outcome", "factor", "level"), key, strict=True))
        | numbers
        | {
            "truth": season.truth[key],
            "null": season.is_null(key),
            "verdict": row["verdict"],
            "mixed_with": str(row["mixed_with"]),
        }
    )


def _number(value: Any) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
