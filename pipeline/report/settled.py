"""What counts as settled on a page that is looked at again and again, and what that costs."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from pipeline.report.contrasts import Contrast, Row, has_number
from pipeline.report.words import missing
from pipeline.tables.outcomes import Outcome, is_definite, is_settled


def holds(outcome: Outcome | str, row: Row) -> bool:
    """A verdict that something differs, and that holds however often one looks; of a row that is
    looked at once, any such verdict."""
    if missing(getattr(row, "anytime_low", None)):
        return is_definite(row.verdict)
    return is_settled(outcome, row.verdict, row.anytime_low, row.anytime_high)


def looks_words(members: Sequence[Contrast]) -> str:
    """What it costs that everybody looks after every meeting; '' where no row says."""
    rows = [c.row("pace") for c in members if has_number(c.row("pace"))]
    wider = [
        (row.anytime_high - row.anytime_low) / (row.ci_high - row.ci_low)
        for row in rows
        if not missing(getattr(row, "anytime_low", None)) and row.ci_high > row.ci_low
    ]
    if not wider:
        return ""
    return (
        "Settled means settled however often you look: whoever looks after every meeting finds "
        "sooner or later what is not there. That costs: such intervals (anytime_low, anytime_high "
        f"in effects.csv) are {median(wider):.1f} times as wide as the plain ones drawn here."
    )


def verdict_words(outcome: Outcome, row: Row) -> str:
    """The verdict, and whether only this look says so."""
    words = str(row.verdict).replace("_", " ")
    early = is_definite(row.verdict) and not holds(outcome, row)
    return f"{words}, not settled" if early else words
