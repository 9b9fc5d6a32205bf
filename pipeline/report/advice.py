"""What to run, in sentences: the first screen, the terminal, and the driver's page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.report.contrasts import (
    Contrast,
    Row,
    contrasts,
    group_of,
    has_number,
    importance,
    is_open,
)
from pipeline.report.words import (
    certainty,
    direction,
    effect_words,
    interval_words,
    is_good,
    missing,
    plural,
    race_length,
    sentence,
)
from pipeline.tables.conditions import condition_words
from pipeline.tables.outcomes import NOT_ENOUGH, SAME, is_definite, is_leaning

if TYPE_CHECKING:
    from pipeline.report.context import ReportContext
    from pipeline.tables.records import SeasonResult

# group -> (heading, what it means); in the order of the page
GROUPS = {
    "keep": ("Keep", "shown to be better than what it replaces"),
    "drop": ("Drop", "shown to be worse than what it replaces"),
    "depends": ("It depends", "better in one respect or condition, worse or level in another"),
    "open": ("Still open", "the data do not settle it yet"),
    "same": ("No difference", "shown to be too small to matter"),
    "wear": ("With every run", "counts up by itself: plan for it"),
    "cannot": ("Cannot be told", "the data cannot separate it from something else"),
}


MANY = 60  # back-to-backs: more than a team runs in a season


@dataclass(frozen=True)
class Item:
    """One change: its name, what it did, how sure that is."""

    key: str
    name: str
    text: str
    sure: str

    @property
    def line(self) -> str:
        return f"{self.name}: {self.text}"


@dataclass(frozen=True)
class Group:
    """The changes that come to the same advice."""

    name: str
    heading: str
    meaning: str
    items: tuple[Item, ...]

    @property
    def brief(self) -> bool:
        """Many short items: set smaller and closer."""
        return len(self.items) > 4 and not any(item.sure for item in self.items)


def advice(result: SeasonResult, context: ReportContext) -> tuple[Group, ...]:
    """All changes in groups, the largest first within each; empty groups are left out."""
    found: dict[str, list[Contrast]] = {name: [] for name in GROUPS}
    for contrast in contrasts(result):
        found[group_of(contrast)].append(contrast)
    return tuple(
        Group(name, *GROUPS[name], tuple(_item(c, context) for c in _by_size(members)))
        for name, members in found.items()
        if members
    )


def _by_size(members: list[Contrast]) -> list[Contrast]:
    return sorted(members, key=importance, reverse=True)


def _item(contrast: Contrast, context: ReportContext) -> Item:
    key = f"{contrast.factor}:{contrast.level}:{contrast.reference}"
    name = context.contrast_label(contrast.factor, contrast.level, contrast.reference)
    return Item(key, name, sentence("; ".join(_clauses(contrast, context))), _sure(contrast))


def _clauses(contrast: Contrast, context: ReportContext) -> Iterator[str]:
    if not any(has_number(row) for row in contrast.rows.values()):
        yield _no_number(contrast)
        return
    if contrast.verdict("pace") == contrast.verdict("race") == SAME:
        length = race_length(context.race_seconds)
        yield f"{SAME}, over a lap or over {length}" + _care(contrast, None)
    else:
        yield first_clause(contrast)
        yield from _race_clause(contrast, context)
    yield from _condition_clauses(contrast)
    yield from _needs_clause(contrast)


def _no_number(contrast: Contrast) -> str:
    if contrast.cannot:
        return contrast.cannot.get("all", next(iter(contrast.cannot.values()))).rstrip(".")
    runs = f" ({plural(contrast.runs, 'run')} with it)" if contrast.runs else ""
    return f"{NOT_ENOUGH} to say anything{runs}"


def first_clause(contrast: Contrast) -> str:
    """Pace, then spread and mistakes where they say something."""
    pace = contrast.row("pace")
    if pace is None or not has_number(pace):
        return f"pace: {NOT_ENOUGH if pace is None else pace.verdict}"
    return _one_outcome("pace", pace) + _care(contrast, is_good("pace", pace.estimate))


def _care(contrast: Contrast, good: bool | None) -> str:
    """Spread and mistakes where they are shown: 'but' where they go against the pace."""
    text = ""
    for outcome in ("spread", "mistakes"):
        if not contrast.sign(outcome):
            continue
        estimate = contrast.rows[outcome, "all"].estimate
        joined = "and" if is_good(outcome, estimate) == good else "but"
        text += f", {joined} {effect_words(outcome, estimate)}"
    return text


def _one_outcome(outcome: str, row: Row) -> str:
    if is_definite(row.verdict):
        return effect_words(outcome, row.estimate)
    if is_leaning(row.verdict):
        return f"leans {direction(outcome, row.estimate)} by {_size(outcome, row)}"
    if row.verdict == SAME:
        return "no difference a lap that matters" if outcome == "pace" else SAME
    if outcome == "race":
        return "still open"
    return f"{NOT_ENOUGH} to tell ({effect_words(outcome, row.estimate)} so far)"


def _size(outcome: str, row: Row) -> str:
    return effect_words(outcome, row.estimate).removesuffix(f" {direction(outcome, row.estimate)}")


def _race_clause(contrast: Contrast, context: ReportContext) -> Iterator[str]:
    row = contrast.row("race")
    if has_number(row):
        yield f"over {race_length(context.race_seconds)} {_one_outcome('race', row)}"


def _condition_clauses(contrast: Contrast) -> Iterator[str]:
    """Where a condition says something else than all conditions together."""
    overall = contrast.verdict("pace")
    settled = group_of(contrast) == "same"
    for condition in contrast.conditions:
        row = contrast.row("pace", condition)
        if row is None or not has_number(row) or row.verdict == overall:
            continue
        where = condition_words(condition)
        if is_definite(row.verdict):
            yield f"{where} {effect_words('pace', row.estimate)}"
        elif not settled and is_leaning(row.verdict) and not row.verdict.endswith(overall or " "):
            yield f"{where} it leans {direction('pace', row.estimate)}"


def _needs_clause(contrast: Contrast) -> Iterator[str]:
    if group_of(contrast) not in {"open", "depends"}:
        return
    for outcome in ("pace", "race"):
        more = contrast.needs.get((outcome, "all"))
        if more and is_open(contrast.row(outcome)):
            yield _settling(more)
            return


def _settling(more: int) -> str:
    count = plural(more, "more back-to-back")
    return f"{count} would settle it" + (", more than a season has" if more > MANY else "")


def _sure(contrast: Contrast) -> str:
    """The interval in words, of the outcome that decides: speed, else care, else pace."""
    decides = [o for o in ("pace", "race") if contrast.sign(o)]
    if group_of(contrast) in {"keep", "drop"}:
        decides += [o for o in ("spread", "mistakes") if contrast.sign(o)]
    for outcome in [*decides, "pace", "race"]:
        row = contrast.row(outcome)
        if has_number(row) and not missing(row.ci_low) and not missing(row.ci_high):
            return " ".join(_certain(contrast, outcome, row))
    return ""


def _certain(contrast: Contrast, outcome: str, row: Row) -> Iterator[str]:
    """The interval, beside it that of the meetings there were, and what the number rests on."""
    words = certainty(outcome, row.ci_low, row.ci_high, row.scope)
    if here := contrast.these.get((outcome, "all")):
        words += f"; at the meetings that were, {interval_words(outcome, *here)}"
    yield sentence(words)
    if not missing(row.remark):
        yield sentence(row.remark)


def as_text(groups: tuple[Group, ...]) -> str:
    """The first screen for the terminal: a heading a group, a line a change."""
    lines: list[str] = []
    for group in groups:
        lines.append(f"{group.heading} ({group.meaning})")
        lines += [f"  {item.line}" + (f" {item.sure}" if item.sure else "") for item in group.items]
        lines.append("")
    return "\n".join(lines).rstrip()


def summary(groups: tuple[Group, ...]) -> str:
    """'Of 7 changes, keep 2 and drop 1; 3 are still open.': the shortest answer."""
    counts = {group.name: len(group.items) for group in groups}
    total = sum(counts.values())
    if not total:
        return ""
    keep, drop, still = (counts.get(name, 0) for name in ("keep", "drop", "open"))
    text = f"Of {plural(total, 'change')}, keep {keep or 'none'} and drop {drop or 'none'}"
    return text + (f"; {still} {'is' if still == 1 else 'are'} still open." if still else ".")
