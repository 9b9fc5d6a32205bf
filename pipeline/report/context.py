"""What a page has to know beside the result tables: the team's words for its factors."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pipeline.decide.places import Part
from pipeline.tables.outcomes import OUTCOMES, Outcome

if TYPE_CHECKING:
    from pipeline.report.provenance import Provenance
    from pipeline.team.folder import Factor


@dataclass(frozen=True)
class ReportContext:
    """The team's names and limits.

    factors: by name. race_seconds: length of a race, s. worthwhile_s: a smaller difference in
    seconds a lap does not matter. set_aside: (reason, rows of the exports set aside for it).
    outcomes: by name, in the order of the tables. drawn: of what a slow drawing is made from, and
    how, the drawing; it may be one that was kept.
    """

    team: str
    factors: Mapping[str, Factor]
    race_seconds: float
    worthwhile_s: float
    provenance: Provenance
    class_name: str = ""
    set_aside: tuple[tuple[str, int], ...] = ()
    outcomes: Mapping[str, Outcome] = field(default_factory=lambda: OUTCOMES)
    drawn: Callable[[Any, Callable[[], str]], str] = lambda of, draw: draw()

    def part(self, name: str) -> Part:
        """What sentences have to know of a factor."""
        factor = self.factors.get(name)
        if factor is None:
            return Part(name, "")
        return Part(factor.label, factor.reference, factor.unit or "", factor.kind == "number")

    def factor_label(self, name: str) -> str:
        factor = self.factors.get(name)
        return factor.label if factor is not None else name

    def level_label(self, name: str, level: str) -> str:
        """A level with its unit: '1.4 mm'."""
        factor = self.factors.get(name)
        unit = (factor.unit or "") if factor is not None else ""
        return f"{level} {unit}".strip()

    def contrast_label(self, name: str, level: str, reference: str) -> str:
        """'Rear anti-roll bar 1.4 mm instead of 1.3 mm'; for a number '1 mm more ride height'."""
        if self.is_number(name):
            step = self.level_label(name, level.lstrip("+"))
            step = "1 run" if step == "1 runs" else step
            return f"{self.factor_label(name)}, {step} more"
        level, reference = self.level_label(name, level), self.level_label(name, reference)
        return f"{self.factor_label(name)} {level} instead of {reference}"

    def option_label(self, name: str, level: str, reference: str) -> str:
        """The option alone: 'Rear anti-roll bar 1.4 mm', 'Ride height, 1 mm more'."""
        if self.is_number(name):
            return self.contrast_label(name, level, reference)
        return f"{self.factor_label(name)} {self.level_label(name, level)}"

    def is_number(self, name: str) -> bool:
        factor = self.factors.get(name)
        return factor is not None and factor.kind == "number"


def make_context(
    team: str,
    factors: tuple[Factor, ...],
    race_seconds: float,
    worthwhile_s: float,
    provenance: Provenance,
    class_name: str = "",
    set_aside: tuple[tuple[str, int], ...] = (),
    outcomes: Iterable[Outcome] | None = None,
) -> ReportContext:
    """The context with factors and outcomes by name; outcomes: None for those of every team."""
    by_name = {factor.name: factor for factor in factors}
    judged = OUTCOMES if outcomes is None else {outcome.name: outcome for outcome in outcomes}
    return ReportContext(
        team, by_name, race_seconds, worthwhile_s, provenance, class_name, set_aside, judged
    )
