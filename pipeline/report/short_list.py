"""The short list: only what hands must do at one grip for one car, the largest saving first."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from pipeline.decide.places import Part
from pipeline.decide.situations import Situation, Told, worth
from pipeline.report.screen_views import Line, Names, ShortList
from pipeline.report.states import States
from pipeline.report.words import count_word
from pipeline.tables.cells import Row, text


def short_list(
    told: Told,
    states: States,
    parts: Mapping[str, Part],
    grip: str,
    person: str,
    targets: Mapping[str, str],
    tapers: Callable[[str, str, str], str],
    alone: Callable[[Row], str] = lambda row: "",
) -> ShortList:
    """One state's answer. targets: factor -> id of its part; tapers: (factor, level, instead) ->
    id of the wedges between the two, or ''. alone: what a row of choices comes to by this season
    alone, in words, or ''.
    """
    asked = [factor for factor in told.factors if told.has(factor, grip, "", person)]
    here = [told.at(factor, grip, "", person) for factor in asked]
    kinds: dict[str, list[Situation]] = {}
    for situation in here:
        kinds.setdefault(situation.said.kind, []).append(situation)

    def lines(kind: str) -> tuple[Line, ...]:
        found = sorted(kinds.get(kind, []), key=lambda s: -worth(s.row))
        made = [(_line(s, parts[s.factor], targets, tapers), alone(s.row)) for s in found]
        return tuple(replace(line, alone=words) for line, words in made)

    fit, tries = lines("fit"), lines("try")
    return ShortList(
        states=states.classes([grip], [person]),
        heading=_heading(states, grip, person, len(fit), here),
        fit=fit,
        tries=tries,
        rest=tuple(_rest(kinds, parts, targets)),
        notes=tuple(_notes(told, states, parts, here, grip, person)),
        grip=grip,
    )


def _line(
    situation: Situation,
    part: Part,
    targets: Mapping[str, str],
    tapers: Callable[[str, str, str], str],
) -> Line:
    row = situation.row
    level, now = str(row["level"]), text(row, "present") or part.reference
    logged = bool(text(row, "present")) or not situation.driver
    return Line(
        target=targets[situation.factor],
        label=part.label,
        level=part.level(level),
        instead=f"not {part.level(now)}" if logged else "if it is not on",
        saves=situation.saves,
        right=situation.right,
        taper=tapers(situation.factor, level, now),
    )


def _heading(states: States, grip: str, person: str, count: int, here: Sequence[Situation]) -> str:
    """'High grip, Runa: three to change'."""
    name = states.name(person) if person and len(states.people) > 1 else ""
    where = ", ".join(p for p in (f"{grip} grip" if grip else "", name) if p)
    verb = "change" if person else "fit"
    words = f"{count_word(count)} to {verb}" if count else f"nothing to {verb}"
    if here and all(s.said.kind == "cannot" for s in here):
        words = "nothing can be told yet"
    whole = f"{where}: {words}" if where else words
    return whole[0].upper() + whole[1:]


def _rest(
    kinds: Mapping[str, Sequence[Situation]],
    parts: Mapping[str, Part],
    targets: Mapping[str, str],
) -> list[Names]:
    heads = (("keep", "Keep"), ("either", "Either"), ("cannot", "Cannot be told"))
    out = []
    for kind, word in heads:
        found = kinds.get(kind, [])
        if found:
            where = [targets.get(s.factor, "open") for s in found]
            labels = [parts[s.factor].label for s in found]
            out.append(Names(word, tuple(zip(labels, where, strict=True))))
    return out


def _notes(
    told: Told,
    states: States,
    parts: Mapping[str, Part],
    here: Sequence[Situation],
    grip: str,
    person: str,
) -> list[str]:
    """Who differs, and in what."""
    if person and not all(told.has(s.factor, grip, "", "") for s in here):
        return []  # nothing is known of the team's
    if person:
        apart = [parts[s.factor].label for s in here if _is_apart(told, s)]
        but = f", but for {_and(apart)}." if apart else "."
        return [f"The team’s choice throughout{but}"] if any(s.prefers for s in here) else []
    differing = []
    for other in (p for p in states.people if p):
        own = [told.at(s.factor, grip, "", other) for s in here]
        labels = [parts[s.factor].label for s in own if _is_apart(told, s)]
        if labels:
            differing.append(f"{states.name(other)} in {_and(labels)}")
    return [f"Differs: {'; '.join(differing)}."] if differing else []


def _and(names: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


def _is_apart(told: Told, situation: Situation) -> bool:
    """Another level than the team's is best for this driver, or one of the two is to change to a
    level that the other is not to have."""
    if situation.own or not situation.driver:
        return situation.own
    team = told.at(situation.factor, situation.grip)
    changes = {"fit", "try"} & {situation.said.kind, team.said.kind}
    levels = {str(situation.row["level"]), str(team.row["level"])}
    known = not {"either", "cannot"} & {situation.said.kind, team.said.kind}
    return bool(changes) and known and len(levels) > 1
