"""A row of a decision's tables as a sentence: each slot reads its own columns and no others.

Direction comes from `level` alone, certainty from `chance_best`, amounts from the gains, the place
of a switch from `switchovers`; so two sentences about one question cannot contradict each other.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.decide.places import Part, best_words, place_of, where_words
from pipeline.tables.cells import Row, count, number, plural, text
from pipeline.tables.schema import missing

# Below this chance a choice is one to try in practice first, and so it is where it rests on few
# data: the next driver or meeting may be unlike the one that was seen.
LEAST_CHANCE = 0.75
ADVICE_WORDS = {"fit": "Fit", "try": "Try in practice", "keep": "Keep", "either": "Either"}
CANNOT = "Cannot be told"
# Least chance -> (as a frequency, in words); below 0.75 and a little above a wrong choice is
# common enough that its price is said.
ODDS = (
    (0.95, "19 of 20", "right in 19 of 20 such choices or more (almost surely)"),
    (0.85, "9 of 10", "right in about 9 of 10 such choices (very likely)"),
    (0.75, "4 of 5", "right in about 4 of 5 such choices (likely)"),
    (0.60, "2 of 3", "right in about 2 of 3 such choices (more likely than not)"),
    (0.45, "1 of 2", "right in about 1 of 2 such choices (a coin toss)"),
    (0.00, "1 of 3", "right in about 1 of 3 such choices (a guess, yet the best of {levels})"),
)
PRICED_BELOW = 0.85


@dataclass(frozen=True)
class Said:
    """A sentence in its slots; an empty slot takes its semicolon along. kind: the advice, or
    'cannot'; prefers: a level is preferred, so that a frequency stands there.
    """

    kind: str
    head: str
    odds: str = ""
    few: str = ""
    switch: str = ""
    felt: str = ""

    @property
    def word(self) -> str:
        return ADVICE_WORDS.get(self.kind, CANNOT)

    @property
    def prefers(self) -> bool:
        return bool(self.odds)

    @property
    def tail(self) -> str:
        """All behind the head, with its semicolons and the full stop."""
        return "".join(f"; {slot}" for slot in self._slots if slot) + "."

    @property
    def _slots(self) -> tuple[str, ...]:
        return self.odds, self.few, self.switch, self.felt

    @property
    def text(self) -> str:
        return f"{self.word}: {self.head}{self.tail}"


def sentence(row: Row, switch: Row | None = None, **more: Any) -> str:
    """The sentence of a row of `choices`; see `said`."""
    return said(row, switch, **more).text


def said(
    row: Row,
    switch: Row | None = None,
    *,
    part: Part,
    others: Sequence[Row] = (),
    best: Row | None = None,
    above: str = "",
    everywhere: bool = False,
    own: bool = False,
    worth_changing_s: float = 0.1,
    felt: str = "",
) -> Said:
    """The sentence of the row of `choices` on which the advice stands, or that has a `reason`.

    switch: its row of `switchovers`. others: the other rows of its situation. best: its row of
    `best_values`. above: the level that is the faster above the switch-over. everywhere: the
    advice is 'either' at every grip that was run. own: a driver's own estimate, of which the
    team's switch-over says nothing. felt: which level felt better, said where either will do.
    """
    kind = text(row, "advice")
    if not kind:
        return Said("cannot", text(row, "reason").rstrip(".") or "these laps do not tell")
    rows = {str(other["level"]): other for other in (row, *others)}
    now = text(row, "present") or part.reference
    against = now if row["level"] != now else text(row, "other")
    where = "" if own else _where(row, against, switch, best, part, len(rows), above)
    if kind == "either":
        inside = part.is_number or (switch is not None and place_of(switch) == "inside")
        so = "so at every grip that was run" if everywhere else ""
        return Said(
            kind, _either(row, rows, part), switch=where if inside and where else so, felt=felt
        )
    if kind == "keep":
        return _keep(row, now, rows, part, where, worth_changing_s)
    few = few_words(row, rows.get(now))
    return Said(kind, _change(row, now, part), odds_words(row, len(rows)), few, where)


def _keep(
    row: Row, now: str, rows: Mapping[str, Row], part: Part, where: str, worth_changing_s: float
) -> Said:
    """What is on, since it is the best, or since no other is worth the change."""
    rival = rows.get(text(row, "other"))
    few, gap = few_words(row, rival), _gap(row, rival, part)
    if row["level"] != now or gap is None or gap < worth_changing_s:
        worth = f"no change is worth {worth_changing_s:g} s a race here, by what is known"
        return Said("keep", f"{part.level(now)}; {worth}", few=few, switch=where)
    head = f"{part.level(now)}; {part.level(row['other'])} would lose {about(gap)}"
    return Said("keep", head, odds_words(row, len(rows)), few, where)


def _change(row: Row, now: str, part: Part) -> str:
    """'stiff, not soft; saves about 0.7 s a race'."""
    verb = "saves" if row["advice"] == "fit" else "may save"
    level = part.level(row["level"])
    if text(row, "driver") and not text(row, "present"):
        gain = f"{verb} {about(number(row, 'gain_s'))} against {part.level(part.reference)}"
        return f"{level}, if it is not on; {gain}"
    gained = number(row, "gain_present_s")
    gained = number(row, "gain_s") if gained is None else gained
    return f"{level}, not {part.level(now)}; {verb} {about(gained)}"


def _either(row: Row, rows: Mapping[str, Row], part: Part) -> str:
    gaps = [_furthest(row, other, part) for other in rows.values() if other is not row]
    apart = math.ceil(round(max(gaps, default=0.0) * 10, 6)) / 10
    return (
        f"{levels_words(list(rows), part)}, keep what is on; less than {apart:.1f} s a race apart"
    )


def levels_words(levels: Sequence[str], part: Part) -> str:
    """'steel or alloy', '1.3 or 1.4 mm', 'any value from 350 to 600 cSt'."""
    levels = sorted(levels, key=lambda level: level != part.reference)
    if part.is_number:
        values = sorted(levels, key=float)
        if len(values) > 2:
            return f"any value from {values[0]} to {part.level(values[-1])}"
        levels = values
    first = ", ".join(levels[:-1])
    return part.level(f"{first} or {levels[-1]}" if first else levels[-1])


def _furthest(row: Row, other: Row, part: Part) -> float:
    """How far apart two levels may be, s over a race: the ends of the 95 % interval.

    Where neither is the reference the intervals of both are put together as if independent; they
    share the reference, so that this is rather too wide.
    """
    gap = abs((number(row, "gain_s") or 0.0) - (number(other, "gain_s") or 0.0))
    halves = [
        ((number(r, "gain_high") or 0.0) - (number(r, "gain_low") or 0.0)) / 2
        for r in (row, other)
        if r["level"] != part.reference
    ]
    return gap + math.hypot(*halves)


def _gap(row: Row, rival: Row | None, part: Part) -> float | None:
    """Seconds over a race by which the row's level is ahead of the rival's."""
    ahead = number(row, "gain_s")
    if rival is None:
        return ahead if text(row, "other") == part.reference else None
    behind = number(rival, "gain_s")
    return None if ahead is None or behind is None else ahead - behind


def about(seconds: float | None) -> str:
    """'about 0.7 s a race'."""
    rounded = f"{abs(seconds or 0.0):.1f}"
    return f"about {rounded} s a race" if float(rounded) else "less than 0.1 s a race"


def short_seconds(seconds: float) -> str:
    """The same in the short list: '0.7 s', 'under 0.1 s'."""
    words = about(seconds).removesuffix(" a race")
    return words.removeprefix("about ").replace("less than", "under")


def _odds(chance: float) -> tuple[str, str]:
    return next((short, words) for least, short, words in ODDS if chance >= least)


def odds_short(chance: float) -> str:
    """The chance as a frequency: '9 of 10'."""
    return _odds(chance)[0]


def odds_words(row: Row, levels: int) -> str:
    """How often such a choice is right, and where that is not often what a wrong one costs."""
    chance = number(row, "chance_best")
    if chance is None:
        return ""
    words = _odds(chance)[1].format(levels=levels)
    loss = number(row, "loss_s")
    if chance >= PRICED_BELOW or loss is None:
        return words
    return f"{words}, when wrong it costs {about(loss / (1 - chance)).removesuffix(' a race')}"


def few_words(row: Row, against: Row | None = None) -> str:
    """'few data: 7 runs, 1 driver, 1 meeting, none at low grip', of the scarcer of the two."""
    scarce = min(filter(None, (row, against)), key=lambda r: number(r, "n_runs") or 0.0)
    if not is_few(scarce):
        return ""
    if missing(scarce.get("n_runs")):  # a file that goes to one driver has no counts of the team's
        return f"few data{_none_here(scarce)}"
    runs, drivers, meetings = (count(scarce, f"n_{n}") for n in ("runs", "drivers", "meetings"))
    words = f"few data: {plural(runs, 'run')}, {plural(drivers, 'driver')}, "
    return words + plural(meetings, "meeting") + _none_here(scarce)


def fit_or_try(row: Row) -> str:
    """Of a level that is worth changing to. row: of `choices`."""
    chance = number(row, "chance_best") or 0.0
    return "try" if chance < LEAST_CHANCE or is_few(row) else "fit"


def is_few(row: Row) -> bool:
    """Fewer than two drivers or two meetings, or none at this grip and surface."""
    return count(row, "n_drivers") < 2 or count(row, "n_meetings") < 2 or bool(_none_here(row))


def _none_here(row: Row) -> str:
    grip, surface = text(row, "grip"), text(row, "surface")
    if not (grip or surface) or missing(row.get("n_here")) or count(row, "n_here"):
        return ""
    return ", none" + (f" at {grip} grip" if grip else "") + (f" on {surface}" if surface else "")


def _where(
    row: Row,
    against: str,
    switch: Row | None,
    best: Row | None,
    part: Part,
    levels: int,
    above: str,
) -> str:
    """Where it switches; of a number, where the best lies."""
    if part.is_number:
        return best_words(best, part)
    pair = set() if switch is None else {str(switch["level"]), str(switch["reference"])}
    if switch is None or (levels > 2 and pair != {str(row["level"]), against}):
        return ""  # it would speak of two levels of which the sentence does not
    below = "".join(pair - {above})
    sides = f": {part.level(below)} below, {part.level(above)} above" if above in pair else ""
    return where_words(switch, sides)
