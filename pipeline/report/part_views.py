"""One part of the first screen: its sentences in every state, its pictures, the numbers behind."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from pipeline.decide.places import Part, where_words
from pipeline.decide.situations import FASTEST, Situation, Told, rows_of
from pipeline.report.cautions import beside_advice
from pipeline.report.grip_line import GripLine, Point, grip_line
from pipeline.report.grip_picture import (
    Contrast,
    Ruler,
    grip_picture,
    interval_picture,
    taper,
)
from pipeline.report.screen_views import PartView, Sentence
from pipeline.report.states import States
from pipeline.report.value_picture import Curve, curve_points, value_picture
from pipeline.report.why_views import Evidence, closing, reasons, why
from pipeline.report.words import sentence
from pipeline.tables.cells import Row, number
from pipeline.tables.conditions import POSITIONS
from pipeline.tables.decisions import Decisions


@dataclass(frozen=True)
class Maker:
    """All that the parts of a page are made from. rule: None where no part has a number."""

    told: Told
    states: States
    parts: Mapping[str, Part]
    decisions: Decisions
    evidence: Evidence
    rule: Ruler
    keys: Mapping[str, str]

    def part(self, factor: str) -> PartView:
        """The part's view."""
        words, key = self.parts[factor], self.keys[factor]
        pictures = self._value_picture(factor) or self._pictures(factor)
        level = self.main_level(factor)
        return PartView(
            key=key,
            label=words.label,
            told=tuple(self._sentences(factor)),
            picture=pictures[0] if pictures else "",
            why=why(words, level),
            reasons=reasons(self.told, self.states, words, factor, level, self.evidence),
            closing=closing(self.evidence, words, factor, level),
            more=tuple(pictures[1:]),
            care=beside_advice(words.label, words.unit),
        )

    def main_level(self, factor: str) -> str:
        """The level whose contrast is drawn first: the best of them at any grip."""
        levels = self.other_levels(factor)
        if not levels:
            return ""
        return max(levels, key=lambda level: max(self._gains(factor, level), default=0.0))

    def other_levels(self, factor: str) -> list[str]:
        """Levels but the reference, in the order of the table."""
        reference = self.parts[factor].reference
        rows = [row for g in self.states.grips for row in self._rows(factor, g)]
        return list(dict.fromkeys(
            str(r["level"]) for r in rows if number(r, "gain_s") is not None
            and str(r["level"]) != reference
        ))  # fmt: skip

    def _rows(self, factor: str, grip: str, person: str = "") -> tuple[Row, ...]:
        return self.told.at(factor, grip, "", person).rows if self.told.has(factor, grip) else ()

    def _gains(self, factor: str, level: str) -> list[float]:
        rows = [r for g in self.states.grips for r in self._rows(factor, g) if r["level"] == level]
        return [number(row, "gain_s") or 0.0 for row in rows]

    def line(self, factor: str, level: str) -> GripLine | None:
        """What the level saves against the reference, over the grips that were run."""
        person = "" if "" in self.states.people else self.states.people[0]
        points = []
        for grip in self.states.grips:
            for row in self._rows(factor, grip, person):
                if row["level"] == level and grip in POSITIONS and (point := _point(grip, row)):
                    points.append(point)
        return grip_line(points)

    def key_of(self, factor: str, level: str) -> str:
        """The id of a contrast's picture and of its taper."""
        key, levels = self.keys[factor], self.other_levels(factor)
        return f"{key}c{levels.index(level)}"

    def taper_of(self, factor: str, level: str, instead: str) -> str:
        """The id of the wedges between two levels; '' where none are drawn."""
        reference = self.parts[factor].reference
        others = [name for name in (level, instead) if name != reference]
        if len(others) != 1 or reference not in (level, instead) or self.is_curve(factor):
            return ""
        drawn = others[0] in self.other_levels(factor) and self.line(factor, others[0])
        return f"w-{self.key_of(factor, others[0])}" if drawn else ""

    def symbols(self, factor: str) -> Iterator[str]:
        """The tapers of a part, once for the whole page."""
        if self.is_curve(factor):
            return
        for level in self.other_levels(factor):
            if line := self.line(factor, level):
                yield taper(line, self.rule, self.key_of(factor, level))

    def is_curve(self, factor: str) -> bool:
        """Its values are drawn as a curve rather than as one contrast."""
        curves = self.decisions.curves
        return self.parts[factor].is_number and bool((curves["factor"] == factor).any())

    def _pictures(self, factor: str) -> list[str]:
        levels = self.other_levels(factor)
        first = self.main_level(factor)
        found = (self._picture(factor, v) for v in sorted(levels, key=lambda v: v != first))
        return [picture for picture in found if picture]

    def _picture(self, factor: str, level: str) -> str:
        words, switches = self.parts[factor], self.told.switches.get(factor, ())
        switch = next((s for s in switches if s["level"] == level), None)
        where = sentence(where_words(switch)) if switch is not None else ""
        chosen = {g: self._chosen(factor, g) for g in self.states.grips if g in POSITIONS}
        contrast = Contrast(
            self.key_of(factor, level), words.label, words.level(level),
            words.level(words.reference), chosen, where,
        )  # fmt: skip
        line = self.line(factor, level)
        if line is not None:
            looks = {pick.label: pick.key for pick in self.states.picks}
            rings = tuple(self._rings(factor, level))
            return grip_picture(line, contrast, self.rule, switch, looks, rings)
        rows = [r for g in self.states.grips for r in self._rows(factor, g) if r["level"] == level]
        point = _point("medium", rows[0]) if rows else None
        return interval_picture(point.saved, point.half, contrast, self.rule) if point else ""

    def _chosen(self, factor: str, grip: str) -> str:
        """The level preferred there, or 'either'."""
        if not self.told.has(factor, grip):
            return ""
        person = "" if "" in self.states.people else self.states.people[0]
        situation = self.told.at(factor, grip, "", person)
        if situation.said.kind == "cannot":
            return "?"
        return self.parts[factor].level(situation.prefers) if situation.said.prefers else "either"

    def _rings(self, factor: str, level: str) -> Iterator[tuple[str, str, float, str]]:
        """Where drivers who differ stand in the picture of all."""
        for grip in (g for g in self.states.grips if g in POSITIONS):
            for person in (p for p in self.states.people if p and "" in self.states.people):
                situation = self.told.at(factor, grip, "", person)
                if not situation.own:
                    continue
                for row in situation.rows:
                    saved = number(row, "gain_s")
                    if row["level"] == level and saved is not None:
                        look = self.states.classes([grip], ["", person])
                        yield look, grip, saved, self.states.name(person)

    def _value_picture(self, factor: str) -> list[str]:
        if not self.is_curve(factor):
            return []
        curves = [
            Curve(g, self.states.classes([g]), points, self.told.best.get((factor, g)),
                  self._value(factor, g))
            for g in self.states.grips
            if (points := self._curve(factor, g))
        ]  # fmt: skip
        levels = [str(r["level"]) for r in self._rows(factor, self.states.grips[0])]
        words, worth = self.parts[factor], self.decisions.worth_changing_s
        return [value_picture(self.keys[factor], words, curves, levels, worth)] if curves else []

    def _value(self, factor: str, grip: str) -> str:
        if not self.told.has(factor, grip):
            return ""
        situation = self.told.at(factor, grip)
        return situation.prefers if situation.said.prefers else ""

    def _curve(self, factor: str, grip: str) -> tuple[tuple[float, float, float, float], ...]:
        """Its curve at that grip, else over all grips."""
        table = self.decisions.curves
        table = table[(table["factor"] == factor) & (table["outcome"] == FASTEST)]
        here = table[table["grip"].fillna("") == grip]
        here = here if len(here) else table[table["grip"].fillna("") == ""]
        return curve_points(list(rows_of(here)))

    def _sentences(self, factor: str) -> Iterator[Sentence]:
        """A sentence a state, each written once; behind them those of drivers who differ."""
        written: dict[tuple[str, str], dict[str, list[str]]] = {}
        asides: list[Sentence] = []
        for grip in (g for g in self.states.grips if self.told.has(factor, g)):
            for person in self.states.people:
                situation = self.told.at(factor, grip, "", person)
                key = (situation.said.text, self._differs(factor, situation))
                written.setdefault(key, {}).setdefault(grip, []).append(person)
                asides += self._asides(factor, situation, person)
        for (_, differs), places in written.items():
            for grips, people in _merged(places):
                situation = self.told.at(factor, grips[0], "", people[0])
                yield self._sentence(situation, grips, people, differs)
        yield from asides

    def _differs(self, factor: str, situation: Situation) -> str:
        if not situation.own:
            return ""
        team = self.told.at(factor, situation.grip).prefers
        return f"Differs from the team ({self.parts[factor].level(team)})"

    def _sentence(
        self, situation: Situation, grips: Sequence[str], people: Sequence[str], differs: str = "",
        aside: bool = False,
    ) -> Sentence:  # fmt: skip
        said = situation.said
        spoken = "" if aside else self.states.spoken(grips, people)
        look = self.states.classes(grips, people)
        return Sentence(look, spoken, said.kind, said.word, said.head, said.tail, differs, aside)

    def _asides(self, factor: str, situation: Situation, person: str) -> Iterator[Sentence]:
        """Of the team: drivers who differ. Of anybody: surfaces on which it differs."""
        grip = situation.grip
        if not person:
            for other in (p for p in self.states.people if p):
                own = self.told.at(factor, grip, "", other)
                if own.own:
                    words = f"{self.states.name(other)} differs"
                    yield self._sentence(own, [grip], [person], words, aside=True)
        for surface in self.decisions.surfaces if len(self.decisions.surfaces) > 1 else ():
            if not self.told.has(factor, grip, surface):
                continue
            there = self.told.at(factor, grip, surface, person)
            prefer = there.said.prefers and situation.said.prefers
            if prefer and there.prefers != situation.prefers:
                words = f"On {surface} it differs"
                yield self._sentence(there, [grip], [person], words, aside=True)


def _point(grip: str, row: Row) -> Point | None:
    saved, low, high = (number(row, name) for name in ("gain_s", "gain_low", "gain_high"))
    if saved is None or low is None or high is None or high <= low:
        return None
    return Point(POSITIONS[grip], saved, (high - low) / 2)


def _merged(places: Mapping[str, Sequence[str]]) -> Iterator[tuple[list[str], list[str]]]:
    """Grips at which the same people are told the same, together."""
    by_people: dict[tuple[str, ...], list[str]] = {}
    for grip, people in places.items():
        by_people.setdefault(tuple(people), []).append(grip)
    for people, grips in by_people.items():
        yield grips, list(people)
