"""An enemy of `log`: files of logbooks, mended in a spreadsheet or broken, and what must come.

`python -m tests.logbook.mutants --files 10000` throws so many at it and counts.
"""

from __future__ import annotations

import argparse
import csv
import io
import random
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.day.taking import take_logbooks
from pipeline.errors import UserError
from pipeline.runs.logbooks import read_log
from pipeline.team.folder import Team, load_team
from tests.logbook.days import day
from tests.logbook.said import tree

BARS = ("1.2", "1.3", "1.4")
Table = list[list[str]]


@dataclass
class Draft:
    """A file in the making: a table with its header, how it is written, whether it is sound.

    lines: those whose fault must be named; empty where the whole file is at fault.
    """

    table: Table
    delimiter: str = ","
    ending: str = "\n"
    encoding: str = "utf-8"
    quoting: int = csv.QUOTE_MINIMAL
    sound: bool = True
    lines: list[int] = field(default_factory=list)

    def column(self, name: str) -> int:
        return self.table[0].index(name)

    def content(self) -> bytes:
        out = io.StringIO()
        writer = csv.writer(
            out, delimiter=self.delimiter, lineterminator=self.ending, quoting=self.quoting
        )
        writer.writerows(self.table)
        return out.getvalue().encode(self.encoding, "replace")


def valid(draw: random.Random) -> tuple[Table, dict[int, str]]:
    """A logbook of one driver as the page hands it on, and the bar of each run."""
    head = ["meeting", "driver", "run", "start", "rear_bar", "ride_height"]
    head += ["rear_grip", "steering", "note"]
    table, bars, minutes = [head], {}, draw.randint(300, 600)
    for run in range(1, draw.randint(2, 12)):
        bars[run] = draw.choice(BARS)
        minutes += draw.randint(20, 50)
        start = f"{minutes // 60:02}:{minutes % 60:02}"
        scores = [draw.choice(["", "-2", "-1", "0", "1", "2"]) for _ in range(2)]
        height = draw.choice(["?", "5", "5.2", "5.45"])
        note = draw.choice(["", "windy", 'a "new" pack, used; twice', "zwei\nZeilen", "=1+1"])
        table.append(["spring", "Ann Arbor", str(run), start, bars[run], height, *scores, note])
    return table, bars


# What a spreadsheet or a person does to a file that means no harm.


def other_delimiter(draft: Draft, draw: random.Random) -> None:
    draft.delimiter = draw.choice([";", "\t"])


def other_lines(draft: Draft, draw: random.Random) -> None:
    draft.ending = "\r\n"


def other_encoding(draft: Draft, draw: random.Random) -> None:
    draft.encoding = draw.choice(["utf-8-sig", "utf-16", "cp1252"])


def all_quoted(draft: Draft, draw: random.Random) -> None:
    draft.quoting = csv.QUOTE_ALL


def columns_moved(draft: Draft, draw: random.Random) -> None:
    order = list(range(len(draft.table[0])))
    draw.shuffle(order)
    moved = ([row[place] for place in order] + row[len(order) :] for row in draft.table)
    draft.table = list(moved)


def rows_moved(draft: Draft, draw: random.Random) -> None:
    rows = draft.table[1:]
    draw.shuffle(rows)
    draft.table[1:] = rows


def by_label(draft: Draft, draw: random.Random) -> None:
    labels = {"rear_bar": "Rear anti-roll bar", "rear_grip": "REAR GRIP", "run": " Run "}
    draft.table[0] = [labels.get(name, name) for name in draft.table[0]]


def more_columns(draft: Draft, draw: random.Random) -> None:
    for number, row in enumerate(draft.table):
        row.append("weather" if number == 0 else draw.choice(["", "dry"]) if any(row) else "")


def blank_rows(draft: Draft, draw: random.Random) -> None:
    for _ in range(draw.randint(1, 4)):
        draft.table.insert(draw.randint(1, len(draft.table)), [""] * len(draft.table[0]))


def cells_retyped(draft: Draft, draw: random.Random) -> None:
    """As people and spreadsheets write the same values."""
    words = {
        "meeting": ["SPRING", " spring "], "driver": ["ann  arbor", "Ann Arbor\u00a0"],
        "rear_bar": ["{}0", "{} mm", "comma"], "run": ["{}.0", "0{}", "Run {}"],
        "start": ["{}:00", "short"], "steering": ["{}.0", "minus", "plus"],
    }  # fmt: skip
    for row in draft.table[1:]:
        name = draw.choice([n for n in words if n in draft.table[0]])
        place, form = draft.column(name), draw.choice(words[name])
        text = row[place]
        if not text.strip() or row[0].startswith("#"):
            continue
        if form == "comma":
            text = text.replace(".", ",")
        elif form == "short":
            text = text.removeprefix("0")
        elif form == "minus":
            text = text.replace("-", "−")
        elif form == "plus":
            text = text if text.startswith("-") else f"+{text}"
        else:
            text = form.format(text)
        row[place] = text


def row_twice(draft: Draft, draw: random.Random) -> None:
    """The same row once more says nothing new."""
    draft.table.append(list(draw.choice([row for row in draft.table[1:] if any(row)])))


def file_stands_with_comments(draft: Draft, draw: random.Random) -> None:
    draft.table.insert(1, ["# noted at the track", *[""] * (len(draft.table[0]) - 1)])


# What must be refused.


def in_some_row(name: str, *values: str) -> Callable[[Draft, random.Random], None]:
    def spoil(draft: Draft, draw: random.Random) -> None:
        rows = [row for row in draft.table[1:] if any(row) and not row[0].startswith("#")]
        row = draw.choice(rows)
        row[draft.column(name)] = draw.choice(values)
        draft.sound = False

    spoil.__name__ = f"wrong_{name}"
    return spoil


def run_twice(draft: Draft, draw: random.Random) -> None:
    """Two rows of one run that differ."""
    row = list(draw.choice([row for row in draft.table[1:] if any(row)]))
    place = draft.column("rear_bar")
    row[place] = draw.choice([bar for bar in BARS if bar != row[place]])
    draft.table.append(row)
    draft.sound = False


def column_lost(draft: Draft, draw: random.Random) -> None:
    place = draft.column(draw.choice(["meeting", "driver", "run"]))
    draft.table = [row[:place] + row[place + 1 :] for row in draft.table]
    draft.sound = False


def cell_too_many(draft: Draft, draw: random.Random) -> None:
    draw.choice(draft.table[1:]).extend(["", "x"])
    draft.sound = False


HARMLESS = (
    other_delimiter, other_lines, other_encoding, all_quoted, columns_moved, rows_moved, by_label,
    more_columns, blank_rows, cells_retyped, row_twice, file_stands_with_comments,
)  # fmt: skip
HARMFUL = (
    in_some_row("meeting", "sprung", ""),
    in_some_row("driver", "Ann Arbour", "", "Cy", "101"),
    in_some_row("run", "", "0", "two", "-1", "1.5", "99999", "13:45"),
    in_some_row("start", "25:00", "9", "9:60", "noon", "0.4", "13:45 PM"),
    in_some_row("rear_bar", "1.35", "2026-04-01", "1. Mrz", "thick", "1.2/1.3", "1,2,3"),
    in_some_row("ride_height", "high", "5.2 kg", "5..2", "5 2"),
    in_some_row("steering", "3", "-3", "0.5", "good", "1 2", "--1"),
    run_twice,
    column_lost,
    cell_too_many,
)


def drawn(seed: int) -> tuple[Draft, dict[int, str], list[str]]:
    """A file, the bars that it says if it is sound, and what was done to it."""
    draw = random.Random(seed)
    table, bars = valid(draw)
    draft, done = Draft(table), []
    changes = draw.sample(HARMLESS, draw.randint(0, 3))
    # What looks columns up by name comes before what renames or moves them.
    late = [
        by_label,
        columns_moved,
        file_stands_with_comments,
        other_delimiter,
        other_lines,
        other_encoding,
        all_quoted,
    ]
    changes.sort(key=lambda change: late.index(change) if change in late else -1)
    if draw.random() < 0.5:
        before = sum(change not in late for change in changes)
        changes.insert(before, draw.choice(HARMFUL))
    for change in changes:
        change(draft, draw)
        done.append(change.__name__)
    return draft, bars, done


def broken(content: bytes, draw: random.Random) -> bytes:
    """Bytes changed, cut, doubled or put in at random: what comes is only not to do harm."""
    raw = bytearray(content)
    for _ in range(draw.randint(1, 6)):
        at = draw.randrange(len(raw) + 1)
        kind = draw.randrange(4)
        if kind == 0 and at < len(raw):
            raw[at] = draw.randrange(256)
        elif kind == 1:
            raw[at:at] = bytes(draw.randrange(256) for _ in range(draw.randint(1, 5)))
        elif kind == 2:
            del raw[at : at + draw.randint(1, 40)]
        else:
            raw[at:at] = raw[at : at + draw.randint(1, 80)]
    return bytes(raw)


def taken(team: Team, path: Path) -> str:
    """'' where it was taken in, else the words of the refusal."""
    try:
        take_logbooks(team, [path])
    except UserError as error:
        return str(error)
    return ""


def tried(folder: Path, seed: int) -> str:
    """What came of one file: a word to count. Raises AssertionError where it did harm."""
    draft, bars, done = drawn(seed)
    what = f"seed {seed}: {', '.join(done)}"
    team, path = load_team(folder), folder.parent / "logbook.csv"
    path.write_bytes(draft.content())
    before = tree(folder)
    refusal = taken(team, path)
    if not draft.sound:
        assert refusal, f"{what}: was taken in"
        assert "logbook.csv" in refusal, f"{what}: {refusal}"
        assert tree(folder) == before, what
        return "refused"
    assert not refusal, f"{what}: {refusal}"
    _said_what_it_says(team, bars, what)
    after = tree(folder, times=True)
    assert not taken(team, path) and tree(folder, times=True) == after, (
        f"{what}: not twice the same"
    )
    return "taken in"


def tried_broken(folder: Path, seed: int) -> str:
    """The same for a file with broken bytes: refused and nothing changed, or a sound logbook."""
    draw = random.Random(seed)
    draft, _, _ = drawn(seed)
    team, path = load_team(folder), folder.parent / "logbook.csv"
    path.write_bytes(broken(draft.content(), draw))
    before = tree(folder)
    if taken(team, path):
        assert tree(folder) == before, f"seed {seed}: changed and refused"
        return "broken and refused"
    assert read_log(team).problems == [], f"seed {seed}: {read_log(team).problems}"
    after = tree(folder, times=True)
    assert not taken(team, path) and tree(folder, times=True) == after, f"seed {seed}: not the same"
    return "broken and taken in"


def _said_what_it_says(team: Team, bars: dict[int, str], what: str) -> None:
    log = read_log(team)
    assert log.problems == [], f"{what}: {log.problems}"
    (book,) = log.books
    found = {int(e.run): e.value for e in book.entries if e.factor == "rear_bar"}
    assert found == bars, f"{what}: {found} instead of {bars}"


def study(files: int, seed: int) -> Counter[str]:
    """Throw files at `log`, each into a fresh folder of one team."""
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as scratch:
        for number in range(files):
            folder = day(Path(scratch) / str(number) / "team", starts=(), kept="")
            trial = tried_broken if number % 4 == 3 else tried
            counts[trial(folder, seed * 1_000_000 + number)] += 1
    return counts


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print(dict(study(options.files, options.seed)))
