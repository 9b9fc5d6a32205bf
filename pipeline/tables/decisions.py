"""What to fit and what to test next: the tables of a decision, together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline.tables.schema import table

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.decide.places import Property


ADVICE = ("fit", "try", "keep", "either")

CHOICES = table(
    "choices",
    [
        ("factor", "text", "factor of team.toml"),
        ("grip", "text", "word of the grip; empty: over all that were run"),
        ("surface", "text", "surface; empty: any"),
        ("driver", "text", "driver; empty: any of the team"),
        ("level", "text", "level that could be fitted; empty where the factor cannot be told"),
        ("present", "text", "setting of that driver's last run; empty: any, or not known", True),
        ("chance_best", "number", "chance that the level is the best; 1 over a situation", True),
        ("gain_s", "number", "seconds saved over a race against the reference", True),
        ("gain_low", "number", "lower end of its 95 % interval", True),
        ("gain_high", "number", "upper end of its 95 % interval", True),
        ("gain_present_s", "number", "seconds saved over a race against the present setting", True),
        ("gain_present_low", "number", "lower end of its 95 % interval", True),
        ("gain_present_high", "number", "upper end of its 95 % interval", True),
        ("loss_s", "number", "seconds over a race expected to be lost, if chosen", True),
        ("advice", "text", "fit, try, keep or either, on one row of a situation", True, ADVICE),
        ("other", "text", "the runner-up", True),
        ("reason", "text", "why the factor cannot be told", True),
        ("sentence", "text", "the advice in words", True),
        ("n_runs", "integer", "team runs at the level", True),
        ("n_drivers", "integer", "their drivers", True),
        ("n_meetings", "integer", "their meetings", True),
        ("n_here", "integer", "of these runs, those at this grip and surface", True),
    ],
)

SWITCHOVERS = table(
    "switchovers",
    [
        ("factor", "text", "factor, or property"),
        ("level", "text", "level compared"),
        ("reference", "text", "level it is compared with"),
        ("outcome", "text", "outcome that is equal there"),
        ("at", "number", "position on the axis of grip: low -1, medium 0, high 1", True),
        ("low", "number", "lower end of its 95 % interval; empty: open", True),
        ("high", "number", "upper end; empty: open", True),
        ("words", "text", "where that is"),
    ],
)

CURVES = table(
    "curves",
    [
        ("factor", "text", "factor whose levels are numbers"),
        ("outcome", "text", "outcome"),
        ("grip", "text", "word of the grip; empty: over all"),
        ("value", "number", "setting, in the factor's unit"),
        ("estimate", "number", "against the reference, in the outcome's unit"),
        ("ci_low", "number", "lower end of the 95 % interval"),
        ("ci_high", "number", "upper end of the 95 % interval"),
    ],
)

BEST_VALUES = table(
    "best_values",
    [
        ("factor", "text", "factor whose levels are numbers"),
        ("outcome", "text", "outcome"),
        ("grip", "text", "word of the grip; empty: over all"),
        ("best", "number", "best setting within what was run", True),
        ("low", "number", "lower end of its 95 % interval; empty: open", True),
        ("high", "number", "upper end; empty: open", True),
        ("words", "text", "where the best lies"),
    ],
)

PROPERTIES = table(
    "properties",
    [
        ("property", "text", "property of team.toml"),
        ("outcome", "text", "outcome"),
        ("grip", "text", "word of the grip; empty: over all"),
        ("estimate", "number", "effect of one position more"),
        ("ci_low", "number", "lower end of the 95 % interval"),
        ("ci_high", "number", "upper end of the 95 % interval"),
        ("agreement", "number", "share of its options whose own estimate has its sign"),
        ("words", "text", "what the direction does"),
    ],
)

TESTS = table(
    "tests",
    [
        ("rank", "integer", "1: the test that is worth most"),
        ("factor", "text", "factor to test"),
        ("levels", "text", "levels to compare"),
        ("grip", "text", "grip to test in; empty: any"),
        ("driver", "text", "driver whose question it is; empty: the team's"),
        ("drivers", "integer", "drivers on the test day"),
        ("runs", "integer", "runs of each"),
        ("worth_s", "number", "seconds over a race that it is expected to bring", True),
        ("chance_to_change", "number", "chance that it changes the choice", True),
        ("sentence", "text", "the same in words"),
    ],
)

CHANGES = table(
    "changes",
    [
        ("what", "text", "choice or verdict"),
        ("factor", "text", "factor"),
        ("level", "text", "level"),
        ("grip", "text", "word of the grip; empty: over all", True),
        ("before", "text", "as it stood before the last meeting"),
        ("now", "text", "as it stands now"),
        ("why", "text", "what the last meeting added"),
    ],
)


@dataclass(frozen=True)
class Decisions:
    """The tables CHOICES, SWITCHOVERS, CURVES, BEST_VALUES, PROPERTIES and TESTS.

    race_laps: laps in a race. worthwhile_s: a smaller difference does not matter, s a lap.
    worth_changing_s: a smaller gain is not worth a change, s over a race. grips, surfaces: those
    that the team ran, in order. notes: sentences about what could not be decided, and why. shares:
    by name, the properties that parts share. felt: by factor, grip, surface and driver, which level
    felt better: said where time does not decide.
    """

    choices: pd.DataFrame
    switchovers: pd.DataFrame
    curves: pd.DataFrame
    best_values: pd.DataFrame
    properties: pd.DataFrame
    tests: pd.DataFrame
    race_laps: float
    worthwhile_s: float
    worth_changing_s: float
    grips: tuple[str, ...] = ()
    surfaces: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    shares: Mapping[str, Property] = field(default_factory=dict)
    felt: Mapping[tuple[str, str, str, str], str] = field(default_factory=dict)

    def tables(self) -> Iterator[tuple[str, pd.DataFrame]]:
        """Each table with its name."""
        for one in (CHOICES, SWITCHOVERS, CURVES, BEST_VALUES, PROPERTIES, TESTS):
            yield one.name, getattr(self, one.name)
