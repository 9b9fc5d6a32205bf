"""Conditions that the data cannot separate: two names for the same runs of the team."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from pipeline.models.design import in_condition
from pipeline.tables.conditions import is_per_step, parted

if TYPE_CHECKING:
    from pipeline.models.axis import Along
    from pipeline.models.design import Design
    from pipeline.models.engine.rows import Array
    from pipeline.models.identify import Standing

# Two axes with a correlation of 0.98 leave each other a twenty-fifth of their information.
SAME_AXIS = 0.98


@dataclass(frozen=True)
class Alike:
    """Two conditions of `effects` that were the same `runs` runs, or rose and fell together."""

    first: str
    second: str
    runs: int

    @property
    def variables(self) -> tuple[str, str]:
        return parted(self.first)[0], parted(self.second)[0]


def sentences(pairs: Sequence[Alike], labels: dict[str, str]) -> list[str]:
    """What cannot be told apart: of two conditions once, whatever values go together."""
    out = []
    for variables in dict.fromkeys(pair.variables for pair in pairs):
        own = [pair for pair in pairs if pair.variables == variables]
        parts = [" and ".join(_words(name, labels) for name in (p.first, p.second)) for p in own]
        if is_per_step(own[0].first):
            out.append(
                f"{_capital(parts[0])} rose and fell together: which of the two moves an effect "
                "cannot be told, and it is shown by both."
            )
            continue
        runs = [f"{words} were the same {p.runs} runs" for words, p in zip(parts, own, strict=True)]
        out.append(
            f"{_capital(', '.join(runs))} of the team: which of the two makes a difference cannot "
            "be told, and what is said of one holds for both together."
        )
    return out


def _words(condition: str, labels: dict[str, str]) -> str:
    """'low grip' of grip=low, 'asphalt' of surface=asphalt, the label of an axis."""
    name, value = parted(condition)
    if name == "grip":
        return f"{value} grip"
    return value or labels.get(condition, condition).casefold()


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def alike(design: Design, everything: Sequence[Standing], axes: Sequence[Along]) -> list[Alike]:
    """All such pairs, of different conditions; each condition stands as the second in one alone."""
    found = [*_same_runs(design, everything), *_same_axes(design, everything, axes)]
    return list({pair.second: pair for pair in reversed(found)}.values())[::-1]


def _same_runs(design: Design, everything: Sequence[Standing]) -> Iterator[Alike]:
    names = dict.fromkeys(s.condition for s in everything if "=" in s.condition)
    rows = {name: design.team & in_condition(design, name) for name in names}
    for first, second in combinations(names, 2):
        if parted(first)[0] != parted(second)[0]:
            count = int(rows[first].sum())
            if count and np.array_equal(rows[first], rows[second]):
                yield Alike(first, second, count)


def _same_axes(
    design: Design, everything: Sequence[Standing], axes: Sequence[Along]
) -> Iterator[Alike]:
    shown = {s.condition for s in everything}
    told = [axis for axis in axes if axis.condition in shown]
    for first, second in combinations(told, 2):
        one, other = (axis.position[design.team] for axis in (first, second))
        if abs(_correlation(one, other)) >= SAME_AXIS:
            yield Alike(first.condition, second.condition, len(one))


def _correlation(one: Array, other: Array) -> float:
    a, b = one - one.mean(), other - other.mean()
    size = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / size if size else 0.0


def with_partners(everything: Sequence[Standing], pairs: Sequence[Alike]) -> list[Standing]:
    """The standings; those of a condition that has such a partner, and a number, name it."""
    partners: dict[str, list[str]] = {}
    for pair in pairs:
        partners.setdefault(pair.first, []).append(pair.second)
        partners.setdefault(pair.second, []).append(pair.first)
    return [
        replace(s, mixed_with=", ".join(partners[s.condition]))
        if s.tellable and s.condition in partners
        else s
        for s in everything
    ]
