"""One invented heat, written in as many ways as timing exports are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

LAPS = {
    "Ada Quill": [17.912, 16.234, 16.198, 16.305, 16.251, 16.187, 16.402, 16.266],
    "Jürgen Böhm": [18.330, 16.521, 16.603, 16.487, 16.940, 16.555, 16.512, 16.498],
}
TRANSPONDERS = {"Ada Quill": "1234567", "Jürgen Böhm": "7654321"}
START = 10 * 3600 + 32 * 60 + 5.0


@dataclass(frozen=True)
class Lap:
    """One lap of the heat; at: seconds since midnight; elapsed: since the start."""

    driver: str
    transponder: str
    number: int
    seconds: float
    at: float
    elapsed: float


def heat(laps: dict[str, list[float]] | None = None, start: float = START) -> list[Lap]:
    """The laps of the heat, car by car."""
    out = []
    for driver, times in (laps or LAPS).items():
        elapsed = 0.0
        for number, seconds in enumerate(times, 1):
            elapsed += seconds
            out.append(Lap(driver, TRANSPONDERS[driver], number, seconds, start + elapsed, elapsed))
    return out


def passings(laps: list[Lap]) -> list[tuple[float, Lap]]:
    """All crossings of the line in order of time: each car's first one opens its run."""
    crossed = [(lap.at, lap) for lap in laps]
    crossed += [(lap.at - lap.seconds, lap) for lap in laps if lap.number == 1]
    return sorted(crossed, key=lambda item: item[0])


def seconds(mark: str = ".") -> Callable[[float], str]:
    """16.234"""
    return lambda value: f"{value:.3f}".replace(".", mark)


def minutes(mark: str = ".", colon: str = ":") -> Callable[[float], str]:
    """0:16.234"""
    return lambda v: f"{int(v // 60)}{colon}{v % 60:06.3f}".replace(".", mark)


def hours(mark: str = ".") -> Callable[[float], str]:
    """00:00:16.234, and 10:32:21.234 for a time of day"""
    return lambda v: f"{int(v // 3600):02d}:{int(v % 3600 // 60):02d}:{v % 60:06.3f}".replace(
        ".", mark
    )


def half_day(value: float) -> str:
    """10:32:21.234 AM"""
    hour = int(value // 3600)
    rest = f"{int(value % 3600 // 60):02d}:{value % 60:06.3f}"
    return f"{(hour - 1) % 12 + 1}:{rest} {'AM' if hour < 12 else 'PM'}"


def rows(
    header: str,
    cells: Callable[[Lap], list[str]],
    above: str = "",
    below: str = "",
    laps: list[Lap] | None = None,
    delimiter: str = ";",
    end: str = "\n",
) -> str:
    """An export of the layout laps; header and cells apart by the delimiter."""
    lines = [delimiter.join(cells(lap)) for lap in laps or heat()]
    head = [header.replace(";", delimiter)] if header else []
    text = [*above.splitlines(), *head, *lines, *below.splitlines()]
    return end.join(text) + end


def crossings(
    header: str,
    cells: Callable[[float, Lap], list[str]],
    above: str = "",
    below: str = "",
    laps: list[Lap] | None = None,
    delimiter: str = "\t",
) -> str:
    """An export of the layout passings."""
    lines = [delimiter.join(cells(at, lap)) for at, lap in passings(laps or heat())]
    head = [header.replace(";", delimiter)] if header else []
    return "\n".join([*above.splitlines(), *head, *lines, *below.splitlines()]) + "\n"


def grid(
    corner: str,
    names: list[str],
    time: Callable[[float], str],
    above: str = "",
    below: str = "",
    delimiter: str = ",",
    count: Callable[[int], str] = str,
    laps: dict[str, list[float]] | None = None,
) -> str:
    """An export of the layout grid."""
    columns = list((laps or LAPS).values())
    lines = [delimiter.join([corner, *names])]
    for number in range(max(len(column) for column in columns)):
        cells = [time(c[number]) if number < len(c) else "" for c in columns]
        lines.append(delimiter.join([count(number + 1), *cells]))
    return "\n".join([*above.splitlines(), *lines, *below.splitlines()]) + "\n"
