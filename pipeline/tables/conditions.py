"""The conditions: what a meeting was like. One record says all that is special about one of them.

Knows no runs and no models: whoever reads, splits, prints or sorts by a condition asks the record.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Condition:
    """A condition: a column of meetings.csv and of the runs.

    values: its words in their order; none: any word, in the order of the alphabet. words: how a
    value is said ({}: the value).
    """

    name: str
    words: str
    values: tuple[str, ...] = ()

    @property
    def expected(self) -> str:
        """What stands in a cell, in words."""
        return ", ".join(self.values) or "text"

    def read(self, text: str) -> str | None:
        """A cell as the runs have it, '' for an empty one; None for what it cannot be."""
        word = " ".join(text.casefold().split())
        return word if not word or not self.values or word in self.values else None

    def place(self, value: str) -> tuple[int, str]:
        """What values are sorted by."""
        known = value in self.values
        return (self.values.index(value) if known else len(self.values)), value


TOGETHER = " & "  # between two conditions under which the very same runs were made
# Grip as an axis: three steps of equal size, unless the data say otherwise.
POSITIONS = {"low": -1.0, "medium": 0.0, "high": 1.0}
PER_STEP = " per step"  # behind a condition's name: how an effect changes along it

_EVERY_TEAMS = (
    Condition(name="grip", words="at {} grip", values=("low", "medium", "high")),
    Condition(name="surface", words="on {}"),
)
# By name, in the order of the result tables.
CONDITIONS = {condition.name: condition for condition in _EVERY_TEAMS}


def parted(condition: str) -> tuple[str, str]:
    """'grip=high' as ('grip', 'high'); 'all' as ('all', '')."""
    name, _, value = condition.partition("=")
    return name, value


def is_per_step(condition: str) -> bool:
    """Whether it is an axis: 'grip per step', 'track_temp per step'."""
    return condition.endswith(PER_STEP)


def sort_key(condition: str) -> tuple[str, int, str]:
    """'grip=low' before 'grip=high', and before 'surface=asphalt'."""
    name, value = parted(condition)
    found = CONDITIONS.get(name)
    first = value.split(TOGETHER)[0]
    return (name, *(found.place(first) if found else (0, value)))


def condition_words(condition: str) -> str:
    """'grip=high' → 'at high grip', 'surface=carpet' → 'on carpet', 'all' → 'overall'."""
    if TOGETHER in condition:
        both = " or ".join(condition_words(part) for part in condition.split(TOGETHER))
        return f"{both} (the same runs)"
    name, value = parted(condition)
    if name == "all":
        return "overall"
    if is_per_step(name):
        axis = name.removesuffix(PER_STEP).replace("_", " ")
        return f"from one step of {axis} to the next"
    found = CONDITIONS.get(name)
    return found.words.format(value) if found else f"where {name} is {value}"
