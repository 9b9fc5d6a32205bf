"""Exports broken at random: `python -m tests.read.fuzz 10000 [SEED]`.

Each case must end in an Export whose rows add up, or in a UserError. Any other exception ends
the script with the case's bytes in a file.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections import Counter
from pathlib import Path

from pipeline.errors import UserError
from pipeline.read import REASONS, Export, ReadOptions, read_export
from pipeline.tables.schema import LAPS
from tests.read.corpus import VARIANTS

OPTIONS = ReadOptions(meeting="spring", date="2026-03-28", timezone="Europe/Berlin")
CODES = {reason.code for reason in REASONS}
PIECES = [
    b"\x00", b"\xff", b"\xfe\xff", b"\r", b"\n", b"\r\n", b'"', b"'", b";", b",", b"\t", b"|",
    b"#", b":", b".", b"-", b"0", b"9" * 30, b"1e308", b"nan", b"inf", b"=1+1", b"<script>",
    b"../..", "é".encode(), "時".encode(), b"Total", b"Session: Q9", b"Start: 25:61:00",
    b"Driver", b"Lap", b"sep=;", b"31.02.2026", b"24:00:00", b"00:00:00", b"\xef\xbb\xbf",
]  # fmt: skip


def mutate(data: bytes, chance: random.Random) -> bytes:
    """The bytes with one to eight things wrong."""
    out = bytearray(data)
    for _ in range(chance.randint(1, 8)):
        place = chance.randrange(len(out) + 1)
        other = chance.randrange(len(out) + 1)
        first, last = min(place, other), max(place, other)
        kind = chance.randrange(8)
        if kind == 0 and place < len(out):
            out[place] = chance.randrange(256)
        elif kind == 1:
            out[place:place] = chance.choice(PIECES)
        elif kind == 2:
            del out[first : first + chance.randint(1, 40)]
        elif kind == 3:
            out[place:place] = out[first : first + chance.randint(1, 200)]
        elif kind == 4:
            del out[last:]
        elif kind == 5:
            out[place:place] = chance.randbytes(chance.randint(1, 20))
        elif kind == 6:
            lines = bytes(out).split(b"\n")
            chance.shuffle(lines)
            out = bytearray(b"\n".join(lines))
        else:
            out = out.replace(chance.choice(PIECES[4:16]), chance.choice(PIECES))
    return bytes(out)


def generated(chance: random.Random) -> bytes:
    """A file of random cells under random headers."""
    words = ["Driver", "Transponder", "Lap", "Lap time", "Time", "Time of day", "Runde", "", "x"]
    cells = [
        "Ada",
        "1234567",
        "1",
        "2",
        "16.234",
        "0:16,2",
        "10:32:05",
        "",
        "--",
        "DNF",
        "\x00",
        "🏁",
    ]
    delimiter = chance.choice(",;\t|")
    width = chance.randint(1, 7)
    lines = [delimiter.join(chance.choice(words) for _ in range(width))]
    for _ in range(chance.randint(0, 30)):
        size = width if chance.random() < 0.9 else chance.randint(0, 12)
        lines.append(delimiter.join(chance.choice(cells) for _ in range(size)))
    return "\n".join(lines).encode(chance.choice(["utf-8", "utf-16", "cp1252", "cp932"]), "replace")


def case(chance: random.Random) -> bytes:
    """One file to try."""
    if chance.random() < 0.2:
        return generated(chance)
    variant = chance.choice(VARIANTS)
    return mutate(variant.text.encode(variant.encoding), chance)


def check(data: bytes, folder: Path) -> str:
    """Read the bytes as an export: 'read', or 'refused'. AssertionError where rows are lost."""
    path = folder / "case.csv"
    path.write_bytes(data)
    try:
        export = read_export(path, OPTIONS)
    except UserError as error:
        assert str(error).strip()
        return "refused"
    check_sums(export)
    return "read"


def check_sums(export: Export) -> None:
    """Rows in are rows kept and rows set aside; laps are what the schema says."""
    assert export.rows_in == export.rows_kept + len(export.set_aside)
    assert export.rows_kept >= 0
    assert set(export.set_aside["reason"]) <= CODES
    assert list(export.laps.columns) == LAPS.names
    assert (export.laps["lap"] >= 1).all()
    assert (export.laps["lap_s"] > 0).all() and (export.laps["lap_s"] <= 3600).all()
    assert (export.laps["driver"].str.len() > 0).all()
    if export.understood.layout != "passings":
        assert len(export.laps) == export.rows_kept
    else:
        assert len(export.laps) < export.rows_kept


def main() -> None:
    count, seed = int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1
    chance = random.Random(seed)
    outcomes: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            data = case(chance)
            try:
                outcomes[check(data, Path(folder))] += 1
            except Exception:
                kept = Path(tempfile.gettempdir()) / f"fuzz-{seed}-{number}.csv"
                kept.write_bytes(data)
                print(f"case {number} of seed {seed} failed; its bytes are in {kept}")
                raise
    print(f"{count} cases, seed {seed}: {dict(outcomes)}")


if __name__ == "__main__":
    main()
