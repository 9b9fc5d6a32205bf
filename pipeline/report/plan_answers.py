"""What the plan asked, and what came of it: a line a question, and the runs that departed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from pipeline.report.groups import Group, Item
from pipeline.report.words import (
    certainty,
    effect_words,
    interval_words,
    missing,
    plural,
    sentence,
)
from pipeline.tables.outcomes import SAME, is_leaning

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.plan.answers import Answer, Answers, Departed
    from pipeline.report.context import ReportContext


def plan_group(answers: Answers, context: ReportContext) -> Group | None:
    """The plan's questions with what the day says of each; None where it asked nothing."""
    driven = f"{answers.driven} of {plural(answers.planned, 'planned run')} driven"
    items = tuple(_item(answer, answers, context) for answer in answers.answers)
    return Group("plan", "What the plan asked", driven, items) if items else None


def _item(answer: Answer, answers: Answers, context: ReportContext) -> Item:
    told = not missing(answer.estimate)
    sure = [certainty("pace", answer.low, answer.high), *_over_all_looks(answer)] if told else []
    return Item(
        key=f"plan:{answer.factor}:{answer.level}:{answer.reference}",
        name=context.contrast_label(answer.factor, answer.level, answer.reference),
        text=sentence(_answer_words(answer)),
        sure=" ".join(map(sentence, [*sure, _draw_words(answer, answers)])),
    )


def _answer_words(answer: Answer) -> str:
    if missing(answer.estimate):
        mixed = f", mixed with {answer.mixed_with}" if answer.mixed_with else ""
        return f"cannot be told{mixed}"
    if answer.words == SAME:
        return f"settled: {SAME}"
    effect = effect_words("pace", answer.estimate)
    if answer.is_settled:
        return f"settled: {effect}"
    leaning = f"leans {effect}" if is_leaning(answer.words) else effect
    more = (
        f"; about {plural(answer.more, 'more back-to-back')} would settle it" if answer.more else ""
    )
    return f"not settled: {leaning}{more}"


def _over_all_looks(answer: Answer) -> Iterator[str]:
    """While the day goes on: what is settled has to hold at every look."""
    low, high = answer.anytime
    if (low, high) != (answer.low, answer.high):
        between = interval_words("pace", low, high)
        yield f"However often you look today: {between}, which is what settles it"


def _draw_words(answer: Answer, answers: Answers) -> str:
    """How many of the orders that could have been drawn show as much."""
    exact = answer.exact
    if answers.why:
        return f"no p value from the draws: {answers.why}"
    if not exact.orders:
        return ""
    drawn = "orders that could have been drawn" if exact.every else "orders drawn anew"
    counted = f"{exact.as_much:,} of {exact.orders:,} {drawn} show as much"
    if missing(exact.p_value):
        return f"{counted}: too few differ for a p value"
    return f"{counted}: p = {exact.p_value:.3f}"


def departed_words(answers: Answers, context: ReportContext) -> Iterator[str]:
    """A sentence for each run that was not as planned."""
    for each in answers.departed:
        real = _settings(each.real, context) or "a setting that is not known"
        planned = _settings(each.planned, context)
        if planned:
            yield f"{_who(each)}: not as planned ({real} instead of {planned})."
        else:
            yield f"{_who(each)}: not in the plan ({real})."
    if answers.departed:
        yield "Runs that were not as planned are used as on other days."


def _who(each: Departed) -> str:
    return f"{each.driver}, run {each.run}"


def _settings(settings: Mapping[str, str], context: ReportContext) -> str:
    return ", ".join(f"{context.factor_label(name)} {level}" for name, level in settings.items())
