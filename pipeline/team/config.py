"""team.toml: checked key by key, all faults at once, each with its line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from pipeline.errors import Problem, refusal
from pipeline.tables.conditions import CONDITIONS
from pipeline.tables.schema import RUNS
from pipeline.team.config_keys import (
    ConditionKeys,
    FactorKeys,
    FeelKeys,
    PropertyKeys,
    SeasonKeys,
    Strict,
    TeamKeys,
    claim_keys,
)
from pipeline.team.factors import Claim, Factor, Feel, NumberCondition, Property
from pipeline.team.seasons import OPEN_END, NamedSeason
from pipeline.team.sheets import nearest
from pipeline.team.tables import MEETINGS, SESSIONS

FILE = "team.toml"
_TABLES = ("property", "factor", "condition", "claim", "feel", "season")
_NOT_A_FACTOR = {*RUNS.names, "transponder", "team", "class", "heat", "date", "hour"}
_NOT_A_FACTOR |= {"factor", "value", "run", "excluded", "note", "start", "venue"}
_NOT_A_FACTOR |= {*MEETINGS, *SESSIONS, "hour_known", "corrected_low", "corrected_high"}


_EXPECTED = {
    "missing": "a value",
    "model_type": "a table of keys",
    "string_type": "text",
    "extra_forbidden": "a known key",
    "string_pattern_mismatch": "letters, digits and _ (it becomes a column's name)",
}


def is_own_name(name: str) -> bool:
    """Whether no column of the tool's tables is called so."""
    return name.casefold() not in {*_NOT_A_FACTOR, *CONDITIONS}


@dataclass
class Config:
    """What team.toml says, with the faults found on the way."""

    team: TeamKeys | None = None
    factors: list[Factor] = field(default_factory=list)
    claims: list[Claim] = field(default_factory=list)
    feels: list[Feel] = field(default_factory=list)
    properties: list[Property] = field(default_factory=list)
    conditions: list[NumberCondition] = field(default_factory=list)
    seasons: list[NamedSeason] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def read_config(path: Path) -> Config:
    """Read team.toml; never raises for what the file holds."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
        raw = tomllib.loads(text)
    except OSError as error:
        return Config(problems=[Problem(refusal(error), "a file that can be read", FILE)])
    except UnicodeDecodeError:
        return Config(problems=[Problem("bytes that are not UTF-8", "text in UTF-8", FILE)])
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"line (\d+)", str(error))
        number = int(line[1]) if line else None
        return Config(problems=[Problem(str(error), "TOML as `init` writes it", FILE, number)])
    return _Reader(FILE, text, raw).config()


def check_config(raw: dict[str, Any]) -> Config:
    """The same for what a caller holds in memory: `team`, `factor` and `claim`, as in the file."""
    return _Reader("", "", raw).config()


class _Reader:
    """Goes through the three kinds of table and collects faults."""

    def __init__(self, file: str, text: str, raw: dict[str, Any]) -> None:
        self.file = file
        self.lines = text.splitlines()
        self.raw = raw
        self.result = Config()

    def config(self) -> Config:
        for key in self.raw.keys() - {"team", *_TABLES}:
            advice = nearest(key, ["team", *_TABLES])
            expected = "[team], [[property]], [[factor]], [[condition]], [[claim]], [[feel]] or "
            expected += "[[season]]"
            self.fault(f"'{key}'", expected, ("", 0, key), advice)
        team = self.raw.get("team", {})
        self.result.team = self.keys(TeamKeys, team, ("team", 0, "")) if team else None
        if not team:
            self.fault("no [team]", "[team] with a name", ("team", 0, ""))
        for place, keys in self.tables("property", PropertyKeys):
            self.name("property", place, keys.name)
            self.result.properties.append(Property(keys.name, keys.label or keys.name))
        for place, keys in self.tables("factor", FactorKeys):
            self.factor(place, keys)
        for place, keys in self.tables("condition", ConditionKeys):
            if self.name("condition", place, keys.name):
                label = keys.label or keys.name
                self.result.conditions.append(
                    NumberCondition(keys.name, label, keys.unit, keys.step)
                )
        for place, keys in self.tables("claim", claim_keys()):
            self.claim(place, keys)
        for place, keys in self.tables("feel", FeelKeys):
            self.name("feel", place, keys.name)
            label = keys.label or keys.name
            self.result.feels.append(Feel(keys.name, label, keys.worse, keys.better))
        for place, keys in self.tables("season", SeasonKeys):
            self.season(place, keys)
        return self.result

    def season(self, place: int, keys: SeasonKeys) -> None:
        made = NamedSeason(keys.name, keys.from_, keys.until or OPEN_END, keys.meetings)
        at = ("season", place, "until" if made.begins > made.ends else "name")
        if made.begins > made.ends:
            self.fault(keys.until, f"a day not before {made.begins}", at)
        for other in self.result.seasons:
            if other.name.casefold() == made.name.casefold():
                self.fault(f"'{made.name}' a second time", "each season once", at)
            elif made.begins <= other.ends and other.begins <= made.ends:
                found = f"'{made.name}' and '{other.name}' share days"
                self.fault(found, "seasons that do not overlap", at)
        self.result.seasons.append(made)

    def tables(self, kind: str, model: type[Strict]) -> Iterator[tuple[int, Any]]:
        found = self.raw.get(kind, [])
        if not isinstance(found, list):
            self.fault(f"[{kind}]", f"[[{kind}]], in double brackets", (kind, 0, ""))
            return
        for place, raw in enumerate(found):
            keys = self.keys(model, raw, (kind, place, ""))
            if keys is not None:
                yield place, keys

    def keys(self, model: type[Any], raw: Any, at: tuple[str, int, str]) -> Any:
        try:
            return model.model_validate(raw)
        except ValidationError as error:
            for fault in error.errors():
                self.schema_fault(model, fault, at)
            return None

    def schema_fault(self, model: type[BaseModel], fault: Any, at: tuple[str, int, str]) -> None:
        key = str(fault["loc"][0]) if fault["loc"] else ""
        missing = fault["type"] == "missing"
        expected = _EXPECTED.get(fault["type"], str(fault["msg"]).removeprefix("Input should be "))
        known = [f.alias or name for name, f in model.model_fields.items()]
        advice = nearest(key, known) if fault["type"] == "extra_forbidden" else ""
        found = "nothing" if missing else _short(fault["input"])
        self.fault(found, expected, (at[0], at[1], key), advice)

    def factor(self, place: int, keys: FactorKeys) -> None:
        levels = tuple(keys.levels)
        reference = keys.reference or (levels[0] if levels and keys.kind != "number" else "")
        made = Factor(keys.name, keys.label or keys.name, keys.kind, levels, reference, keys.unit,
                      keys.step, keys.property, per_step=keys.per_step,
                      renewed=keys.renewed)  # fmt: skip
        self.name("factor", place, keys.name)
        if keys.step and keys.kind != "number":
            expected = '`step` only for kind = "number"'
            self.fault(f"step {keys.step:g}", expected, ("factor", place, "step"))
        if keys.kind != "number":
            self.levels(place, made)
        elif keys.reference:
            read = made.read(keys.reference)
            if read is None:
                at = ("factor", place, "reference")
                self.fault(f"'{keys.reference}'", made.expected(), at)
            made = replace(made, reference=read or "", reference_text=keys.reference)
        self.result.factors.append(self.with_positions(place, made, keys))

    def with_positions(self, place: int, factor: Factor, keys: FactorKeys) -> Factor:
        """The factor with each level's position on its property."""
        named = [each.name for each in self.result.properties]
        if factor.property and factor.property not in named:
            advice = nearest(factor.property, named)
            at = ("factor", place, "property")
            self.fault(f"'{factor.property}'", "the name of a [[property]]", at, advice)
        read = {level: factor.read(level) for level in keys.positions}
        is_number, needs = factor.kind == "number", "`per_step`" if factor.kind == "number" else ""
        needs = needs or f"`positions` with {', '.join(factor.levels)}"
        given = factor.per_step is not None if is_number else set(read.values()) == {*factor.levels}
        beside = keys.positions if is_number else factor.per_step is not None
        if bool(factor.property) != bool(given or beside) or (factor.property and not given):
            expected = f"with `property` {needs}, and nothing of the kind without it"
            found = f"positions {keys.positions}" if keys.positions else "no such key"
            self.fault(found, expected, ("factor", place, "positions"))
        positions = tuple((str(read[level]), at) for level, at in keys.positions.items())
        return replace(factor, positions=positions)

    def name(self, kind: str, place: int, name: str) -> bool:
        """Names of factors, properties, conditions and feels: one space."""
        at, before = (kind, place, "name"), len(self.result.problems)
        if not is_own_name(name):
            self.fault(f"'{name}'", "a name that no other column has", at)
        found = self.result
        named = [each.name for each in found.factors] + [each.name for each in found.feels]
        named += [each.name for each in found.properties]
        named += [each.name for each in found.conditions]
        if name.casefold() in map(str.casefold, named):
            self.fault(f"'{name}' a second time", f"each {kind} once", at)
        return len(self.result.problems) == before

    def levels(self, place: int, factor: Factor) -> None:
        if len(factor.levels) < 2:
            found = f"levels {list(factor.levels)}"
            self.fault(found, "at least two levels", ("factor", place, "levels"))
        for level in factor.doubled():
            expected = "levels that differ by more than case or zeros"
            self.fault(f"'{level}'", expected, ("factor", place, "levels"))
        if factor.levels and factor.reference not in factor.levels:
            advice = nearest(factor.reference, factor.levels)
            at = ("factor", place, "reference")
            self.fault(f"'{factor.reference}'", factor.expected(), at, advice)

    def claim(self, place: int, keys: Any) -> None:
        if bool(keys.factor) == bool(keys.property):
            found = "both" if keys.factor else "neither"
            self.fault(found, "`factor` or `property`, one of the two", ("claim", place, ""))
            return
        kind, name = ("factor", keys.factor) if keys.factor else ("property", keys.property)
        named: dict[str, Factor | Property] = {
            factor.name: factor for factor in self.result.factors
        }
        if keys.property:
            named = {each.name: each for each in self.result.properties}
        raw = [f.get("name") for f in self.raw.get(kind, []) if isinstance(f, dict)]
        if name not in raw:
            advice = nearest(str(name), map(str, raw))
            self.fault(f"'{name}'", f"the name of a [[{kind}]]", ("claim", place, kind), advice)
        if name not in named:
            return
        ends = [self.end(place, key, named[name], keys) for key in ("from", "to")]
        if ends[0] is not None and ends[0] == ends[1]:
            other = "position" if keys.property else "level"
            self.fault(f"'{keys.to}'", f"another {other} than `from`", ("claim", place, "to"))
        self.result.claims.append(
            Claim(keys.text, keys.factor or "", ends[0] or "", ends[1] or "", keys.outcome,
                  keys.expect, _condition(keys), keys.property or "")
        )  # fmt: skip

    def end(self, place: int, key: str, of: Factor | Property, keys: Any) -> str | None:
        text = keys.from_ if key == "from" else keys.to
        level = of.read(text)
        if level is None:
            advice = nearest(text, of.levels)
            self.fault(f"'{text}'", of.expected(), ("claim", place, key), advice)
        return level

    def fault(self, found: str, expected: str, at: tuple[str, int, str], advice: str = "") -> None:
        kind, place, key = at
        name = f"{kind} {place + 1}" if kind in _TABLES else kind
        column = f"{name}: {key}" if name and key else name or key
        line = self.line_of(kind, place, key)
        self.result.problems.append(Problem(found, expected, self.file, line, column, advice))

    def line_of(self, kind: str, place: int, key: str) -> int | None:
        """The line of a key, else of the head of its table, else None."""
        head = re.compile(r"\s*\[+\s*([^\[\]]*?)\s*\]+\s*(#.*)?")
        assignment = re.compile(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=")
        inside, seen, first = not kind, -1, None
        for number, line in enumerate(self.lines, start=1):
            table = head.fullmatch(line)
            if table:
                seen += table[1] == kind
                inside = table[1] == kind and seen == place
                first = number if inside else first
            elif inside and key and assignment.match(line):
                return number
        return first


def _condition(keys: Any) -> str:
    """The condition that a claim is about: the first of those it names."""
    for condition in CONDITIONS.values():
        if word := getattr(keys, condition.name):
            return f"{condition.name}={condition.read(word)}"
    return "all"


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
