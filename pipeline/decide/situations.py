"""The tables of a decision by what is asked: each situation with its rows and its sentence."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, cast

from pipeline.decide.places import Part, Property
from pipeline.decide.sentences import Said, odds_short, said, short_seconds
from pipeline.decide.shared import agreeing, property_sentence, question_sentence
from pipeline.tables.cells import Row, number, text
from pipeline.tables.conditions import POSITIONS

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.tables.decisions import Decisions

Key = tuple[str, str, str, str]  # factor, grip, surface, driver
FASTEST = "race"  # the outcome that choices, curves and switch-overs are read from


@dataclass(frozen=True)
class Situation:
    """One part at one grip and surface for one driver (empty: over all, any, any of the team).

    rows: a row of `choices` a level. row: the one on which the advice or the reason stands. own:
    the driver's best level is another than the team's.
    """

    factor: str
    grip: str
    surface: str
    driver: str
    rows: tuple[Row, ...]
    row: Row
    said: Said
    own: bool = False

    @property
    def prefers(self) -> str:
        """The level that is preferred, whatever is on; '' where either will do, or none is told."""
        return _preferred(self.rows)

    @property
    def saves(self) -> str:
        """The sentence's seconds, as the short list gives them: '0.7 s'."""
        return short_seconds(worth(self.row))

    @property
    def right(self) -> str:
        """The sentence's frequency: '19 of 20'."""
        return odds_short(number(self.row, "chance_best") or 0.0)


def worth(row: Row) -> float:
    """Seconds over a race that the row's level saves against what is on, else the reference."""
    gained = number(row, "gain_present_s")
    return (number(row, "gain_s") if gained is None else gained) or 0.0


def _preferred(rows: Sequence[Row]) -> str:
    if not rows or any(text(row, "advice") == "either" for row in rows):
        return ""
    gains = [(number(row, "gain_s"), str(row["level"])) for row in rows]
    known = [(gain, level) for gain, level in gains if gain is not None]
    return max(known, key=lambda pair: pair[0])[1] if known else ""


@dataclass(frozen=True)
class Told:
    """All situations by factor, grip, surface and driver, in the order of the table, and the other
    tables by the keys under which a page looks for them.
    """

    situations: Mapping[Key, Situation]
    switches: Mapping[str, tuple[Row, ...]] = field(default_factory=dict)
    best: Mapping[tuple[str, str], Row] = field(default_factory=dict)

    def at(self, factor: str, grip: str = "", surface: str = "", driver: str = "") -> Situation:
        """The driver's situation where there is one, else the team's."""
        own = self.situations.get((factor, grip, surface, driver))
        return own or self.situations[factor, grip, surface, ""]

    def has(self, factor: str, grip: str = "", surface: str = "", driver: str = "") -> bool:
        keys = ((factor, grip, surface, name) for name in (driver, ""))
        return any(key in self.situations for key in keys)

    @property
    def factors(self) -> list[str]:
        return list(dict.fromkeys(key[0] for key in self.situations))

    @property
    def drivers(self) -> list[str]:
        return list(dict.fromkeys(key[3] for key in self.situations if key[3]))


def told(decisions: Decisions, parts: Mapping[str, Part]) -> Told:
    """Every situation with its sentence."""
    grouped: dict[Key, list[Row]] = {}
    for row in rows_of(decisions.choices):
        key = (str(row["factor"]), *(text(row, n) for n in ("grip", "surface", "driver")))
        grouped.setdefault(cast(Key, key), []).append(row)
    found = Told({}, _switches(decisions), _best(decisions))
    alike = {
        key: _situation(key, rows, grouped, found, parts, decisions)
        for key, rows in grouped.items()
    }
    situations = {key: _as_own(one, alike.get((*key[:3], ""))) for key, one in alike.items()}
    return Told(situations, found.switches, found.best)


def _as_own(one: Situation, team: Situation | None) -> Situation:
    """A driver's situation in which another level is preferred than for the team: of its own
    estimate the team's switch-over says nothing.
    """
    if not one.driver or team is None or not (one.said.prefers and team.said.prefers):
        return one
    if one.prefers == team.prefers:
        return one
    return replace(one, said=replace(one.said, switch=""), own=True)


def rows_of(frame: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """The rows of a table as mappings."""
    yield from cast(Iterable[dict[str, Any]], frame.to_dict("records"))


def _switches(decisions: Decisions) -> dict[str, tuple[Row, ...]]:
    found: dict[str, tuple[Row, ...]] = {}
    for row in rows_of(decisions.switchovers):
        if row["outcome"] == FASTEST:
            found[str(row["factor"])] = (*found.get(str(row["factor"]), ()), row)
    return found


def _best(decisions: Decisions) -> dict[tuple[str, str], Row]:
    return {
        (str(row["factor"]), text(row, "grip")): row
        for row in rows_of(decisions.best_values)
        if row["outcome"] == FASTEST
    }


def _situation(
    key: Key,
    rows: list[Row],
    grouped: Mapping[Key, list[Row]],
    found: Told,
    parts: Mapping[str, Part],
    decisions: Decisions,
) -> Situation:
    factor, grip, surface, driver = key
    row = next((r for r in rows if text(r, "advice")), rows[0])
    switch = switch_of(found.switches.get(factor, ()), row)
    at_grips = [grouped.get((factor, g, surface, driver), []) for g in decisions.grips if g]
    words = said(
        row,
        switch,
        part=parts[factor],
        others=[r for r in rows if r is not row],
        best=found.best.get((factor, grip)),
        above=_above(switch, at_grips, parts[factor].reference),
        everywhere=bool(at_grips) and all(_is_either(group) for group in at_grips),
        worth_changing_s=decisions.worth_changing_s,
        felt=decisions.felt.get(key, ""),
    )
    return Situation(*key, tuple(rows), row, words)


def _is_either(rows: Sequence[Row]) -> bool:
    return any(text(row, "advice") == "either" for row in rows)


def switch_of(switches: Sequence[Row], row: Row) -> Row | None:
    """The switch-over between the row's level and what it is compared with."""
    levels = [str(row["level"]), text(row, "present"), text(row, "other")]
    ranked = sorted(
        (s for s in switches if str(s["level"]) in levels),
        key=lambda s: levels.index(str(s["level"])),
    )
    return ranked[0] if ranked else (switches[0] if len(switches) == 1 else None)


def _above(switch: Row | None, at_grips: Sequence[Sequence[Row]], reference: str) -> str:
    """The faster level above the switch-over: the one that gains as grip rises."""
    if switch is None:
        return ""
    level = str(switch["level"])
    gains = [
        (POSITIONS[text(row, "grip")], number(row, "gain_s") or 0.0)
        for rows in at_grips
        for row in rows
        if str(row["level"]) == level and text(row, "grip") in POSITIONS
    ]
    if len(gains) < 2:
        return ""
    return level if max(gains)[1] > min(gains)[1] else reference


def with_sentences(decisions: Decisions, parts: Mapping[str, Part]) -> pd.DataFrame:
    """`choices` with the column `sentence` filled: on the rows with an advice or a reason."""
    found = told(decisions, parts).situations.values()
    said_of = {_row_key(situation.row): situation.said.text for situation in found}
    texts: list[Any] = [said_of.get(_row_key(row)) for row in rows_of(decisions.choices)]
    return decisions.choices.assign(sentence=texts)


def _row_key(row: Row) -> tuple[str, ...]:
    return tuple(text(row, name) for name in ("factor", "grip", "surface", "driver", "level"))


def with_test_sentences(tests: pd.DataFrame, parts: Mapping[str, Part]) -> pd.DataFrame:
    """`tests` with the column `sentence` filled."""
    said_of = [question_sentence(row, parts[str(row["factor"])]) for row in rows_of(tests)]
    return tests.assign(sentence=said_of)


def property_words(
    name: str, shared: Property, decisions: Decisions, parts: Mapping[str, Part]
) -> str:
    """The sentence of a property; '' where the tables say nothing of it."""
    rows = [
        row
        for row in rows_of(decisions.properties)
        if row["property"] == name and row["outcome"] == FASTEST
    ]
    had = set(decisions.choices.loc[decisions.choices["gain_s"].notna(), "factor"])
    told_of = {f: at for f, at in shared.positions.items() if f in had}
    if not rows or not told_of:
        return ""
    switch = next(iter(_switches(decisions).get(name, ())), None)
    with_numbers = Property(shared.label, told_of)
    odd = odd_ones(rows, with_numbers, decisions, parts)
    return property_sentence(rows, switch, with_numbers, [parts[factor].label for factor in odd])


def odd_ones(
    rows: Sequence[Row], shared: Property, decisions: Decisions, parts: Mapping[str, Part]
) -> list[str]:
    """The options that go the other way: as many as the agreement says, the furthest first."""
    odd = len(shared.positions) - agreeing(rows, shared)
    common = {text(row, "grip"): -(number(row, "estimate") or 0.0) for row in rows}
    with_it = {
        factor: _along(factor, common, positions, decisions, parts[factor])
        for factor, positions in shared.positions.items()
    }
    return sorted((f for f in with_it if with_it[f] < 0), key=lambda f: with_it[f])[:odd]


def _along(
    factor: str,
    common: Mapping[str, float],
    positions: Mapping[str, float],
    decisions: Decisions,
    part: Part,
) -> float:
    """How far an option's own saving a position goes along with the property's, over the grips."""
    zero, total = positions.get(part.reference, 0.0), 0.0
    for row in rows_of(decisions.choices[decisions.choices["factor"] == factor]):
        step = positions.get(str(row["level"]), zero) - zero
        if step and not text(row, "driver") and not text(row, "surface"):
            saved = (number(row, "gain_s") or 0.0) / step
            total += saved * common.get(text(row, "grip"), 0.0)
    return total
