"""How an export was understood, for a person to check."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

from pipeline.read.blocks import Block
from pipeline.read.gathered import Harvest
from pipeline.read.layouts import LAYOUTS, Layout
from pipeline.read.loading import Text
from pipeline.read.records import Understanding
from pipeline.read.words import compact

_DELIMITER_NAMES = {";": "semicolon", ",": "comma", "\t": "tab", "|": "vertical bar"}


def fingerprint(header: Sequence[str]) -> str:
    """A short name for a header, the same for the same columns whatever their case and accents.

    A remembered --map belongs to it. The header of a grid holds drivers' names; its fingerprint
    changes with them.
    """
    words = "\x1f".join(compact(cell) or cell for cell in header)
    return hashlib.sha256(words.encode()).hexdigest()[:16]


def understood(
    source: str, text: Text, blocks: Sequence[Block], harvest: Harvest, first_laps: Iterable[str]
) -> Understanding:
    """The record of one file, from its first block."""
    block = blocks[0]
    header, columns = block.header, block.match.columns
    named = {
        field: header.cells[place] or f"column {place + 1}"
        for field, place in sorted(columns.items(), key=lambda item: item[1])
    }
    unused = [
        cell for place, cell in enumerate(header.cells)
        if cell and place not in columns.values() and not header.layout
    ]  # fmt: skip
    return Understanding(
        source=source,
        encoding=text.encoding,
        delimiter="none (spreadsheet)"
        if text.encoding == "spreadsheet"
        else _DELIMITER_NAMES.get(header.delimiter, repr(header.delimiter)),
        decimal_mark=_mark(harvest),
        layout=block.match.layout,
        header_line=header.line or None,
        header=header.cells,
        fingerprint=fingerprint(header.cells),
        columns=named,
        unused=tuple(unused),
        titles=tuple(
            [f"{field}: {text}" for field, text in block.titles.facts.items()]
            + list(block.titles.bare)
        ),
        first_laps=tuple(first_laps),
    )


def _mark(harvest: Harvest) -> str:
    if harvest.decimal_comma and harvest.decimal_point:
        return "comma and point, mixed"
    if harvest.decimal_comma:
        return "comma"
    return "point" if harvest.decimal_point else "none seen"


def as_text(understanding: Understanding) -> str:
    """The lines that --dry-run prints for a file."""
    u, layout = understanding, LAYOUTS[understanding.layout]
    lines = [
        u.source,
        f"  encoding    {u.encoding}",
        f"  delimiter   {u.delimiter}",
        f"  decimals    {u.decimal_mark}",
        f"  layout      {u.layout}: {layout.words}",
        f"  header      line {u.header_line}" if u.header_line else "  header      none",
    ]
    lines += [f"  title       {title}" for title in u.titles]
    if layout.score is not None:
        cars = [cell for cell in u.header[1:] if cell]
        lines.append(
            f"  columns     {len(cars)}: " + ", ".join(cars[:6]) + (" …" if cars[6:] else "")
        )
    lines += [f"  {field:<11} from '{header}'" for field, header in u.columns.items()]
    if u.unused:
        lines.append("  not used    " + ", ".join(f"'{cell}'" for cell in u.unused))
    lines += ["  first laps", *(f"    {lap}" for lap in u.first_laps)]
    lines.append(f"  If a column is wrong: {_advice(u, layout)}")
    return "\n".join(lines)


def _advice(u: Understanding, layout: Layout) -> str:
    if layout.score is not None:
        others = ", ".join(f"--layout {name}" for name in LAYOUTS if name != u.layout)
        return f"{others}, or --map FIELD=COLUMN"
    other = next(iter(u.unused), "COLUMN")
    return f"--map {layout.decisive}='{other}' (and so for each field), or --layout"
