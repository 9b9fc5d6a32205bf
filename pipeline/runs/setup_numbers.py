"""Numbers of the setup log that can be read in two ways: `5.000` beside 5000."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from pipeline.errors import Problem
from pipeline.team.factors import Factor, number_text, quantity, without_group

# A team's values of one factor mostly lie within this factor of each other.
_NEAR = 5.0
_TOML = "team.toml"


class Written(NamedTuple):
    """A number as somebody wrote it; line is None in team.toml."""

    text: str
    line: int | None
    column: str


def two_readings(log: str, factor: Factor, numbers: Sequence[Written]) -> list[Problem]:
    """A fault for each number whose mark may part groups of digits, where a value of the factor is
    near that reading and none near the decimal one."""
    text, column = factor.reference_text or factor.reference, f"{factor.name}: reference"
    written = [*([Written(text, None, column)] if text else []), *numbers]
    sure = [each for each in written if without_group(each.text) is None]
    problems = []
    for each in written:
        grouped = without_group(each.text)
        if grouped is None:
            continue
        plain = _value(each)
        near = [other for other in sure if _is_near(_value(other), grouped)]
        if near and not any(_is_near(_value(other), plain) for other in sure):
            problems.append(_fault(log, each, plain, grouped, near[0]))
    return problems


def _value(written: Written) -> float:
    found = quantity(written.text)
    return found[0] if found else 0.0


def _is_near(value: float, reading: float) -> bool:
    return value * reading > 0 and 1 / _NEAR <= value / reading <= _NEAR


def _fault(log: str, each: Written, plain: float, grouped: float, near: Written) -> Problem:
    one, other = number_text(plain), number_text(grouped)
    place = f"line {near.line}" if near.line else _TOML
    return Problem(
        f"'{each.text}', which may be {one} or {other}",
        f"{one} or {other} without a mark between groups",
        log if each.line else _TOML,
        each.line,
        each.column,
        f"'{near.text}' in {place} is near the second; write {other}, or {one}",
    )
