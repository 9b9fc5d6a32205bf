"""What the team can change on the car (factors), what drivers score (feels), what it believes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property, lru_cache

_QUANTITY = re.compile(r"([+-]?\d+(?:[.,]\d+)?|[+-]?[.,]\d+)\s*([^\d.,\s][^\d]*)?")
_REFERENCE_WORDS = ("std", "standard", "ref", "reference")


def quantity(text: str) -> tuple[float, str] | None:
    """'1,30 mm' as (1.3, 'mm'); None where the text is no number with at most a unit."""
    match = _QUANTITY.fullmatch(text.strip().replace("−", "-"))
    if not match:
        return None
    return float(match[1].replace(",", ".")), _plain(match[2] or "")


def without_group(text: str) -> float | None:
    """5000 for '5.000' and '5,000 mm': the number if its mark may part groups, else None."""
    match = _QUANTITY.fullmatch(text.strip())
    grouped = match and re.fullmatch(r"([+-]?[1-9]\d{0,2})[.,](\d{3})", match[1])
    return float(grouped[1] + grouped[2]) if grouped else None


def number_text(value: float) -> str:
    """A number as it is written in every table of settings: 1.30 is `1.3`."""
    return f"{value + 0.0:.10g}"


@lru_cache(maxsize=100_000)
def _plain(text: str) -> str:
    return " ".join(text.casefold().split())


@dataclass(frozen=True)
class Factor:
    """A thing that is set on the car. `levels` in their order; a number may have none.

    step: of a number, one usual change; None: what the runs show. property: what it does beside
    other factors, '' for nothing; positions: of its levels on that, or, of a number, per_step.
    reference_text: the reference as team.toml writes it, where that is text. renewed: ISO day
    since which another part goes under the name, or ''.
    """

    name: str
    label: str
    kind: str
    levels: tuple[str, ...] = ()
    reference: str = ""
    unit: str = ""
    step: float | None = None
    property: str = ""
    positions: tuple[tuple[str, float], ...] = ()
    per_step: float | None = None
    reference_text: str = ""
    renewed: str = ""

    def read(self, text: str) -> str | None:
        """The level (or number) that a person means by `text`; None if it is none of them.

        Case, outer space, decimal comma, trailing zeros, the factor's own unit and words for the
        reference (`std`) do not matter.
        """
        plain = _plain(text)
        if plain in self._by_text:
            return self._by_text[plain]
        if plain in _REFERENCE_WORDS:
            return self.reference or None
        found = quantity(text)
        if found is None or found[1] not in ("", self._unit):
            return None
        if self.kind == "number":
            return number_text(found[0])
        return self._by_number.get(number_text(found[0]))

    def expected(self) -> str:
        """What may stand in a setup log, in words."""
        if self.kind == "number":
            return f"a number{f' in {self.unit}' if self.unit else ''}"
        return f"one of {', '.join(self.levels)}{f' ({self.unit})' if self.unit else ''}"

    def doubled(self) -> list[str]:
        """Levels that a reader of the log could not tell from one before them."""
        keys = [self._numeric(level) or _plain(level) for level in self.levels]
        return [level for place, level in enumerate(self.levels) if keys[place] in keys[:place]]

    @cached_property
    def _unit(self) -> str:
        """The unit that may stand behind a number: the factor's, else the one of all levels."""
        found = {(quantity(level) or (0, ""))[1] for level in self.levels}
        return _plain(self.unit) or (found.pop() if len(found) == 1 else "")

    @cached_property
    def _by_text(self) -> dict[str, str]:
        return {} if self.kind == "number" else {_plain(level): level for level in self.levels}

    @cached_property
    def _by_number(self) -> dict[str, str]:
        return {self._numeric(level): level for level in self.levels if self._numeric(level)}

    def _numeric(self, level: str) -> str:
        """'1.30 mm' as '1.3' where mm is the unit; '' for 'soft' and '28 soft'."""
        found = quantity(level)
        return number_text(found[0]) if found and found[1] in ("", self._unit) else ""


@dataclass(frozen=True)
class Property:
    """What several factors do alike, as stiffness."""

    name: str
    label: str
    levels: tuple[str, ...] = ()

    def read(self, text: str) -> str | None:
        """The position that a person means; None for anything else."""
        found = quantity(text)
        return number_text(found[0]) if found and not found[1] else None

    def expected(self) -> str:
        """What may stand in a claim, in words."""
        return f"a position on '{self.name}', as 1 or -1"


@dataclass(frozen=True)
class NumberCondition:
    """What a run met that is a number, as the track's temperature. step: what counts as one change
    of it, None: a quarter of the range that was run."""

    name: str
    label: str
    unit: str = ""
    step: float | None = None

    def read(self, text: str) -> str | None:
        """The number that a person means ('31,5 °C', '−2'); None for anything else."""
        found = quantity(text)
        known = found is not None and found[1] in ("", _plain(self.unit))
        return number_text(found[0]) if found and known else None

    def expected(self) -> str:
        """What may stand in a cell, in words."""
        return f"a number{f' in {self.unit}' if self.unit else ''}, or nothing"


@dataclass(frozen=True)
class Feel:
    """A question to the driver after a run, scored from -2 (`worse`) to 2 (`better`)."""

    name: str
    label: str
    worse: str
    better: str
    levels: tuple[str, ...] = ("-2", "-1", "0", "1", "2")

    def read(self, text: str) -> str | None:
        """The score that a person means ('+1', '−2', '1.0'); None for anything else."""
        found = quantity(text)
        score = number_text(found[0]) if found and not found[1] else ""
        return score if score in self.levels else None

    def expected(self) -> str:
        """What may stand in a cell, in words."""
        return f"a whole number from -2 ({self.worse}) to 2 ({self.better}), or nothing"


Setting = Factor | Feel  # what may have a column in a log


@dataclass(frozen=True)
class Claim:
    """A belief of the team: `factor` at `to` instead of `from_` makes `outcome` so; or all factors
    that share a `property` do, from one position on it to another.

    condition: in which, as the effects table names it.
    """

    text: str
    factor: str
    from_: str
    to: str
    outcome: str
    expect: str
    condition: str = "all"
    property: str = ""
