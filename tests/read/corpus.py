"""Export variants, each with what it must give: the same heat, in other words and signs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tests.read.heat import (
    LAPS,
    START,
    crossings,
    grid,
    half_day,
    heat,
    hours,
    minutes,
    passings,
    rows,
    seconds,
)

POINT, COMMA = seconds("."), seconds(",")
NAMES = list(LAPS)
ASCII = ["Ada Quill", "Jurgen Bohm"]
NUMBERS = ["1234567", "7654321"]
DAY = 20_540  # 2026-03-28 in days since 1970


@dataclass(frozen=True)
class Variant:
    """One way of writing the heat. people: who the laps are of, in the order of heat.LAPS.

    first_lap: the first lap stands in the export (in passings it does, as the time between the
    first two). clock: times of day can be told.
    """

    name: str
    text: str
    layout: str
    session: str
    kind: str
    people: list[str] = field(default_factory=lambda: NAMES)
    encoding: str = "utf-8"
    clock: bool = True
    file: str = "export.csv"
    options: Mapping[str, object] = field(default_factory=dict)


def _iso(at: float) -> str:
    return "2026-03-28T" + hours()(at)


def _german(at: float) -> str:
    return "28.03.2026 " + hours(",")(at)


VARIANTS = [
    # -- laps: a row a lap ------------------------------------------------------------------
    Variant(
        "English, comma, point",
        rows(
            "Driver;Transponder;Lap;Lap time;Time of day;Session",
            lambda p: [
                p.driver,
                p.transponder,
                str(p.number),
                POINT(p.seconds),
                hours()(p.at),
                "Qualifying 1",
            ],
            delimiter=",",
        ),
        "laps",
        "Qualifying 1",
        "qualifying",
    ),
    Variant(
        "English, time only, session from the title",
        rows(
            "Name;Lap No.;Time",
            lambda p: [p.driver, str(p.number), POINT(p.seconds)],
            above="Practice 2\n",
            delimiter=",",
        ),
        "laps",
        "Practice 2",
        "practice",
        clock=False,
    ),
    Variant(
        "English, thousandths in the header",
        rows(
            "driver_name;lap_number;lap_time_ms;session_name",
            lambda p: [p.driver, str(p.number), f"{p.seconds * 1000:.0f}", "Final A"],
            delimiter=",",
        ),
        "laps",
        "Final A",
        "final",
        clock=False,
    ),
    Variant(
        "English, am and pm, bars",
        rows(
            "Driver;Car No;Lap;LapTime;Clock;Run",
            lambda p: [
                p.driver,
                "7",
                str(p.number),
                minutes()(p.seconds),
                half_day(p.at),
                "Free practice",
            ],
            delimiter="|",
        ),
        "laps",
        "Free practice",
        "practice",
    ),
    Variant(
        "English, UTF-8 with mark, quoted, Windows line ends",
        rows(
            '"Driver";"Transponder";"Lap";"Lap Time";"Session"',
            lambda p: [
                f'"{p.driver}"',
                f'"{p.transponder}"',
                f'"{p.number}"',
                f'"{POINT(p.seconds)}"',
                '"Heat 3"',
            ],
            delimiter=",",
            end="\r\n",
        ),
        "laps",
        "Heat 3",
        "qualifying",
        encoding="utf-8-sig",
        clock=False,
    ),
    Variant(
        "English, ISO instants with offset",
        rows(
            "competitor;tag;lap;lap seconds;timestamp;session",
            lambda p: [
                p.driver,
                p.transponder,
                str(p.number),
                POINT(p.seconds),
                _iso(p.at) + "+01:00",
                "Race 1",
            ],
            delimiter="\t",
        ),
        "laps",
        "Race 1",
        "final",
    ),
    Variant(
        "German, code page, semicolon, comma",
        rows(
            "Fahrer;Transponder;Runde;Rundenzeit;Uhrzeit;Lauf",
            lambda p: [
                p.driver,
                p.transponder,
                str(p.number),
                COMMA(p.seconds),
                hours(",")(p.at),
                "Vorlauf 2",
            ],
        ),
        "laps",
        "Vorlauf 2",
        "qualifying",
        encoding="cp1252",
    ),
    Variant(
        "German, date and time in one cell, title lines and a footer",
        rows(
            "Startnr.;Name;Rd.;Zeit [s];Datum/Uhrzeit",
            lambda p: ["12", p.driver, str(p.number), COMMA(p.seconds), _german(p.at)],
            above="Veranstaltung: Frühjahrslauf\nLauf: Freies Training 1\n\n",
            below="\nGesamt;;16;;\nGedruckt: 28.03.2026 18:00\n",
        ),
        "laps",
        "Freies Training 1",
        "practice",
        encoding="cp1252",
    ),
    Variant(
        "German, start in a title, lap times only",
        rows(
            "Fahrername;Rundennummer;Rundenzeit (mm:ss,000)",
            lambda p: [p.driver, str(p.number), minutes(",")(p.seconds)],
            above="Endlauf A\nStartzeit 10:32:05\n",
        ),
        "laps",
        "Endlauf A",
        "final",
        encoding="cp1252",
    ),
    Variant(
        "German, first and family name",
        rows(
            "Vorname;Nachname;Runde;Rundenzeit;Sitzung",
            lambda p: [*p.driver.split(" "), str(p.number), COMMA(p.seconds), "Zeittraining"],
        ),
        "laps",
        "Zeittraining",
        "qualifying",
        encoding="utf-16",
        clock=False,
    ),
    Variant(
        "French, semicolon, comma",
        rows(
            "Pilote;N° transpondeur;Tour;Temps au tour;Heure de passage;Séance",
            lambda p: [
                p.driver,
                p.transponder,
                str(p.number),
                COMMA(p.seconds),
                hours(",")(p.at),
                "Essais libres 1",
            ],
        ),
        "laps",
        "Essais libres 1",
        "practice",
        encoding="cp1252",
    ),
    Variant(
        "French, minutes and seconds by their signs",
        rows(
            "Nom du pilote;N° tour;Chrono;Manche",
            lambda p: [p.driver, str(p.number), f"0'{p.seconds:06.3f}".replace(".", '"'), "2"],
            above="Qualification 3\n",
        ),
        "laps",
        "Qualification 3",
        "qualifying",
        encoding="utf-8",
        clock=False,
    ),
    Variant(
        "Spanish, tab",
        rows(
            "Piloto;Transpondedor;Vuelta;Tiempo de vuelta;Hora;Sesión",
            lambda p: [
                p.driver,
                p.transponder,
                str(p.number),
                COMMA(p.seconds),
                hours(",")(p.at),
                "Clasificación 1",
            ],
            delimiter="\t",
        ),
        "laps",
        "Clasificación 1",
        "qualifying",
        encoding="utf-16-le",
    ),
    Variant(
        "Spanish, hours written out, a column of dates",
        rows(
            "Fecha;Hora de paso;Piloto;Nº vuelta;Tiempo vuelta;Tanda",
            lambda p: [
                "28/03/2026",
                hours()(p.at),
                p.driver,
                str(p.number),
                hours()(p.seconds),
                "Entrenamiento 2",
            ],
        ),
        "laps",
        "Entrenamiento 2",
        "practice",
        encoding="cp1252",
    ),
    Variant(
        "Italian, points for colons",
        rows(
            "Pilota;Giro;Tempo giro;Ora;Sessione",
            lambda p: [
                p.driver,
                str(p.number),
                COMMA(p.seconds),
                hours()(p.at)[:8].replace(":", "."),
                "Gara 1",
            ],
        ),
        "laps",
        "Gara 1",
        "final",
        encoding="cp1252",
    ),
    Variant(
        "Dutch, semicolon",
        rows(
            "Rijder;Ronde;Rondetijd;Tijdstip;Sessie",
            lambda p: [
                p.driver,
                str(p.number),
                COMMA(p.seconds),
                hours(",")(p.at),
                "Kwalificatie 1",
            ],
        ),
        "laps",
        "Kwalificatie 1",
        "qualifying",
        encoding="utf-8",
    ),
    Variant(
        "Japanese, code page",
        rows(
            "選手名;ポンダー番号;周回数;ラップタイム;通過時刻;セッション",
            lambda p: [
                p.driver,
                p.transponder,
                str(p.number),
                POINT(p.seconds),
                hours()(p.at),
                "予選1",
            ],
            laps=None,
            delimiter=",",
        )
        .replace("ü", "u")
        .replace("ö", "o"),
        "laps",
        "予選1",
        "qualifying",
        people=ASCII,
        encoding="cp932",
    ),
    Variant(
        "Japanese, full-width digits, units in signs",
        rows(
            "ドライバー;ラップ;周回タイム;開催日",
            lambda p: [
                p.driver,
                str(p.number),
                COMMA(p.seconds).replace(",", "秒"),
                "2026年3月28日",
            ],
            above="練習走行2\nスタート：10:32:05\n",
            delimiter="\t",
        ).translate({ord(str(d)): chr(0xFF10 + d) for d in range(1, 10)}),
        "laps",
        "練習走行2",
        "practice",
        encoding="utf-8",
    ),
    Variant(
        "without a header, told by its cells",
        rows(
            "",
            lambda p: [p.driver, str(p.number), POINT(p.seconds), hours()(p.at)],
            delimiter=",",
        ),
        "laps",
        "q2",
        "qualifying",
        file="q2.csv",
    ),
    Variant(
        "transponders only, in order of time",
        rows(
            "Transponder;Lap;Lap time;Time of day",
            lambda p: [p.transponder, str(p.number), POINT(p.seconds), hours()(p.at)],
            laps=sorted(heat(), key=lambda p: p.at),
            delimiter=",",
        ),
        "laps",
        "practice_3",
        "practice",
        people=NUMBERS,
        file="practice_3.csv",
    ),
    Variant(
        "laps from the last to the first",
        rows(
            "Driver;Lap;Lap time;Time of day;Session",
            lambda p: [p.driver, str(p.number), POINT(p.seconds), hours()(p.at), "Practice 1"],
            laps=sorted(heat(), key=lambda p: -p.at),
            delimiter=",",
        ),
        "laps",
        "Practice 1",
        "practice",
    ),
    Variant(
        "laps by their start",
        rows(
            "Driver;Lap;Lap time;Time of day;Session",
            lambda p: [p.driver, str(p.number), POINT(p.seconds), hours()(p.at), "Practice 1"],
            laps=sorted(heat(), key=lambda p: p.at - p.seconds),
            delimiter=",",
        ),
        "laps",
        "Practice 1",
        "practice",
    ),
    Variant(
        "laps by position",
        rows(
            "Driver;Lap;Lap time;Time of day",
            lambda p: [p.driver, str(p.number), POINT(p.seconds), hours()(p.at)],
            laps=sorted(heat(), key=lambda p: (p.number, p.at)),
            above="Qualifying 2\n",
        ),
        "laps",
        "Qualifying 2",
        "qualifying",
    ),
    Variant(
        "laps in no order",
        rows(
            "Fahrer;Runde;Rundenzeit;Uhrzeit",
            lambda p: [p.driver, str(p.number), COMMA(p.seconds), hours(",")(p.at)],
            laps=sorted(heat(), key=lambda p: p.at * 7919 % 1),
            above="Endlauf\n",
        ),
        "laps",
        "Endlauf",
        "final",
    ),
    Variant(
        "durations in three forms in one column",
        rows(
            "Driver;Lap;Lap time;Session",
            lambda p: [
                p.driver,
                str(p.number),
                (POINT, minutes(","), hours("."))[p.number % 3](p.seconds),
                "Practice 1",
            ],
        ),
        "laps",
        "Practice 1",
        "practice",
        clock=False,
    ),
    Variant(
        "seconds as fractions of a day",
        rows(
            "Driver;Lap;Lap time;Session",
            lambda p: [p.driver, str(p.number), f"{p.seconds / 86400:.12f}", "Practice 1"],
            delimiter="\t",
        ),
        "laps",
        "Practice 1",
        "practice",
        clock=False,
    ),
    Variant(
        "elapsed times instead of lap times",
        rows(
            "Driver;Lap;Elapsed time;Session",
            lambda p: [p.driver, str(p.number), minutes()(p.elapsed), "Final B"],
            delimiter=",",
        ),
        "laps",
        "Final B",
        "final",
        clock=False,
    ),
    Variant(
        "a section a driver",
        rows(
            "Lap;Lap time",
            lambda p: [str(p.number), POINT(p.seconds)],
            laps=heat()[:8],
            above="Session: Qualifying 4\nStart: 10:32:05\nDriver: Ada Quill\n",
            delimiter=",",
        )
        + "\n"
        + rows(
            "Lap;Lap time",
            lambda p: [str(p.number), POINT(p.seconds)],
            laps=heat()[8:],
            above="Driver: Jürgen Böhm\n",
            delimiter=",",
        ),
        "laps",
        "Qualifying 4",
        "qualifying",
    ),
    Variant(
        "round and heat in columns",
        rows(
            "Session;Round;Heat;Class;Driver;Lap;Lap time",
            lambda p: [
                "Qualifying",
                "2",
                "3",
                "Touring",
                p.driver,
                str(p.number),
                POINT(p.seconds),
            ],
            delimiter=",",
        ),
        "laps",
        "Qualifying 2",
        "qualifying",
        clock=False,
    ),
    Variant(
        "columns nobody knows, named by --map",
        rows(
            "wer;wievielte;wie lang;wann",
            lambda p: [p.driver, str(p.number), COMMA(p.seconds), hours(",")(p.at)],
        ),
        "laps",
        "Run 5",
        "practice",
        options={
            "mapping": {"driver": "wer", "lap": "wievielte", "lap_s": "wie lang", "at": "wann"},
            "session": "Run 5",
        },
    ),
    # -- passings: a row a crossing of the line ---------------------------------------------
    Variant(
        "English passings, tab, comment",
        crossings(
            "Time of day;Transponder",
            lambda at, p: [hours()(at), p.transponder],
            above="# passings at the line\n",
        ),
        "passings",
        "practice 1",
        "practice",
        people=NUMBERS,
        file="practice 1.txt",
    ),
    Variant(
        "English passings, names and columns that no field claims",
        crossings(
            "No;Transponder;Driver;Passing time;Lane;Tyres",
            lambda at, p: ["1", p.transponder, p.driver, hours()(at), "2", "4"],
            above="Heat 2\n",
            delimiter=",",
        ),
        "passings",
        "Heat 2",
        "qualifying",
    ),
    Variant(
        "passings as seconds since 1970",
        crossings(
            "tag;timestamp",
            lambda at, p: [p.transponder, f"{DAY * 86400 + at - 3600:.3f}"],
            delimiter=",",
        ),
        "passings",
        "final_a",
        "final",
        people=NUMBERS,
        file="final_a.csv",
    ),
    Variant(
        "passings as milliseconds since 1970",
        crossings(
            "Transponder;UTC;Session",
            lambda at, p: [p.transponder, f"{(DAY * 86400 + at - 3600) * 1000:.0f}", "Test 1"],
            delimiter=",",
        ),
        "passings",
        "Test 1",
        "test",
        people=NUMBERS,
    ),
    Variant(
        "passings as elapsed time",
        crossings(
            "Transponder;Elapsed;Session",
            lambda at, p: [p.transponder, minutes()(at - START), "Race 2"],
            delimiter=",",
        ),
        "passings",
        "Race 2",
        "final",
        people=NUMBERS,
        clock=False,
    ),
    Variant(
        "German passings, code page",
        crossings(
            "Uhrzeit;Transpondernummer;Fahrer",
            lambda at, p: [hours(",")(at), p.transponder, p.driver],
            above="Vorlauf 3\n",
            delimiter=";",
        ),
        "passings",
        "Vorlauf 3",
        "qualifying",
        encoding="cp1252",
    ),
    Variant(
        "French passings, UTF-16",
        crossings(
            "Puce;Heure;Séance",
            lambda at, p: [p.transponder, hours(",")(at), "Essais 3"],
        ),
        "passings",
        "Essais 3",
        "practice",
        people=NUMBERS,
        encoding="utf-16",
    ),
    Variant(
        "Spanish passings, newest first",
        "Hora;Transmisor\n"
        + "".join(f"{hours(',')(at)};{p.transponder}\n" for at, p in reversed(passings(heat()))),
        "passings",
        "carrera 1",
        "final",
        people=NUMBERS,
        file="carrera 1.csv",
    ),
    Variant(
        "Japanese passings, code page",
        crossings(
            "通過時刻;トランスポンダー",
            lambda at, p: [hours()(at), p.transponder],
            above="決勝 第1ヒート\n",
            delimiter=",",
        ),
        "passings",
        "決勝 第1ヒート",
        "final",
        people=NUMBERS,
        encoding="euc_jp",
    ),
    Variant(
        "passings without a header",
        crossings("", lambda at, p: [p.transponder, hours()(at)], delimiter=";"),
        "passings",
        "practice_2",
        "practice",
        people=NUMBERS,
        file="practice_2.csv",
    ),
    Variant(
        "passings in no order",
        "Time of day;Transponder\n"
        + "".join(
            f"{hours()(at)};{p.transponder}\n"
            for at, p in sorted(passings(heat()), key=lambda item: item[0] * 7919 % 1)
        ),
        "passings",
        "practice_4",
        "practice",
        people=NUMBERS,
        file="practice_4.csv",
    ),
    Variant(
        "passings by car",
        crossings(
            "Transponder;Date;Clock time",
            lambda at, p: [p.transponder, "2026-03-28", hours()(at)],
            delimiter=",",
        ),
        "passings",
        "q4",
        "qualifying",
        people=NUMBERS,
        file="q4.csv",
    ),
    # -- grid: a column a car ---------------------------------------------------------------
    Variant(
        "English grid, UTF-16, start line",
        grid("Lap", NAMES, POINT, above="Qualifying 2\nStart: 10:32:05\n", delimiter="\t"),
        "grid",
        "Qualifying 2",
        "qualifying",
        encoding="utf-16",
    ),
    Variant(
        "English grid, empty corner, summary below",
        grid(
            "",
            NAMES,
            minutes(),
            above="Main A\n",
            below="Laps,8,8\nTotal,2:11.755,2:14.446\nBest,16.187,16.487\n",
        ),
        "grid",
        "Main A",
        "final",
        clock=False,
    ),
    Variant(
        "grid of transponders",
        grid("Lap", NUMBERS, POINT, above="Practice 3\n"),
        "grid",
        "Practice 3",
        "practice",
        people=NUMBERS,
        clock=False,
    ),
    Variant(
        "grid with names and transponders in one cell",
        grid(
            "Lap no.", ["Ada Quill (1234567)", "Jürgen Böhm (7654321)"], POINT, above="Practice 4\n"
        ),
        "grid",
        "Practice 4",
        "practice",
        clock=False,
    ),
    Variant(
        "grid with a row of transponders under the names",
        grid("Driver", NAMES, POINT, above="Heat 7\n").replace(
            "\n1,", "\nTransponder,1234567,7654321\n1,", 1
        ),
        "grid",
        "Heat 7",
        "qualifying",
        clock=False,
    ),
    Variant(
        "grid with a row a car",
        "Qualifying 6\nDriver;1;2;3;4;5;6;7;8\n"
        + "".join(";".join([d, *map(COMMA, times)]) + "\n" for d, times in LAPS.items()),
        "grid",
        "Qualifying 6",
        "qualifying",
        clock=False,
    ),
    Variant(
        "German grid, code page",
        grid(
            "Runde",
            NAMES,
            COMMA,
            above="Vorlauf 1\nStart;10:32:05\n",
            delimiter=";",
            below="Schnitt;16,5;16,9\n",
        ),
        "grid",
        "Vorlauf 1",
        "qualifying",
        encoding="cp1252",
    ),
    Variant(
        "French grid",
        grid(
            "Tour",
            NAMES,
            COMMA,
            above="Finale B\nHeure de départ : 10:32:05\n",
            delimiter=";",
            count=lambda n: f"Tour {n}",
        ),
        "grid",
        "Finale B",
        "final",
        encoding="utf-8",
    ),
    Variant(
        "Spanish grid",
        grid(
            "Vuelta", NAMES, COMMA, above="Entrenos 1\nHora de salida: 10:32:05\n", delimiter="\t"
        ),
        "grid",
        "Entrenos 1",
        "practice",
        encoding="utf-16-be",
    ),
    Variant(
        "Japanese grid",
        grid("周", ["Ada Quill", "Jurgen Bohm"], POINT, above="予選2\n開始時刻 10:32:05\n"),
        "grid",
        "予選2",
        "qualifying",
        people=ASCII,
        encoding="cp932",
    ),
]
