"""What the changes of a day did, in groups: the run sheet's first lines, and the terminal's."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.report.contrasts import Contrast, Row, has_number
from pipeline.report.words import direction, effect_words, is_good
from pipeline.tables.outcomes import NOT_ENOUGH, SAME, is_definite, is_leaning


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
    """The changes that come to the same."""

    name: str
    heading: str
    meaning: str
    items: tuple[Item, ...]

    @property
    def brief(self) -> bool:
        """Many short items: set smaller and closer."""
        return len(self.items) > 4 and not any(item.sure for item in self.items)


def as_text(groups: tuple[Group, ...]) -> str:
    """The groups for the terminal: a heading a group, a line a change."""
    lines: list[str] = []
    for group in groups:
        lines.append(f"{group.heading} ({group.meaning})")
        lines += [f"  {item.line}" + (f" {item.sure}" if item.sure else "") for item in group.items]
        lines.append("")
    return "\n".join(lines).rstrip()


def pace_words(contrast: Contrast) -> str:
    """Pace, then spread and mistakes where they say something."""
    pace = contrast.row("pace")
    if pace is None or not has_number(pace):
        return f"pace: {NOT_ENOUGH if pace is None else pace.verdict}"
    return _one_outcome(pace) + _care(contrast, is_good("pace", pace.estimate))


def _care(contrast: Contrast, good: bool) -> str:
    """Spread and mistakes where they are shown: 'but' where they go against the pace."""
    text = ""
    for outcome in ("spread", "mistakes"):
        row = contrast.row(outcome)
        if row is None or not has_number(row) or not is_definite(row.verdict):
            continue
        joined = "and" if is_good(outcome, row.estimate) == good else "but"
        text += f", {joined} {effect_words(outcome, row.estimate)}"
    return text


def _one_outcome(row: Row) -> str:
    words, way = effect_words("pace", row.estimate), direction("pace", row.estimate)
    if is_definite(row.verdict):
        return words
    if is_leaning(row.verdict):
        return f"leans {way} by {words.removesuffix(f' {way}')}"
    if row.verdict == SAME:
        return "no difference a lap that matters"
    return f"{NOT_ENOUGH} to tell ({words} so far)"
