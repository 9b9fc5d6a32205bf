"""Names survive the code page that a spreadsheet or timing computer wrote them in."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.read import Export, ReadOptions, read_export
from tests.read.heat import heat, rows, seconds

NAMES = [
    ("cp1252", "Name;Runde;Zeit", "Jürgen Böhm", "Änne Groß"),
    ("cp1252", "Nom;Tour;Temps", "Hélène Lefèvre", "Anaïs Forêt"),
    ("cp1252", "Förare;Varv;Varvtid", "Åsa Öst", "Björn Ek"),
    ("cp1252", "Name;Lap;Lap time", "ÖSTERBERG", "ÉTIENNE"),
    ("mac_roman", "Pilote;Tour;Temps au tour", "Jürgen Böhm", "Hélène Quill"),
    ("cp1250", "Kierowca;Okrążenie;Czas okrążenia", "Łukasz Żak", "Święta Ćma"),
    ("cp1251", "Гонщик;Круг;Время круга", "Иван Петров", "Пётр Ильин"),
    ("cp932", "Driver;Lap;Lap time", "峰岸空太", "ミノセ"),
    ("cp932", "ﾄﾞﾗｲﾊﾞｰ;ﾗｯﾌﾟ;ﾗｯﾌﾟﾀｲﾑ", "ホシミネ", "ミノセ"),
    ("euc_jp", "選手名;周;ラップタイム", "峰岸空太", "ミノセ"),
    ("utf-8", "Driver;Lap;Lap time", "Zoë", "そらね"),
    ("utf-8-sig", "Driver;Lap;Lap time", "Zoë", "そらね"),
    ("utf-16", "Driver;Lap;Lap time", "Zoë", "そらね"),
    ("utf-16-le", "Driver;Lap;Lap time", "Zoë", "そらね"),
    ("utf-16-be", "Driver;Lap;Lap time", "Zoë", "そらね"),
]


@pytest.mark.parametrize(("encoding", "header", "first", "second"), NAMES)
def test_names_survive(encoding: str, header: str, first: str, second: str, tmp_path: Path) -> None:
    names = {"Ada Quill": first, "Jürgen Böhm": second}
    text = rows(header, lambda p: [names[p.driver], str(p.number), seconds(",")(p.seconds)])
    export = read(text.encode(encoding), tmp_path)
    assert sorted(set(export.laps["driver"])) == sorted(names.values())
    assert export.rows_kept == len(heat())


def read(data: bytes, folder: Path) -> Export:
    path = folder / "q1.csv"
    path.write_bytes(data)
    return read_export(path, ReadOptions(meeting="spring", date="2026-03-28"))


@pytest.mark.parametrize(
    ("header", "swap"),
    [("Name;Vorname;Runde;Zeit", True), ("Nombre;Apellidos;Vuelta;Tiempo", False)],
)
def test_halves_of_a_name(header: str, swap: bool, tmp_path: Path) -> None:
    def cells(lap):  # type: ignore[no-untyped-def]
        halves = lap.driver.split(" ")
        return [*(halves[::-1] if swap else halves), str(lap.number), seconds()(lap.seconds)]

    export = read(rows(header, cells).encode(), tmp_path)
    assert sorted(set(export.laps["driver"])) == ["Ada Quill", "Jürgen Böhm"]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\r\n\r\n"])
def test_line_ends(end: str, tmp_path: Path) -> None:
    text = rows("Driver;Lap;Lap time", lambda p: [p.driver, str(p.number), seconds()(p.seconds)])
    export = read(text.replace("\n", end).encode(), tmp_path)
    assert export.rows_in == export.rows_kept == 16
