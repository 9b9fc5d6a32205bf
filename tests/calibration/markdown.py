"""The study's tables in markdown; shares outside their bounds stand out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from tests.calibration.kinds import BY_NAME, KINDS
from tests.calibration.replicate import Record
from tests.calibration.summary import MOST_FALSE, MOST_WAVED_OFF, MOST_WRONG_WAY, coverage_bounds


def effects_markdown(summary: pd.DataFrame) -> str:
    head = (
        "| kind | outcome | seasons | contrasts | no number | covers "
        "| null: p < 0.05 | null: q < 0.05 | null: claimed "
        "| wrong way | found | waved off | half-width | error / std. error |"
    )
    rule = "|---|---|" + "---:|" * 12
    return "\n".join([head, rule, *(_effect_row(row) for row in summary.to_dict("records"))])


def _effect_row(row: dict[Any, Any]) -> str:
    low, high = coverage_bounds(str(row["outcome"]))
    cells = [
        str(row["kind"]),
        str(row["outcome"]),
        f"{row['seasons']}",
        f"{row['contrasts']}",
        _percent(row["refused"]),
        _flagged(row["covered"], low, high, row["covered_error"]),
        _flagged(row["false_p"], 0, MOST_FALSE, row["false_p_error"]),
        _percent(row["false_q"]),
        _flagged(row["false_claim"], 0, MOST_FALSE, row["false_claim_error"]),
        _flagged(row["wrong_way"], 0, MOST_WRONG_WAY, row["wrong_way_error"]),
        _percent(row["found"]),
        _flagged(row["waved_off"], 0, MOST_WAVED_OFF, row["waved_off_error"]),
        _plain(row["half_width"], 4),
        _plain(row["z_sd"], 2),
    ]
    return "| " + " | ".join(cells) + " |"


def _flagged(share: float, low: float, high: float, error: float) -> str:
    """Bold where the share is outside by more than two of its errors, else italic if outside."""
    text = _percent(share) + (f" ± {100 * error:.1f}" if error > 0 else "")
    outside = max(low - share, share - high)
    if not outside > 0:
        return text
    return f"**{text}**" if outside > 2 * error else f"*{text}*"


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if np.isfinite(share) else "–"


def _plain(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if np.isfinite(value) else "–"


def naive_markdown(table: pd.DataFrame) -> str:
    says = [BY_NAME[name].says for name in table.columns]
    lines = ["| analysis | " + " | ".join(says) + " |", "|---|" + "---:|" * len(says)]
    for name, shares in table.iterrows():
        lines.append(f"| {name} | " + " | ".join(_percent(share) for share in shares) + " |")
    return "\n".join(lines)


def kinds_markdown() -> str:
    return "\n".join(f"- **{kind.name}**: {kind.says}" for kind in KINDS)


def failures_markdown(records: Sequence[Record]) -> str:
    """Seasons on which the analysis raised, by kind and message."""
    counts = Counter((r["kind"], r["failure"]) for r in records if r["failure"])
    return "\n".join(f"- {kind}: {n} × {message}" for (kind, message), n in counts.items())
