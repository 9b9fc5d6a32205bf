"""What the data cannot tell, what would settle it, and what the data are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from pipeline.report.contrasts import records
from pipeline.report.effect_views import mixed_words
from pipeline.report.views import Heading, Section, TableView, table
from pipeline.report.words import missing, number, sentence, whole
from pipeline.tables.conditions import condition_words

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.tables.records import SeasonResult


# column -> (digits, heading)
COUNTS = {
    "information_left": (
        2,
        Heading("Information left", True, "1: nothing lost to what it is mixed with; 0: all lost"),
    ),
    "n_switches": (0, Heading("Switches", True, "runs before which the driver changed it")),
}


def cannot_section(cannot: pd.DataFrame, context: ReportContext) -> Section | None:
    """All conditions together in sight; single conditions behind a fold."""
    if not len(cannot):
        return None
    overall = cannot["condition"] == "all"
    lead = "For these no number is given: it would be a number for something else."
    title = "What cannot be told"
    return Section(
        "cannot",
        "What these data cannot tell",
        lead=(lead,),
        tables=_some(_cannot_table("cannot", title, cannot[overall], context)),
        folded=_some(
            _cannot_table("cannot-in", f"{title} in one condition", cannot[~overall], context)
        ),
    )


def _some(view: TableView) -> tuple[TableView, ...]:
    return (view,) if view.rows else ()


def _cannot_table(
    key: str, caption: str, cannot: pd.DataFrame, context: ReportContext
) -> TableView:
    """With the counts that the table has: a driver's file has none (`privacy`)."""
    counts = [name for name in COUNTS if name in cannot]
    rows = [
        (
            context.contrast_label(r.factor, r.level, r.reference),
            condition_words(r.condition),
            sentence(r.sentence),
            "" if missing(r.mixed_with) else mixed_words(r.mixed_with, context),
            *(number(getattr(r, name), COUNTS[name][0]) for name in counts),
        )
        for r in records(cannot)
    ]
    heads = ["Change", "Condition", "Why", "Mixed with", *(COUNTS[name][1] for name in counts)]
    return table(key, caption, heads, rows, cards=True)


def quality_section(result: SeasonResult, context: ReportContext) -> Section:
    """Laps by status, rows set aside, sessions left out; notes about this data set."""
    views = (
        _laps_table(result.lap_counts),
        _set_aside(context.set_aside),
        _excluded(result.runs),
    )
    return Section(
        "quality",
        "What the data are",
        lead=tuple(sentence(note) for note in result.notes),
        tables=tuple(view for view in views if view),
    )


def _laps_table(counts: pd.DataFrame) -> TableView | None:
    """A row a meeting, a column a status."""
    if not len(counts):
        return None
    wide = counts.pivot_table(index="meeting", columns="status", values="laps", aggfunc="sum")
    meetings = list(dict.fromkeys(counts["meeting"]))
    statuses = list(dict.fromkeys(counts["status"]))
    rows = [(m, *(whole(wide.loc[m, s]) for s in statuses)) for m in meetings]
    heads = [
        "Meeting",
        *(Heading(s.capitalize(), True, STATUSES.get(s, "")) for s in statuses),
    ]
    return table("laps", "Laps by status", heads, rows, cards=False)


STATUSES = {
    "clean": "used for pace and spread",
    "first": "from the start; not comparable",
    "incident": "lost to a crash or a stop; counted as mistakes and in the race",
    "traffic": "held up by another car",
    "missed": "the loop missed a passing: two laps in one",
    "double": "the loop counted twice",
    "neutralised": "the whole field was slow at the same time; left out everywhere",
    "other": "out of the comparison for another reason",
}


def _set_aside(reasons: tuple[tuple[str, int], ...]) -> TableView | None:
    """Rows of the exports that could not be used, by reason; the command check lists them."""
    if not reasons:
        return None
    rows = [(reason, whole(count)) for reason, count in reasons]
    heads = ["Reason", Heading("Rows", True)]
    return table("set-aside", "Rows of the exports set aside on import", heads, rows)


def _excluded(runs: pd.DataFrame) -> TableView | None:
    """Sessions left out of the models, with the reason given in sessions.csv."""
    out = runs[runs["excluded"].notna()]
    if not len(out):
        return None
    groups = out.groupby(["meeting", "session", "excluded"], sort=False).size()
    rows = [
        (meeting, session, reason, whole(count))
        for (meeting, session, reason), count in cast(Any, groups.to_dict()).items()
    ]
    heads = ["Meeting", "Session", "Reason", Heading("Runs", True)]
    return table("excluded", "Sessions left out of the comparison", heads, rows)
