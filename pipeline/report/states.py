"""The states of the first screen: which grip, for whom. Chosen by radio buttons, shown by CSS."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pipeline.report.screen_views import Pick
from pipeline.tables.conditions import POSITIONS

TEAM = "Team"


@dataclass(frozen=True)
class States:
    """grips: words of the grips, or one '' where none has a word. people: drivers, '' the team."""

    grips: tuple[str, ...]
    people: tuple[str, ...]

    @property
    def picks(self) -> tuple[Pick, ...]:
        """The grip bar; nothing where there is nothing to choose."""
        picks = tuple(Pick(f"g{i}", g, f"{g} grip") for i, g in enumerate(self.grips))
        return picks if len(picks) > 1 else ()

    @property
    def who(self) -> tuple[Pick, ...]:
        """The driver picker; nothing where there is nothing to choose."""
        picks = tuple(
            Pick(f"d{i}", self.name(person), f"for {person or 'the team'}")
            for i, person in enumerate(self.people)
        )
        return picks if len(picks) > 1 else ()

    def name(self, person: str) -> str:
        """'Team', a first name, or the whole name where two share the first."""
        if not person:
            return TEAM
        first = Counter(p.split()[0] for p in self.people if p)
        return person.split()[0] if first[person.split()[0]] == 1 else person

    def classes(
        self, grips: Iterable[str] | None = None, people: Iterable[str] | None = None
    ) -> str:
        """Classes of what is shown at these grips and for these people; None: for all of them."""
        names = []
        if grips is not None and self.picks:
            names += ["og", *(f"g{self.grips.index(g)}" for g in grips)]
        if people is not None and self.who:
            names += ["od", *(f"d{self.people.index(p)}" for p in people)]
        return " ".join(names)

    def spoken(self, grips: Sequence[str], people: Sequence[str]) -> str:
        """'low, Team, Joris: ': what the eye sees in the bar, for those who hear the page."""
        said = [g for g in grips if g and self.picks]
        if self.who:
            whole = len(people) == len(self.people)
            said += ["all"] if whole else [self.name(p) for p in people]
        return f"{', '.join(said)}: " if said else ""

    @property
    def rules(self) -> str:
        """Style: what belongs to another state than the chosen one is not shown."""
        out = []
        for kind, picks in (("og", self.picks), ("od", self.who)):
            for pick in picks:
                key = pick.key
                out.append(f"#{key}:checked~* .{kind}:not(.{key}){{display:none}}")
                out.append(
                    f"#{key}:checked~* label[for={key}]{{background:var(--ink);color:var(--paper);"
                    "font-weight:700;forced-color-adjust:none}"
                )
                out.append(
                    f"#{key}:focus-visible~* label[for={key}]{{outline:3px solid var(--focus);"
                    "outline-offset:2px}"
                )
                out.append(f"#{key}:checked~* .a{key}{{font-weight:700;fill:var(--ink)}}")
        return "".join(out)


def ordered(grips: Iterable[str]) -> tuple[str, ...]:
    """Words of grip from low to high; those that are not on the axis behind."""
    return tuple(sorted((g for g in grips if g), key=lambda g: POSITIONS.get(g, 9.0))) or ("",)
