"""The data of the first screen: what to fit at each grip and for each driver, and why."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Pick:
    """A button of the grip bar or the driver picker. key: id of its input, class of its states."""

    key: str
    label: str
    spoken: str


@dataclass(frozen=True)
class Line:
    """A line of the short list: the part, what to fit, what it saves, how often that is right, and
    what it saves by this season alone, where others spoke too."""

    target: str
    label: str
    level: str
    instead: str
    saves: str
    right: str
    taper: str = ""
    upright: str = ""
    alone: str = ""


@dataclass(frozen=True)
class Names:
    """Parts by name alone under a word: 'Keep: ...'. links: (name, target or '')."""

    word: str
    links: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class ShortList:
    """The answer of one state. states: classes of the grip and the driver it belongs to."""

    states: str
    heading: str
    fit: tuple[Line, ...]
    tries: tuple[Line, ...]
    rest: tuple[Names, ...]
    notes: tuple[str, ...] = ()
    grip: str = ""


@dataclass(frozen=True)
class Sentence:
    """One sentence of a part, with the states in which it is shown, and who is meant if another."""

    states: str
    spoken: str
    kind: str
    word: str
    head: str
    tail: str
    differs: str = ""
    aside: bool = False


@dataclass(frozen=True)
class Reason:
    """A row of the fold: the grip, the seconds saved with their interval, and what they rest on."""

    where: str
    strong: str
    rest: str
    states: str = ""


@dataclass(frozen=True)
class PartView:
    """One part: its sentences, its picture (inline SVG), the fold with the numbers."""

    key: str
    label: str
    told: tuple[Sentence, ...]
    picture: str = ""
    why: str = ""
    reasons: tuple[Reason, ...] = ()
    closing: str = ""
    more: tuple[str, ...] = ()
    care: str = ""


@dataclass(frozen=True)
class Block:
    """Parts that share a property, under its sentence and taper; or a part by itself."""

    parts: tuple[PartView, ...]
    said: str = ""
    strong: str = ""
    taper: str = ""
    ends: tuple[str, str] = ("", "")


@dataclass(frozen=True)
class Question:
    """A line of what to test next."""

    label: str
    rest: str
    worth: str
    changes: str


@dataclass(frozen=True)
class Screen:
    """The whole first screen. caption: what the figures of the short list are. rules:
    the style that shows the chosen state alone. symbols: the tapers, as SVG. on_now: what
    the one driver's car had on last. apart: factors in which that driver differs from the team.
    """

    grips: tuple[Pick, ...]
    drivers: tuple[Pick, ...]
    grip: str
    driver: str
    lists: tuple[ShortList, ...]
    blocks: tuple[Block, ...]
    questions: tuple[Question, ...]
    cannot: tuple[tuple[str, str], ...]
    moved: tuple[tuple[str, str], ...]
    caption: str
    reading: tuple[str, ...]
    care: str = ""
    on_now: tuple[tuple[str, str], ...] = ()
    apart: tuple[str, ...] = ()
    without_tests: str = ""
    symbols: str = ""
    rules: str = ""
    axis: tuple[str, ...] = ()
