"""Rows of an export as arrays, before runs are made of them; and the rows set aside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np

from pipeline.read.keys import alike, picked
from pipeline.read.labels import Labels, stacked


@dataclass(frozen=True)
class Aside:
    """A row that is not used: where it stands, its text, the reason's code, what was found."""

    line: int
    raw: str
    reason: str
    detail: str = ""


@dataclass(frozen=True)
class Gathered:
    """n rows in the order of the file.

    line: in the file. session, racing_class, heat, driver (as given), transponder, number (of the
    car): labels. start: start of the session as written. lap: number, 0 where none is given.
    lap_s: s, NaN in passings. local: microseconds of the local clock (of the era where `dated`,
    else of the day), NO_TIME where none. utc: microseconds, where the file gives an instant.
    elapsed: s since the session's start, NaN where not given.
    """

    line: np.ndarray
    session: Labels
    racing_class: Labels
    heat: Labels
    driver: Labels
    transponder: Labels
    number: Labels
    start: Labels
    lap: np.ndarray
    lap_s: np.ndarray
    local: np.ndarray
    dated: np.ndarray
    utc: np.ndarray
    elapsed: np.ndarray

    def __len__(self) -> int:
        return len(self.line)

    def keep(self, rows: np.ndarray) -> Gathered:
        """Only these rows: a bool mask, or indices in the order wanted."""
        if rows.dtype == bool:
            if rows.all():
                return self
            rows = np.flatnonzero(rows)
        new: dict[str, Any] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            new[item.name] = value.keep(rows) if isinstance(value, Labels) else picked(value, rows)
        return replace(self, **new)

    def untimed(self) -> Gathered:
        """Without the times as written: once they are understood they need not be carried on."""
        never = alike(np.iinfo(np.int64).min, len(self))
        return replace(self, local=never, utc=never, dated=alike(False, len(self)))


@dataclass
class Harvest:
    """What the reader collects over the blocks of a file.

    lost: a time whose date can be none, as written. offsets: minutes ahead of UTC -> an instant
    written so, UTC microseconds.
    """

    parts: list[Gathered] = field(default_factory=list)
    asides: list[Aside] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    rows_in: int = 0
    decimal_comma: int = 0
    decimal_point: int = 0
    lost: str = ""
    offsets: dict[int, int] = field(default_factory=dict)

    def warn(self, sentence: str) -> None:
        if sentence not in self.warnings:
            self.warnings.append(sentence)

    def whole(self) -> Gathered:
        """All parts, one after the other."""
        return stack(self.parts)


def stack(parts: Sequence[Gathered]) -> Gathered:
    if len(parts) == 1:
        return parts[0]
    new: dict[str, Any] = {}
    for item in fields(Gathered):
        values = [getattr(part, item.name) for part in parts]
        labelled = isinstance(values[0], Labels)
        new[item.name] = stacked(values) if labelled else np.concatenate(values)
    return Gathered(**new)
