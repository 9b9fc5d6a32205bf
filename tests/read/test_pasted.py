"""Exports pasted together: each table is read under its own header."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.read import Export, ReadOptions, read_export
from tests.read.corpus import VARIANTS
from tests.read.fuzz import check

OPTIONS = ReadOptions("spring", date="2026-03-28", timezone="Europe/Berlin")
SHORT = "Practice {0}\nDriver,Lap,Lap time\n" + "".join(f"{{1}},{n},16.{n}\n" for n in range(1, 5))
WIDE = "Practice {0}\nHeat,Lap time,Class,Lap,Driver\n" + "".join(
    f"1,17.{n},Touring,{n},{{1}}\n" for n in range(1, 5)
)
HEADLESS = "Practice {0}\n" + "".join(f"1,18.{n},Touring,{n},{{1}}\n" for n in range(1, 5))


def read(text: str, folder: Path) -> Export:
    path = folder / "pasted.csv"
    path.write_text(text)
    return read_export(path, OPTIONS)


@pytest.mark.parametrize(
    "tables",
    [
        [SHORT, WIDE],
        [WIDE, SHORT],
        [SHORT, WIDE, SHORT],
        [WIDE, SHORT, WIDE],
        [SHORT, WIDE, HEADLESS],
        [SHORT, WIDE, HEADLESS, SHORT, WIDE, HEADLESS],
    ],
)
def test_each_table_is_read_under_the_header_before_it(tables: list[str], tmp_path: Path) -> None:
    names = ["Ada", "Bo", "Cy", "Dov", "Eli", "Fay"]
    text = "\n".join(table.format(n, names[n]) for n, table in enumerate(tables))
    export = read(text, tmp_path)
    assert len(export.set_aside) == 0 and export.rows_in == 4 * len(tables)
    seconds = {SHORT: 16, WIDE: 17, HEADLESS: 18}
    for n, table in enumerate(tables):
        own = export.laps[export.laps["session"] == f"Practice {n}"]
        assert set(own["driver"]) == {names[n]}
        assert own["lap_s"].tolist() == [seconds[table] + lap / 10 for lap in range(1, 5)]


@pytest.mark.parametrize("seed", range(4))
def test_any_exports_pasted_together_are_read_or_refused(seed: int, tmp_path: Path) -> None:
    chance = random.Random(seed)
    for _ in range(25):
        parts = [
            chance.choice(VARIANTS).text * chance.choice([1, 1, 1, 3, 20])
            for _ in range(chance.choice([2, 2, 3, 4]))
        ]
        between = chance.choice(["", "\n", "\n\n", "\r\n", " \n"])
        assert check(between.join(parts).encode(), tmp_path) in ("read", "refused")


def test_a_file_is_called_what_it_is_called(tmp_path: Path) -> None:
    """What stops an import is the kind of an error, not a word in its message."""
    from pipeline.errors import AmbiguousError

    path = tmp_path / "ambiguous notes.csv"
    path.write_text("Dear all,\nit was a nice meeting.\n")
    with pytest.raises(UserError) as caught:
        read_export(path, OPTIONS)
    assert not isinstance(caught.value, AmbiguousError)
    path.write_text("Driver;Lap;Rundenzeit;Lap time\n" + "Ada;1;16,1;17,1\nAda;2;16,2;17,2\n" * 2)
    with pytest.raises(AmbiguousError):
        read_export(path, OPTIONS)


def test_a_title_may_name_the_driver_of_each_table(tmp_path: Path) -> None:
    plain = "Driver: {1}\nLap,Lap time\n" + "".join(f"{n},16.{n}\n" for n in range(1, 5))
    more = "Driver: {1}\nLap,Lap time,Class\n" + "".join(f"{n},17.{n},x\n" for n in range(1, 5))
    export = read("\n".join([plain.format(0, "Ada"), more.format(0, "Bo")]), tmp_path)
    seconds = export.laps.groupby("driver")["lap_s"].min().to_dict()
    assert seconds == {"Ada": 16.1, "Bo": 17.1} and export.rows_in == 8
