"""The team's claims against the fits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.models.effects import numbers
from pipeline.models.lookup import Found, Lookup
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


def claims_table(claims: Sequence[Claim], lookup: Lookup, margins: Margins) -> pd.DataFrame:
    """One row a claim; open where the data cannot tell."""
    import pandas as pd

    rows = []
    for claim in claims:
        name = claim.factor or claim.property
        ask = lookup.of_property if claim.property else lookup.of_factor
        found = ask(claim.outcome, name, claim.from_, claim.to, claim.condition)
        row: dict[str, object] = {
            "text": claim.text,
            "factor": name,
            "from": claim.from_,
            "to": claim.to,
            "outcome": claim.outcome,
            "expect": claim.expect,
            "condition": claim.condition,
            "verdict": "open",
        }
        rows.append(row | ({} if found is None else _tested(claim, found, margins)))
    frame = pd.DataFrame(rows, columns=COLUMNS)
    return frame.astype({"more_switches": "Int64"})


def _tested(claim: Claim, found: Found, margins: Margins) -> dict[str, object]:
    margin, estimate = margins[found.of], found.estimate
    verdict = claim_verdict(estimate, found.q_value, claim.expect, margin, found.p_shuffled)
    more = more_switches(estimate, margin, found.switches) if verdict == "open" else None
    shown = numbers(found.of, estimate)
    return {
        "verdict": verdict,
        "estimate": shown["estimate"],
        "ci_low": shown["ci_low"],
        "ci_high": shown["ci_high"],
        "more_switches": more,
    }
