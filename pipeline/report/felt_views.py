"""Felt and measured: what the drivers said of each change beside what the clock says."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from pipeline.report.contrasts import Contrast, Row, has_number, records
from pipeline.report.effect_views import shown_as
from pipeline.report.views import Cell, Section, TableView, table
from pipeline.report.words import (
    NOTHING,
    direction,
    effect_words,
    is_good,
    missing,
    number,
    sentence,
    whole,
)
from pipeline.tables.outcomes import PACE, RACE, SAME, SPREAD, Outcome, is_definite

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext

BESIDE = (PACE, SPREAD, RACE)
COIN = 0.5  # of two runs the better felt is the faster as often as not
AGREEMENT = (
    "Of two runs of one driver at one meeting that felt different: how often the one that felt "
    "better was the faster, grip taken out. 50 % is a coin; in brackets the 95 % interval."
)


def felt_section(
    members: Sequence[Contrast], agreement: pd.DataFrame | None, context: ReportContext
) -> Section | None:
    """The section of the season's page; None where the team asks for no feel."""
    feels = [outcome for outcome in context.outcomes.values() if outcome.is_felt]
    if not feels:
        return None
    told = [c for c in members if any(has_number(c.row(feel.name)) for feel in feels)]
    known = agreement if agreement is not None and len(agreement) else None
    return Section(
        "felt",
        "Felt and measured",
        lead=(
            "What the drivers felt, in points from −2 to 2, beside the clock. Time decides; a feel "
            "breaks ties, and says what the driver will miss.",
        ),
        tables=() if known is None else (agreement_table(known, context),),
        folded=(_beside_table(told, feels, context),) if told else (),
        points=tuple(_sentences(told, feels, context)),
    )


def _sentences(
    members: Sequence[Contrast], feels: Sequence[Outcome], context: ReportContext
) -> Iterator[str]:
    """A sentence for each change and feel that is settled, those that the clock belies first."""
    found = [
        (_agrees(contrast, feel), _sentence(contrast, feel, context))
        for contrast in members
        for feel in feels
        if has_number(row := contrast.row(feel.name)) and is_definite(row.verdict)
    ]
    yield from (words for _, words in sorted(found, key=lambda each: each[0]))


def _settled(contrast: Contrast) -> list[tuple[Outcome, Row]]:
    """What the clock has settled, a difference; race only where pace has not."""
    rows = [(outcome, contrast.row(outcome.name)) for outcome in BESIDE]
    known = [(o, row) for o, row in rows if has_number(row) and is_definite(row.verdict)]
    is_paced = any(outcome is PACE for outcome, _ in known)
    return [(o, row) for o, row in known if not (is_paced and o is RACE)]


def _agrees(contrast: Contrast, feel: Outcome) -> bool:
    better = is_good(feel, contrast.row(feel.name).estimate)
    return all(is_good(o, row.estimate) == better for o, row in _settled(contrast))


def _sentence(contrast: Contrast, feel: Outcome, context: ReportContext) -> str:
    """'… : Rear grip felt better (0.8 points) and was slower (0.05 s a lap)'."""
    row = contrast.row(feel.name)
    way = direction(feel, row.estimate)
    end = feel.ends[row.estimate > 0]
    size = effect_words(feel, row.estimate).removesuffix(f" {way}")
    name = context.contrast_label(contrast.factor, contrast.level, contrast.reference)
    return sentence(
        f"{name}: felt {way} ({feel.label}, {size} nearer {end}) {_by_the_clock(contrast)}"
    )


def _by_the_clock(contrast: Contrast) -> str:
    settled = [
        f"was {direction(outcome, row.estimate)} ({_size(outcome, row)})"
        for outcome, row in _settled(contrast)
    ]
    if settled:
        return "and " + " and ".join(settled)
    rows = [contrast.row(outcome.name) for outcome in (RACE, PACE)]
    if any(has_number(row) and row.verdict == SAME for row in rows):
        return "and makes no difference by the clock that matters"
    return "; what the clock says is not settled"


def _size(outcome: Outcome, row: Row) -> str:
    words = effect_words(outcome, row.estimate)
    return words.removesuffix(f" {direction(outcome, row.estimate)}")


def _beside_table(
    members: Sequence[Contrast], feels: Sequence[Outcome], context: ReportContext
) -> TableView:
    asked = [*feels, *BESIDE]
    heads = ["Change", *(outcome.label for outcome in asked)]
    rows = [
        (
            context.contrast_label(c.factor, c.level, c.reference),
            *(_cell(outcome, c.row(outcome.name)) for outcome in asked),
        )
        for c in members
    ]
    note = "; ".join(f"{f.label}: −2 {f.ends[0]}, 2 {f.ends[1]}" for f in feels)
    title = "Felt, and measured by the clock"
    return table("felt-beside", title, heads, rows, cards=True, note=sentence(note))


def _cell(outcome: Outcome, row: Any) -> Cell:
    """The effect in words; beneath it the interval of a feel, or what is not settled."""
    if row is None:
        return Cell(NOTHING)
    if missing(row.estimate):
        return Cell(row.verdict)
    said = [] if is_definite(row.verdict) else [row.verdict]
    if outcome.is_felt:
        low, high = (number(v, 1, signed=True).text for v in (row.ci_low, row.ci_high))
        said.insert(0, f"{low} to {high}")
    words = effect_words(outcome, row.estimate)
    return Cell(words, f"{row.estimate:.6g}", shown_as(outcome, row), extra=", ".join(said))


def agreement_table(agreement: pd.DataFrame, context: ReportContext) -> TableView:
    """How far each driver's feel goes with the clock."""
    rows = [
        (
            r.driver,
            context.outcomes[r.feel].label,
            _share(r),
            _goes_with(r),
            whole(r.n_runs),
        )
        for r in records(agreement)
    ]
    heads = ["Driver", "Feel", "Better felt was faster", "Goes with the clock", "Runs"]
    title = "How far each driver's feel goes with the clock"
    return table("felt-agreement", title, heads, rows, cards=True, note=AGREEMENT)


def _share(row: Row) -> Cell:
    if missing(row.share):
        return Cell("too few runs felt different")
    low, share, high = (f"{100 * v:.0f}" for v in (row.ci_low, row.share, row.ci_high))
    return Cell(f"{share} % ({low} to {high})", f"{row.share:.6g}")


def _goes_with(row: Row) -> str:
    if missing(row.share):
        return NOTHING
    if row.ci_low > COIN:
        return "yes"
    return "no, against it" if row.ci_high < COIN else "not settled"


def own_felt_section(
    by_driver: pd.DataFrame, agreement: pd.DataFrame | None, driver: str, context: ReportContext
) -> Section | None:
    """The same in the driver's own file: own scores beside own pace."""
    own = by_driver[by_driver["driver"] == driver]
    feels = [o for o in context.outcomes.values() if o.is_felt and (own["outcome"] == o.name).any()]
    views = [_own_table(own, feels, context)] if feels else []
    if agreement is not None and len(agreement):
        views.append(agreement_table(agreement, context))
    if not views:
        return None
    lead = "How each change felt to you, in points from −2 to 2, beside your own pace."
    return Section("felt", "Felt and measured", lead=(lead,), tables=tuple(views))


def _own_table(own: pd.DataFrame, feels: Sequence[Outcome], context: ReportContext) -> TableView:
    keyed = {(r.outcome, r.factor, r.level, r.reference): r for r in records(own)}
    changes = dict.fromkeys(key[1:] for key in keyed if any(key[0] == f.name for f in feels))
    asked = [*feels, PACE]
    rows = [
        (
            context.contrast_label(*change),
            *(_own_cell(outcome, keyed.get((outcome.name, *change))) for outcome in asked),
        )
        for change in changes
    ]
    heads = ["Change", *(outcome.label for outcome in asked)]
    return table("felt-own", "Felt by you, and your pace", heads, rows, cards=True)


def _own_cell(outcome: Outcome, row: Any) -> Cell:
    if not has_number(row):
        return Cell(NOTHING)
    low, high = (number(v, outcome.digits, signed=True).text for v in (row.ci_low, row.ci_high))
    words = effect_words(outcome, row.estimate)
    return Cell(words, f"{row.estimate:.6g}", extra=f"{low} to {high}")
