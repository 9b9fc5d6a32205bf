"""What to fit and what to test next, for the terminal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from pipeline.decide.places import Part
from pipeline.decide.situations import Told, rows_of, told
from pipeline.report.screen import NO_TESTS, parts_of
from pipeline.report.screen_views import Line, ShortList
from pipeline.report.short_list import short_list
from pipeline.report.states import States, ordered
from pipeline.report.words import race_length
from pipeline.tables.cells import text
from pipeline.tables.decisions import BEST_VALUES, CURVES, PROPERTIES, SWITCHOVERS, Decisions

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext


def choice_lines(
    choices: pd.DataFrame, tests: pd.DataFrame, context: ReportContext, *, whole: bool = False
) -> Iterator[str]:
    """A block a grip, then the tests. choices: of one surface and one driver, or of the team.
    whole: every part with its sentence, as where one grip was asked for.
    """
    parts = parts_of(choices, context)
    found = told(_decisions(choices, tests, context), parts)
    person = next((name for name in choices["driver"].dropna() if name), "")
    states = States(ordered(choices["grip"].fillna("").unique()), (person,))
    if person:
        yield f"For {person}"
    told_grips = [
        g for g in states.grips if any(found.has(f, g, "", person) for f in found.factors)
    ]
    for grip in told_grips or [""]:
        answer = short_list(found, states, parts, grip, person, _no_targets(found), _no_taper)
        yield from _block(answer, context)
        yield from _sentences(found, parts, grip, person) if whole else ()
        yield ""
    yield from _tests(tests)


def _decisions(choices: pd.DataFrame, tests: pd.DataFrame, context: ReportContext) -> Decisions:
    """The choices as if of any surface; what a list does not need is left empty."""
    return Decisions(
        choices.assign(surface=""), SWITCHOVERS.empty(), CURVES.empty(), BEST_VALUES.empty(),
        PROPERTIES.empty(), tests, race_laps=1.0, worthwhile_s=context.worthwhile_s,
        worth_changing_s=0.0,
    )  # fmt: skip


def _no_targets(found: Told) -> dict[str, str]:
    return dict.fromkeys(found.factors, "")


def _no_taper(factor: str, level: str, instead: str) -> str:
    return ""


def _block(answer: ShortList, context: ReportContext) -> Iterator[str]:
    yield answer.heading
    if answer.fit or answer.tries:
        yield f"  (saves over {race_length(context.race_seconds)}, is right in)"
    yield from _lines(answer.fit)
    if answer.tries:
        yield "  Try in practice"
        yield from _lines(answer.tries)
    for names in answer.rest:
        yield f"  {names.word}: {', '.join(name for name, _ in names.links)}"


def _lines(lines: Sequence[Line]) -> Iterator[str]:
    for line in lines:
        yield f"  {line.saves:>11}  {line.right:8}  {line.label}: {line.level}, {line.instead}"


def _sentences(found: Told, parts: Mapping[str, Part], grip: str, person: str) -> Iterator[str]:
    """The sentence of each part, as the table has it."""
    yield ""
    for factor in found.factors:
        if found.has(factor, grip, "", person):
            situation = found.at(factor, grip, "", person)
            words = text(situation.row, "sentence") or situation.said.text
            yield f"  {parts[factor].label}. {words}"


def _tests(tests: pd.DataFrame) -> Iterator[str]:
    yield "What to test next"
    if not len(tests):
        yield f"  {NO_TESTS}"
    for row in rows_of(tests.sort_values("rank")):
        yield f"  {row['rank']}. {row['sentence']}"
