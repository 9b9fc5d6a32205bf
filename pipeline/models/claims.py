"""The team's claims against the fits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from pipeline.models.effects import numbers
from pipeline.models.engine.inference import Estimate
from pipeline.models.verdicts import Margins, claim_verdict, more_switches

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.team.factors import Claim

COLUMNS = [
    "text",
    "factor",
    "from",
    "to",
    "outcome",
    "expect",
    "condition",
    "verdict",
    "estimate",
    "ci_low",
    "ci_high",
    "more_switches",
]

# (outcome, factor, from, to, condition) -> estimate and the switches it rests on
Lookup = Callable[[str, str, str, str, str], tuple[Estimate | None, int]]


def condition_of(claim: Claim) -> str:
    """The condition a claim is about, as the effects table names it."""
    if claim.grip:
        return f"grip={claim.grip}"
    return f"surface={claim.surface}" if claim.surface else "all"


def claims_table(claims: Sequence[Claim], lookup: Lookup, margins: Margins) -> pd.DataFrame:
    """One row a claim; open where the data cannot tell."""
    import pandas as pd

    rows = []
    for claim in claims:
        condition = condition_of(claim)
        estimate, switches = lookup(claim.outcome, claim.factor, claim.from_, claim.to, condition)
        row: dict[str, object] = {
            "text": claim.text,
            "factor": claim.factor,
            "from": claim.from_,
            "to": claim.to,
            "outcome": claim.outcome,
            "expect": claim.expect,
            "condition": condition,
            "verdict": "open",
        }
        rows.append(row | _tested(claim, estimate, switches, margins))
    frame = pd.DataFrame(rows, columns=COLUMNS)
    return frame.astype({"more_switches": "Int64"})


def _tested(
    claim: Claim, estimate: Estimate | None, switches: int, margins: Margins
) -> dict[str, object]:
    if estimate is None:
        return {}
    margin = margins[claim.outcome]
    verdict = claim_verdict(estimate, claim.expect, margin)
    shown = numbers(claim.outcome, estimate)
    return {
        "verdict": verdict,
        "estimate": shown["estimate"],
        "ci_low": shown["ci_low"],
        "ci_high": shown["ci_high"],
        "more_switches": more_switches(estimate, margin, switches) if verdict == "open" else None,
    }
