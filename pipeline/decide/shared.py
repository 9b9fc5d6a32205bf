"""Sentences about what options share, and about tests: what is asked, never what will come."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.decide.places import Part, Property, where_words
from pipeline.decide.sentences import about, levels_words
from pipeline.tables.cells import Row, count, number, plural, text


def property_sentence(
    rows: Sequence[Row], switch: Row | None, shared: Property, odd: Sequence[str] = ()
) -> str:
    """What one step of a property does at each grip, where it switches, and how far its options
    agree. rows: those of `properties` about the race, one a grip; odd: options that go the other
    way, as labels.
    """
    graded = [row for row in rows if text(row, "grip")] or list(rows)
    effects = ", ".join(_effect(row, first=not i) for i, row in enumerate(graded))
    where = f"; {where_words(switch)}" if switch is not None else ""
    parts = len(shared.positions)
    if parts < 2:
        return f"{shared.label}, one step more: {effects}{where}."
    agree = agreeing(graded, shared)
    others = (
        f"; {' and '.join(odd)} {'goes' if len(odd) == 1 else 'go'} the other way" if odd else ""
    )
    return (
        f"{shared.label}, one step more: {effects}{where}. Shared by {parts} parts, which lend "
        f"each other runs; {agree} of {parts} parts agree{others}."
    )


def agreeing(rows: Sequence[Row], shared: Property) -> int:
    """How many options agree, at the grip at which the property does the most."""
    parts = len(shared.positions)
    most = max(rows, key=lambda row: abs(number(row, "estimate") or 0.0))
    agreement = number(most, "agreement")
    return parts if agreement is None else round(agreement * parts)


def _effect(row: Row, *, first: bool) -> str:
    """'loses about 0.6 s a race at low grip', then 'saves about 0.6 s at medium'."""
    lost = number(row, "estimate") or 0.0
    words = f"{'loses' if lost > 0 else 'saves'} {about(lost)}"
    words = words if first else words.removesuffix(" a race")
    grip = text(row, "grip")
    return words + (f" at {grip}" if grip else "") + (" grip" if first and grip else "")


def question_words(row: Row, part: Part) -> str:
    """'Rear brace, off or on, at low grip: 2 drivers, 4 runs each'."""
    levels = levels_words(text(row, "levels").split(", "), part)
    grip = f"at {text(row, 'grip')} grip" if text(row, "grip") else "at any grip"
    return f"{part.label}, {levels}, {grip}: {question_size(row)}"


def question_size(row: Row) -> str:
    """Who runs how much: '2 drivers, 4 runs each', 'Teo, 6 runs'."""
    drivers, runs = count(row, "drivers"), plural(count(row, "runs"), "run")
    who = text(row, "driver") or plural(drivers, "driver")
    return f"{who}, {runs}" + (" each" if drivers > 1 else "")


def question_sentence(row: Row, part: Part) -> str:
    """The question with what its answer is expected to bring."""
    worth, chance = number(row, "worth_s"), number(row, "chance_to_change")
    if worth is None or chance is None:
        return f"{question_words(row, part)}; what it would bring is not known."
    return (
        f"{question_words(row, part)}; expected to save {about(worth)}, changes the choice in "
        f"{frequency(chance)}."
    )


def frequency(chance: float) -> str:
    """A small chance as '1 of so many': 0.18 is '1 of 6'."""
    if chance > 0.4:
        return "2 of 3" if chance > 0.6 else "1 of 2"
    return f"1 of {round(1 / chance)}" if chance >= 0.01 else "fewer than 1 of 100"
