"""The outcomes: what a change is judged by. One record says all that is special about one of them.

Whoever fits, judges, prints or draws asks the record. Knows no runs and no models: a response is
made from what `pipeline.models.responses.Laps` offers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from math import log
from typing import Any

SAME = "no difference that matters"
NOT_ENOUGH = "not enough runs"
NOT_SEPARABLE = "not separable"
_LEANING = "leaning "
OWN_VERDICTS = ("worse", "better")  # of what only a team has, as its feels
_BETTER_WITH, _WORSE_WITH = "better with ", "worse with "


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """An outcome, how it comes from the laps, and how it is said.

    verdicts: the words of a level below the reference, and above it. label, meaning: in headings.
    response: of `Laps`, the rows of the mixed model; if counted, events and exposure, (R,) each.
    margin: the difference that matters, on the scale of the estimate (log for ratios), from the
        worthwhile difference in s a lap and the laps in a race.
    is_ratio: level over reference, estimated as a logarithm; else level minus reference.
    is_counted: by the model of counts. is_felt: scored by the drivers, and no matter of the clock.
    is_over_race: the estimate, of a lap, times the laps in a race.
    by_driver: also told driver by driver. higher_is_better: else lower is.
    weight: how soon it is asked (see `models.families`): pace is the sharpest measure of time,
        race the one that counts.
    figure: the section of the season's page that draws it; '' for none. axis: unit of its figure
        ({race}: length of a race). digits: decimals in tables.
    said, said_digits, said_scale, unit: the words in sentences, where those of the verdicts do not
        do, and how the number goes before them. noun: 'three times {noun}'. subject: '{subject}
        lies between'. ends: of a feel, the team's words for -2 and 2.
    """

    name: str
    verdicts: tuple[str, str]
    label: str
    meaning: str
    response: Callable[[Any], Any]
    margin: Callable[[float, float], float]
    is_ratio: bool = False
    is_counted: bool = False
    is_felt: bool = False
    is_over_race: bool = False
    by_driver: bool = False
    weight: float = 0.5
    higher_is_better: bool = False
    figure: str = "effects"
    axis: str = "%"
    digits: int = 3
    said: tuple[str, str] = ("", "")
    said_digits: int = 2
    said_scale: float = 1.0
    unit: str = ""
    noun: str = "it"
    subject: str = "it"
    ends: tuple[str, str] = ("", "")

    @property
    def no_effect(self) -> float:
        """The estimate that says nothing, as it is printed."""
        return 1.0 if self.is_ratio else 0.0

    def verdict(self, is_below: bool) -> str:
        return self.verdicts[0 if is_below else 1]


def _pace(laps: Any) -> Any:
    return laps.clean_laps()


def _spread(laps: Any) -> Any:
    return laps.of_runs(*laps.log_spread)


def _mistakes(laps: Any) -> Any:
    return laps.incidents, laps.timed


def _fade(laps: Any) -> Any:
    return laps.of_runs(*laps.slope)


def _race(laps: Any) -> Any:
    return laps.mean_of(laps.timed_mean, laps.timed)


def _scores(feel: str, laps: Any) -> Any:
    return laps.scored(feel)


def _a_lap(worthwhile_s: float, laps_in_race: float) -> float:
    return worthwhile_s


def _on_every_lap(worthwhile_s: float, laps_in_race: float) -> float:
    return worthwhile_s * laps_in_race


def _added_up(worthwhile_s: float, laps_in_race: float) -> float:
    """About the middle of a race, so much at either end."""
    return 2 * worthwhile_s / max(laps_in_race, 2.0)


def _tenth(worthwhile_s: float, laps_in_race: float) -> float:
    return log(1.10)


def _quarter(worthwhile_s: float, laps_in_race: float) -> float:
    return log(1.25)


def _half_a_point(worthwhile_s: float, laps_in_race: float) -> float:
    """Scores are whole numbers: less than half a point changes the answer of no usual driver."""
    return 0.5


PACE = Outcome(
    name="pace",
    verdicts=("faster", "slower"),
    label="Pace",
    meaning="seconds a lap, clean laps",
    response=_pace,
    margin=_a_lap,
    by_driver=True,
    weight=2.5,
    axis="s a lap",
    unit=" s a lap",
)
SPREAD = Outcome(
    name="spread",
    verdicts=("steadier", "wilder"),
    label="Spread",
    meaning="how far a driver's laps scatter, in percent",
    response=_spread,
    margin=_tenth,
    is_ratio=True,
    by_driver=True,
    noun="the spread",
    subject="the spread",
)
MISTAKES = Outcome(
    name="mistakes",
    verdicts=("fewer", "more"),
    label="Mistakes",
    meaning="incidents a lap, in percent",
    response=_mistakes,
    margin=_quarter,
    is_ratio=True,
    is_counted=True,
    said=("fewer mistakes", "more mistakes"),
    noun="the mistakes",
    subject="the rate of mistakes",
)
FADE = Outcome(
    name="fade",
    verdicts=("fades less", "fades more"),
    label="Fade",
    meaning="seconds a lap, lost with every lap",
    response=_fade,
    margin=_added_up,
    figure="",
    axis="s a lap per lap",
    digits=5,
    said=("less", "more"),
    said_digits=1,
    said_scale=1000.0,
    unit=" ms of fade a lap",
)
RACE = Outcome(
    name="race",
    verdicts=("faster", "slower"),
    label="Race",
    meaning="seconds over a race",
    response=_race,
    margin=_on_every_lap,
    is_over_race=True,
    weight=1.0,
    figure="race",
    axis="s over {race}",
    digits=2,
    said_digits=1,
    unit=" s",
)
# Of every team, by name, in the order of the result tables.
OUTCOMES = {outcome.name: outcome for outcome in (PACE, SPREAD, MISTAKES, FADE, RACE)}


def felt_outcome(name: str, label: str, worse: str, better: str) -> Outcome:
    """Of a team's own question after each run, scored from -2 (`worse`) to 2 (`better`)."""
    return Outcome(
        name=name,
        verdicts=OWN_VERDICTS,
        label=label,
        meaning=f"felt, in points from -2 ({worse}) to 2 ({better})",
        response=partial(_scores, name),
        margin=_half_a_point,
        is_felt=True,
        by_driver=True,
        higher_is_better=True,
        figure="",
        axis="points",
        digits=2,
        said_digits=1,
        unit=" points",
        noun="the feel",
        subject="the difference",
        ends=(worse, better),
    )


def outcome_of(given: Outcome | str) -> Outcome:
    """A record as it is; of a name, the record of every team's."""
    return given if isinstance(given, Outcome) else OUTCOMES[given]


def is_definite(verdict: str) -> bool:
    """A verdict that something differs, and which way."""
    moves = verdict.startswith((_BETTER_WITH, _WORSE_WITH)) or verdict in OWN_VERDICTS
    return moves or any(verdict in o.verdicts for o in OUTCOMES.values())


def is_settled(outcome: Outcome | str, verdict: str, low: float, high: float) -> bool:
    """A definite verdict that holds over all looks. low, high: of that interval, as printed."""
    return is_definite(verdict) and not low <= outcome_of(outcome).no_effect <= high


def moves_with(axis: str) -> tuple[str, str]:
    """Of the change of an effect along grip, or another axis: below zero (or one) the level gains
    as it rises."""
    return _BETTER_WITH + axis, _WORSE_WITH + axis


def same_at_any(axis: str) -> str:
    """Of a change along an axis that does not matter."""
    return f"same at any {axis}"


def leaning(verdict: str) -> str:
    """The verdict, not yet sure."""
    return _LEANING + verdict


def is_leaning(verdict: str) -> bool:
    return verdict.startswith(_LEANING)
