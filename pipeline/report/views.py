"""The data of a page: frozen records in which every word and number is decided."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.report.groups import Group
from pipeline.report.screen_views import Screen
from pipeline.report.words import Number


@dataclass(frozen=True)
class Cell:
    """A cell: its text, the table's value behind it (six digits, '' for words), its mark."""

    text: str
    raw: str = ""
    mark: str = ""
    column: str = ""
    extra: str = ""


@dataclass(frozen=True)
class Heading:
    """A column's heading, its unit, and the term explained where it first stands."""

    text: str
    numeric: bool = False
    explained: str = ""


@dataclass(frozen=True)
class TableView:
    """A table: rows of cells, the first of each row being its heading."""

    key: str
    caption: str
    headings: tuple[Heading, ...]
    rows: tuple[tuple[Cell, ...], ...]
    cards: bool = False
    note: str = ""


@dataclass(frozen=True)
class FigureView:
    """A figure as inline SVG, its text alternative and the table it was drawn from."""

    key: str
    title: str
    description: str
    svg: str
    table: TableView
    legend: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Section:
    """A part of the page under its own heading."""

    key: str
    title: str
    lead: tuple[str, ...] = ()
    figures: tuple[FigureView, ...] = ()
    tables: tuple[TableView, ...] = ()
    folded: tuple[TableView, ...] = ()
    points: tuple[str, ...] = ()
    terms: tuple[tuple[str, str], ...] = ()
    small: bool = False


@dataclass(frozen=True)
class Page:
    """A whole page. groups: what the day's changes did; facts: the lines under the title; screen:
    what to fit."""

    title: str
    kicker: str
    facts: tuple[str, ...]
    summary: str = ""
    groups: tuple[Group, ...] = ()
    sections: tuple[Section, ...] = ()
    footer: tuple[str, ...] = ()
    answer_title: str = "What to run"
    lang: str = "en"
    first: tuple[Section, ...] = field(default=())
    screen: Screen | None = None


def cell(content: str | Number, *, mark: str = "", extra: str = "") -> Cell:
    """A cell of words or of a number."""
    if isinstance(content, Number):
        return Cell(content.text, content.raw, mark, extra=extra)
    return Cell(content, mark=mark, extra=extra)


def table(
    key: str,
    caption: str,
    headings: Sequence[Heading | str | Any],
    rows: Iterable[Sequence[Cell | Number | str | Any]],
    *,
    cards: bool = False,
    note: str = "",
) -> TableView:
    """A table view; each cell carries its column's heading, for the layout on a phone."""
    heads = tuple(h if isinstance(h, Heading) else Heading(h) for h in headings)
    return TableView(
        key, caption, heads, tuple(_row(row, heads) for row in rows), cards=cards, note=note
    )


def _row(row: Sequence[Cell | Number | str], heads: tuple[Heading, ...]) -> tuple[Cell, ...]:
    cells = [c if isinstance(c, Cell) else cell(c) for c in row]
    return tuple(
        Cell(c.text, c.raw, c.mark, head.text, c.extra)
        for c, head in zip(cells, heads, strict=True)
    )


def without_empty(sections: Iterable[Section | None]) -> tuple[Section, ...]:
    """The sections that have something to say."""
    return tuple(
        s for s in sections if s and (s.figures or s.tables or s.folded or s.points or s.lead)
    )
