"""What was changed between two runs of a driver, and what difference it made."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from pipeline.report.contrasts import (
    Contrast,
    Row,
    counts_up,
    has_number,
    importance,
    records,
)
from pipeline.report.driver_views import interval_verdict
from pipeline.report.groups import Group, Item, pace_words
from pipeline.report.words import certainty, effect_words, missing, plural, sentence

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.tables.records import MeetingResult

SURE = 0.05  # q-value
# what the difference shows -> (group, heading, meaning)
GROUPS = {
    "faster": ("keep", "Gained", "faster than the run before, grip taken out"),
    "slower": ("drop", "Lost", "slower than the run before, grip taken out"),
    "not settled": ("open", "Too close to call", "one run each cannot settle it"),
}


def day_group(result: MeetingResult, context: ReportContext) -> Group | None:
    """Each option tried, all back-to-backs of the day together; None where none has a number."""
    if result.effects is None:
        return None
    rows: dict[tuple[str, str, str], dict[tuple[str, str], Row]] = {}
    for row in records(result.effects):
        key = (row.factor, row.level, row.reference)
        rows.setdefault(key, {})[row.outcome, row.condition] = row
    tried = [Contrast(*key, found) for key, found in rows.items()]
    items = tuple(
        _day_item(contrast, context)
        for contrast in sorted(tried, key=importance, reverse=True)
        if has_number(contrast.row("pace")) and not _is_counter(contrast, result.runs)
    )
    heading, meaning = "Over the day", "all back-to-backs of the team together, grip taken out"
    return Group("day", heading, meaning, items) if items else None


def _is_counter(contrast: Contrast, runs: pd.DataFrame) -> bool:
    return contrast.level.startswith("+") and counts_up(runs, contrast.factor)


def _day_item(contrast: Contrast, context: ReportContext) -> Item:
    pace = contrast.row("pace")
    return Item(
        key=f"{contrast.factor}:{contrast.level}:{contrast.reference}",
        name=context.contrast_label(contrast.factor, contrast.level, contrast.reference),
        text=sentence(pace_words(contrast)),
        sure=sentence(certainty("pace", pace.ci_low, pace.ci_high)),
    )


def change_groups(runs: pd.DataFrame, context: ReportContext) -> tuple[Group, ...]:
    """Each change with the difference to the run before, by what its interval shows."""
    found: dict[str, list[Item]] = {name: [] for name in GROUPS}
    for run in records(runs):
        if not missing(run.changed) and run.changed and not missing(run.difference_s):
            shown = difference_verdict(run)
            found[shown].append(_item(run, shown, context))
    return tuple(Group(*GROUPS[shown], tuple(items)) for shown, items in found.items() if items)


def difference_verdict(run: Row) -> str:
    """What a difference shows, allowing for how many of them the day has (its q-value)."""
    if missing(run.difference_q) or run.difference_q > SURE:
        return "not settled"
    return interval_verdict(run.difference_low, run.difference_high)


def _item(run: Row, shown: str, context: ReportContext) -> Item:
    return Item(
        key=f"{run.driver}:{run.run_no}",
        name=f"{run.driver}, run {run.run_no}: {changed_words(run.changed, context)}",
        text=sentence(effect_words("pace", run.difference_s)),
        sure=""
        if shown == "not settled"
        else sentence(certainty("pace", run.difference_low, run.difference_high)),
    )


def without_counters(runs: pd.DataFrame, context: ReportContext) -> pd.DataFrame:
    """The changes without what counts up by itself, as the runs on a set of tyres."""
    counters = [n for n in context.factors if context.is_number(n) and counts_up(runs, n)]
    if not counters:
        return runs
    names = "|".join(re.escape(name) for name in counters)
    pattern = re.compile(rf"^(?:{names}) ")
    kept = [
        "; ".join(part for part in str(text).split("; ") if not pattern.match(part))
        if isinstance(text, str)
        else ""
        for text in runs["changed"]
    ]
    return runs.assign(changed=kept)


def changed_words(changed: str, context: ReportContext) -> str:
    """'rear_bar 1.3 -> 1.4' in the team's words: 'Rear anti-roll bar 1.3 → 1.4'."""
    names = sorted(context.factors, key=len, reverse=True)
    text = str(changed).replace("->", "→")
    if not names:
        return text
    any_name = "|".join(re.escape(name) for name in names)
    pattern = re.compile(rf"(?<!\w)(?:{any_name})(?!\w)")
    return pattern.sub(lambda found: context.factor_label(found.group()), text)


def changes_summary(groups: Iterable[Group]) -> str:
    counts = {group.name: len(group.items) for group in groups}
    total = sum(counts.values())
    if not total:
        return "No setting was changed between two runs of this meeting."
    gained, lost = counts.get("keep", 0), counts.get("drop", 0)
    return (
        f"{plural(total, 'change')} between two runs, one by one: {gained or 'none'} shown faster, "
        f"{lost or 'none'} shown slower."
    )
