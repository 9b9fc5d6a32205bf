"""The delimiter and the header line of a text, found by trying."""

from __future__ import annotations

from collections import Counter

from pipeline.errors import CallError, Problem, UserError
from pipeline.read.layouts import unheaded
from pipeline.read.records import Header, ReadOptions
from pipeline.read.synonyms import FIELDS
from pipeline.read.titles import cells_of, is_comment, read_titles
from pipeline.read.words import TIMES, compact, field_of

HEAD_LINES = 400
MOST_COLUMNS = 1_000
_SEARCHED = 80
_DELIMITERS = (";", "\t", ",", "|")
_PEOPLE = frozenset({"driver", "transponder", "car_number", "family", "given"})


def find_header(lines: list[str], options: ReadOptions, name: str) -> Header:
    """The header among the first lines; a header of line 0 where the file has none.

    Raises UserError where no line of the text can be split into cells at all.
    """
    told = _told_delimiter(lines)
    delimiters = (told,) if told else _DELIMITERS
    best: tuple[float, Header] | None = None
    for delimiter in delimiters:
        table = [cells_of(line[:100_000], delimiter) for line in lines[: 2 * _SEARCHED]]
        for place in range(min(len(table), _SEARCHED)):
            score, layout = _score(table, place, lines, options)
            if score > 0 and (best is None or score > best[0]):
                best = score, Header(place + 1, tuple(table[place]), delimiter, layout)
    if best is None:
        if options.mapping and not all(column.isdigit() for column in options.mapping.values()):
            raise _mapped_nowhere(options, name)
        header = Header(0, (), told or _likely_delimiter(lines, name))
    else:
        header = best[1]
    return _of_width(header, lines, name)


def headers_above(lines: list[str], header: Header, options: ReadOptions) -> list[Header]:
    """Of the lines above a header those that name fields too, with a row right below."""
    table = [cells_of(line[:100_000], header.delimiter) for line in lines]
    found = []
    for place in range(len(table) - 1):
        score, layout = _score(table, place, lines, options)
        row = table[place + 1]
        if score > 0 and not layout and len(row) == len(table[place]) and not _row_like(row):
            found.append(Header(place + 1, tuple(table[place]), header.delimiter))
    return found


def width_of_rows(lines: list[str], header: Header) -> int:
    """The commonest number of cells below the header, empty last cells left out."""
    below = rows_below(lines, header)[:_SEARCHED]
    counts = Counter(len(cells_of(line, header.delimiter)) for line in below)
    return counts.most_common(1)[0][0] if counts else len(header.cells)


def rows_below(lines: list[str], header: Header) -> list[str]:
    """The lines below the header that are neither blank nor a comment (all where it has none)."""
    below = [line for line in lines[header.line :] if line.strip() and not is_comment(line)]
    if header.line:
        return below
    common = Counter(line.count(header.delimiter) for line in below).most_common(1)
    return [line for line in below if line.count(header.delimiter) == common[0][0]] if below else []


def _told_delimiter(lines: list[str]) -> str:
    first = lines[0].strip('\ufeff "') if lines else ""
    return first[4] if first.lower().startswith("sep=") and len(first) == 5 else ""


def _score(
    table: list[list[str]], place: int, lines: list[str], options: ReadOptions
) -> tuple[float, str]:
    """How much a line looks like the header; 0 for not at all. And the layout whose it is, where
    it names no fields."""
    cells, own = table[place], unheaded(options.layout)
    if len(cells) < 2:
        return 0, ""
    mapped = _mapped(cells, options)
    if mapped:
        return 100.0 + mapped, (options.layout or "") if own else ""
    fields = {field_of(cell) for cell in cells} - {None, ""}
    below = [row for row in table[place + 1 : place + 13] if len(row) > 1]
    if not (own and options.layout) and fields & TIMES and _row_like(cells):
        who = fields & _PEOPLE or read_titles(lines[:place], ";").facts.keys() & _PEOPLE
        alone = bool(fields & {"lap", "session", "at", "elapsed"}) or len(fields) > 1
        if who or alone or len(fields) > 1:
            known = sum(1 for cell in cells if field_of(cell) is not None)
            return len(fields) + 2 * bool(who) + known / len(cells) - place / 1e4, ""
    scores = [(layout.score(cells, below), layout.name) for layout in own if layout.score]
    score, name = max(scores, default=(0.0, ""))
    return score - place / 1e4, name


def _row_like(cells: list[str]) -> bool:
    """False for a line whose cells are mostly numbers, as rows are and headers are not."""
    filled = [cell for cell in cells if cell]
    numbers = sum(1 for cell in filled if cell.replace(".", "").replace(",", "").isdigit())
    return bool(filled) and numbers <= len(filled) / 3


def _mapped(cells: list[str], options: ReadOptions) -> int:
    """Number of the user's mapped columns that stand in this line, if all do."""
    wanted = [column for column in options.mapping.values() if not column.isdigit()]
    if not wanted:
        return 0
    there = {compact(cell) or cell for cell in cells}
    found = sum(1 for column in wanted if (compact(column) or column) in there)
    return found if found == len(wanted) else 0


def _likely_delimiter(lines: list[str], name: str) -> str:
    """For a file without header: the sign that splits most lines into the same number of cells."""
    rows = [line for line in lines if line.strip() and not is_comment(line)]
    scores = {}
    for delimiter in _DELIMITERS:
        counts = Counter(len(cells_of(line, delimiter)) for line in rows)
        width, times = counts.most_common(1)[0] if counts else (1, 0)
        scores[delimiter] = (times / max(len(rows), 1) if width > 1 else 0, width)
    best = max(_DELIMITERS, key=lambda delimiter: scores[delimiter])
    if scores[best][0] < 0.3:
        found = f"'{rows[0][:80]}' and no header" if rows else "no rows"
        raise UserError(
            f"{name} is no timing export that can be read",
            [
                Problem(
                    found,
                    "rows of cells apart by comma, semicolon, tab or '|', under a header with "
                    "driver or transponder and a time",
                    name,
                    advice="If it is an export, name its columns with --map FIELD=COLUMN.",
                )
            ],
        )
    return best


def _of_width(header: Header, lines: list[str], name: str) -> Header:
    """The header as wide as its rows; refuse what cannot be split safely."""
    width = width_of_rows(lines, header)
    cells = list(header.cells)
    while len(cells) > max(width, 1) and not cells[-1]:
        cells.pop()
    if max(len(cells), width) > MOST_COLUMNS:
        found = f"{max(len(cells), width):,} columns"
        raise UserError(
            f"{name} is no timing export", [Problem(found, f"at most {MOST_COLUMNS:,}", name)]
        )
    if header.line and width > len(cells):
        _refuse_split_decimals(header, lines, width, name)
        cells += [""] * (width - len(cells))
    if not header.line:
        cells = [""] * width
    return Header(header.line, tuple(cells), header.delimiter, header.layout)


def _refuse_split_decimals(header: Header, lines: list[str], width: int, name: str) -> None:
    """A decimal comma in a comma-delimited file cuts its numbers in two: say so."""
    extra = [
        cells_of(line, header.delimiter)[len(header.cells) :] for line in rows_below(lines, header)
    ]
    if header.delimiter != "," or not any(any(cells) for cells in extra):
        return
    raise UserError(
        f"{name} cannot be read: the comma parts the cells and is the decimal mark too",
        [
            Problem(
                f"{width} cells a row under a header of {len(header.cells)}",
                "a decimal point, another delimiter, or quoted cells",
                name,
                header.line + 1,
                advice="Export with ';' or tab between the cells.",
            )
        ],
    )


def _mapped_nowhere(options: ReadOptions, name: str) -> CallError:
    columns = ", ".join(f"'{column}'" for column in options.mapping.values())
    return CallError(
        f"{name} has no header line with the columns of --map",
        [Problem(f"no line with {columns}", "the headers as they are written in the file", name)],
    )


def check_mapping(options: ReadOptions) -> None:
    """Raises CallError for a field that does not exist."""
    unknown = [field for field in options.mapping if field not in FIELDS]
    if unknown:
        raise CallError(
            "--map names a field that does not exist",
            [Problem(f"'{field}'", "one of " + ", ".join(FIELDS)) for field in unknown],
        )
