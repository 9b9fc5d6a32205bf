"""Pieces of inline SVG for the pictures of the first screen; classes are those of fit.css."""

from __future__ import annotations

from collections.abc import Iterable

from markupsafe import escape

from pipeline.report.words import printable

LETTER = 6.5  # mean width of a letter at the pictures' 12.5 px
WIDTH = 328.0


def number_of(value: float) -> str:
    """A coordinate to a tenth."""
    return f"{value:.1f}".removesuffix(".0").replace("-0", "0") if abs(value) < 0.05 else (
        f"{value:.1f}".removesuffix(".0")
    )  # fmt: skip


def points_of(places: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{number_of(x)},{number_of(y)}" for x, y in places)


def polygon(places: Iterable[tuple[float, float]], look: str) -> str:
    return f'<polygon class="{look}" points="{points_of(places)}"/>'


def polyline(places: Iterable[tuple[float, float]], look: str) -> str:
    return f'<polyline class="{look}" points="{points_of(places)}"/>'


def path(line: str, look: str) -> str:
    return f'<path class="{look}" d="{line}"/>'


def rect(x: float, y: float, width: float, height: float, look: str) -> str:
    numbers = (number_of(v) for v in (x, y, max(width, 0.0), height))
    return '<rect class="{}" x="{}" y="{}" width="{}" height="{}"/>'.format(look, *numbers)


def dot(x: float, y: float, look: str = "dot") -> str:
    return f'<circle class="{look}" cx="{number_of(x)}" cy="{number_of(y)}" r="5"/>'


def diamond(x: float, y: float, look: str = "di") -> str:
    return path(f"M{number_of(x - 6)} {number_of(y)}l6 -6 6 6 -6 6z", look)


def words(x: float, y: float, text: str, look: str = "", *, middle: bool = False) -> str:
    """A text; in the middle it is moved so far that it stays in the picture."""
    if middle:
        half = LETTER * len(text) / 2
        x = min(max(x, half), WIDTH - half)
        look = f"m {look}".strip()
    named = f' class="{look}"' if look else ""
    return f'<text{named} x="{number_of(x)}" y="{number_of(y)}">{plain(text)}</text>'


def plain(text: str) -> str:
    """Any text as characters of the picture."""
    return str(escape(printable(text)))


def cut(text: str, most: int) -> str:
    """So many letters at most."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def upright(x: float, low: float, high: float, look: str = "he") -> str:
    return path(f"M{number_of(x)} {number_of(low)}V{number_of(high)}", look)


def whisker(left: float, right: float, y: float, *, open_left: bool, open_right: bool) -> str:
    """An interval: a bar with ends, dashed and with an arrow where it is open."""
    look = "wh da" if open_left or open_right else "wh"
    parts = [path(f"M{number_of(left)} {number_of(y)}H{number_of(right)}", look)]
    for x, is_open, back in ((left, open_left, 5), (right, open_right, -5)):
        end = f"M{number_of(x + back)} {number_of(y - 4)}L{number_of(x)} {number_of(y)}"
        end += f"L{number_of(x + back)} {number_of(y + 4)}"
        stop = f"M{number_of(x)} {number_of(y - 5)}V{number_of(y + 5)}"
        parts.append(path(end if is_open else stop, "wh"))
    return "".join(parts)


def picture(key: str, title: str, about: str, height: float, inside: Iterable[str]) -> str:
    """The picture with its text alternative."""
    return (
        f'<svg class="pic" viewBox="0 0 {WIDTH:g} {height:g}" role="img" '
        f'aria-labelledby="{key}-t {key}-d"><title id="{key}-t">{plain(title)}</title>'
        f'<desc id="{key}-d">{plain(about)}</desc>{"".join(inside)}</svg>'
    )
