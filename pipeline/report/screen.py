"""The first screen put together: short lists, parts with their pictures, tests, what moved."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from pipeline.decide.places import Part, Property
from pipeline.decide.sentences import short_seconds
from pipeline.decide.shared import frequency, question_words
from pipeline.decide.situations import (
    FASTEST,
    Told,
    property_words,
    rows_of,
    told,
    worth,
)
from pipeline.report.cautions import RULES
from pipeline.report.contrasts import without_counters
from pipeline.report.grip_line import GripLine, Point, grip_line
from pipeline.report.grip_picture import Ruler, ruler, taper
from pipeline.report.moved_views import moved_lines
from pipeline.report.part_views import Maker
from pipeline.report.screen_views import Block, PartView, Question, Screen
from pipeline.report.short_list import short_list
from pipeline.report.states import States, ordered
from pipeline.report.why_views import evidence_of
from pipeline.report.words import race_length, sentence
from pipeline.tables.cells import Row, number, text
from pipeline.tables.conditions import POSITIONS

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.tables.decisions import Decisions
    from pipeline.tables.records import SeasonResult

READING = (
    "Left to right the track gains grip. The sloping line: seconds over a race that the new option "
    "saves (up) or loses (down), in its pale band in 19 of 20 cases. The flat line is as thick as "
    "what is not worth a change. Diamond: the switch-over; its bar: how far off that may be.",
    "The two wedges back to back: hatched for the usual option, solid for the new one, the thicker "
    "the surer; dotted box: either, keep what is on. Dashed upright: your grip.",
)
NO_TESTS = "No test is known to be worth a day: none is expected to change a choice."


def screen(
    result: SeasonResult, context: ReportContext, people: Sequence[str] | None = None
) -> Screen | None:
    """The first screen; None where nothing was decided. people: for whom, '' being the team; None:
    the team and every driver.
    """
    if result.decisions is None:
        return None
    decisions = replace(
        result.decisions,
        choices=without_counters(result.decisions.choices, result.runs),
        tests=without_counters(result.decisions.tests, result.runs),
    )
    parts = parts_of(decisions.choices, context)
    found = told(decisions, parts)
    states = States(ordered(decisions.grips), tuple(people or ("", *found.drivers)))
    untold = _untold(found, states)
    tellable = [factor for factor in found.factors if factor not in untold]
    keys = {factor: f"p{i}" for i, factor in enumerate(tellable)}
    evidence = evidence_of(*(list(rows_of(f)) for f in (result.effects, result.race_check)))
    maker = Maker(found, states, parts, decisions, evidence, _ruler(decisions), keys)
    alone = partial(_alone, _by_place(result))
    symbols = "".join(_symbols(maker, decisions.shares))
    return Screen(
        grips=states.picks,
        drivers=states.who,
        grip=states.picks[-1].key if states.picks else "",
        driver=states.who[0].key if states.who else "",
        lists=tuple(
            short_list(found, states, parts, grip, person, keys, maker.taper_of, alone)
            for grip in states.grips
            for person in states.people
        ),
        blocks=tuple(_blocks(maker, decisions.shares)),
        questions=tuple(_questions(decisions.tests, parts, states)),
        cannot=tuple(_cannot(found, untold, parts, decisions)),
        moved=tuple(moved_lines(result.changes, parts, states.grips)),
        caption=f"saves over {race_length(context.race_seconds)}, is right in",
        reading=READING if symbols else (),
        without_tests="" if len(decisions.tests) else NO_TESTS,
        symbols=symbols,
        care=RULES,
        on_now=tuple(_on_now(found, states, parts)),
        apart=tuple(s.factor for s in found.situations.values() if s.own and not s.surface),
        rules=states.rules,
        axis=tuple(g for g in states.grips if g in POSITIONS) if states.picks else (),
    )


def parts_of(choices: pd.DataFrame, context: ReportContext) -> dict[str, Part]:
    """The words for each factor; of a number without a reference of its own, the value against
    which the table reckons.
    """
    out = {}
    for name, rows in choices.groupby("factor", sort=False):
        part = context.part(str(name))
        zero = rows.loc[(rows["gain_s"] == 0) & (rows["gain_high"] == 0), "level"]
        if part.reference not in set(rows["level"]) and len(zero):
            part = replace(part, reference=str(zero.iloc[0]))
        out[str(name)] = part
    return out


def _untold(found: Told, states: States) -> list[str]:
    """Parts of which nothing can be told at any grip."""
    out = []
    for factor in found.factors:
        here = [found.at(factor, g) for g in states.grips if found.has(factor, g)]
        if all(situation.said.kind == "cannot" for situation in here):
            out.append(factor)
    return out


def _ruler(decisions: Decisions) -> Ruler:
    choices = decisions.choices
    gains = choices.loc[choices["driver"].fillna("") == "", "gain_s"].abs().dropna()
    largest = float(gains.max()) if len(gains) else 1.0
    return ruler(largest, decisions.worth_changing_s, decisions.worthwhile_s * decisions.race_laps)


def _blocks(maker: Maker, properties: Mapping[str, Property]) -> Iterator[Block]:
    """In the order of the team's factors; parts that share a property stand together."""
    shared = {f: name for name, found in properties.items() for f in found.positions}
    done: set[str] = set()
    for factor in maker.keys:
        name = shared.get(factor, "")
        if factor in done:
            continue
        members = [f for f in maker.keys if name and shared.get(f) == name] or [factor]
        done |= set(members)
        views = tuple(maker.part(member) for member in members)
        yield _block(maker, views, name, properties) if name else Block(views)


def _block(
    maker: Maker, views: tuple[PartView, ...], name: str, properties: Mapping[str, Property]
) -> Block:
    words = property_words(name, properties[name], maker.decisions, maker.parts)
    label = properties[name].label
    if not words:
        return Block(views)
    line = property_line(name, maker.decisions)
    low, high = line.points[0].saved if line else 0.0, line.points[-1].saved if line else 0.0
    ends = tuple("more" if saved > 0 else "less" for saved in (low, high))
    key = f"w-{_property_key(name, properties)}" if line else ""
    return Block(views, words.removeprefix(label), label, key, (ends[0], ends[1]))


def _property_key(name: str, properties: Mapping[str, Property]) -> str:
    return f"q{list(properties).index(name)}"


def property_line(name: str, decisions: Decisions) -> GripLine | None:
    """What one position more saves over a race, along the axis of grip."""
    points = []
    for row in rows_of(decisions.properties):
        grip, estimate = text(row, "grip"), number(row, "estimate")
        if row["property"] == name and row["outcome"] == FASTEST and grip in POSITIONS:
            half = ((number(row, "ci_high") or 0.0) - (number(row, "ci_low") or 0.0)) / 2
            points.append(Point(POSITIONS[grip], -(estimate or 0.0), half))
    return grip_line(points)


def _symbols(maker: Maker, properties: Mapping[str, Property]) -> Iterator[str]:
    for factor in maker.keys:
        yield from maker.symbols(factor)
    for name in properties:
        if line := property_line(name, maker.decisions):
            yield taper(line, maker.rule, _property_key(name, properties))


def _questions(
    tests: pd.DataFrame, parts: Mapping[str, Part], states: States
) -> Iterator[Question]:
    for row in rows_of(tests.sort_values("rank")):
        part = parts.get(str(row["factor"])) or Part(str(row["factor"]), "")
        worth, chance = number(row, "worth_s"), number(row, "chance_to_change")
        known = worth is not None and chance is not None
        yield Question(
            part.label,
            question_words(_by_first_name(row, states), part).removeprefix(part.label),
            short_seconds(worth or 0.0) if known else "not",
            frequency(chance or 0.0) if known else "known",
        )


def _by_first_name(row: Row, states: States) -> Row:
    return {**row, "driver": states.name(text(row, "driver")) if text(row, "driver") else ""}


def _on_now(found: Told, states: States, parts: Mapping[str, Part]) -> Iterator[tuple[str, str]]:
    """What the car of the page's one driver had on last, by the log."""
    if len(states.people) > 1 or not states.people[0]:
        return
    for factor in found.factors:
        rows = [s.row for s in found.situations.values()
                if s.factor == factor and s.driver == states.people[0]]  # fmt: skip
        present = next((text(row, "present") for row in rows if text(row, "present")), "")
        if rows:
            yield parts[factor].label, parts[factor].level(present) if present else "not logged"


def _cannot(
    found: Told, untold: Iterable[str], parts: Mapping[str, Part], decisions: Decisions
) -> Iterator[tuple[str, str]]:
    by_reason: dict[str, list[str]] = {}
    for factor in untold:
        situation = next(s for s in found.situations.values() if s.factor == factor)
        by_reason.setdefault(sentence(situation.said.head), []).append(parts[factor].label)
    for reason, labels in by_reason.items():
        yield ", ".join(labels), reason
    for note in decisions.notes:
        yield "", sentence(note)


Place = tuple[str, ...]


def _by_place(result: SeasonResult) -> dict[Place, Row]:
    """The choices from this season alone, by level and situation."""
    rows = () if result.alone is None else rows_of(result.alone.choices)
    return {_place(row): row for row in rows}


def _place(row: Row) -> Place:
    return tuple(text(row, name) for name in ("factor", "level", "grip", "surface", "driver"))


def _alone(known: Mapping[Place, Row], row: Row) -> str:
    """What the level saves by this season alone."""
    if not known:
        return ""
    own = known.get(_place(row))
    if own is None or number(own, "gain_s") is None:
        return "this season alone: cannot be told"
    saved = worth(own)
    return f"this season alone: {'loses ' if saved < 0 else ''}{short_seconds(abs(saved))}"
