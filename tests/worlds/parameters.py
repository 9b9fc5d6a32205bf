"""What a world is made of, each quantity once, with its unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

GRIP_WORDS = ("low", "medium", "high")
OUTCOMES = ("pace", "spread", "mistakes", "fade", "race")
RATIOS = ("spread", "mistakes")

Order = Literal[
    "random", "balanced", "semi", "blocks", "clock", "adaptive",
    "finals", "finals only", "practice only",
]  # fmt: skip
ORDERS: tuple[Order, ...] = (
    "random", "balanced", "semi", "blocks", "clock", "adaptive",
    "finals", "finals only", "practice only",
)  # fmt: skip


@dataclass(frozen=True)
class Effect:
    """What one contrast does: level minus reference, or one step of a number.

    pace: s a lap; spread, mistakes: log ratio; fade: s a lap per lap. The `*_by_grip` are the
    change from one grip word to the next (0 at medium). `varies`: takes part in the world's
    differences between meetings and drivers.
    """

    pace: float = 0.0
    spread: float = 0.0
    mistakes: float = 0.0
    fade: float = 0.0
    pace_by_grip: float = 0.0
    spread_by_grip: float = 0.0
    mistakes_by_grip: float = 0.0
    varies: bool = True


@dataclass(frozen=True)
class Factor:
    """One thing set on the car.

    `levels` hold the reference, at place `reference`; of a number they are its values. `effects`:
    one for each level but the reference, in order; of a number a single one, of a `step`.
    `crossing`: with the first factor (`crossed`, `partly`, or `only at` its levels).
    """

    name: str
    kind: Literal["category", "ordered", "number"]
    levels: tuple[str, ...]
    reference: int
    effects: tuple[Effect, ...]
    order: Order = "random"
    crossing: Literal["crossed", "partly", "only at"] = "crossed"
    step: float = 1.0
    step_given: bool = True

    def as_dict(self) -> dict[str, Any]:
        """As `pipeline.analyse` takes it: the keys of `[[factor]]`."""
        common = {"name": self.name, "kind": self.kind, "reference": self.levels[self.reference]}
        if self.kind == "number":
            return {**common, "step": self.step} if self.step_given else common
        return {**common, "levels": list(self.levels)}


@dataclass(frozen=True)
class Parameters:
    """A world. The defaults are the day of the hostile kinds: all as assumed, random order."""

    factors: tuple[Factor, ...]
    # who and how much
    meetings: int = 1
    cars: int = 4
    rivals: int = 20
    pool: int = 20
    attendance: float = 1.0
    runs: int = 8
    laps: int = 22
    lap_s: float = 14.0
    layout_sd: float = 0.0
    missing: float = 0.0
    cut_short: float = 0.0
    heat_size: int = 10
    team_together: bool = False
    heats_redrawn: bool = True
    test_day: bool = False
    # drivers and runs, seconds; `lap_sd_ratio`: of the drivers' extremes
    lap_sd: float = 0.2
    lap_sd_ratio: float = 2.0
    run_sd_team: float = 0.08
    run_sd_rivals: float = 0.08
    run_tail_df: float = 0.0
    driver_sd: float = 0.3
    entry_sd: float = 0.1
    team_ahead_s: float = 0.2
    run_spread_sd: float = 0.05  # of the log
    # the track, seconds
    grip_shape: Literal["none", "saturating", "quadratic", "backwards", "waves", "walk"] = (
        "saturating"
    )
    grip_gain_s: float = 0.5
    jumps: int = 0
    jump_s: float = 0.0
    jump_kind: Literal["step", "shower"] = "step"
    kind_sd: float = 0.05
    heat_shock_s: float = 0.0
    slow_stretches: float = 0.0
    # the team alone
    team_grip: float = 1.0
    learning_s: float = 0.0
    learning_curved: bool = False
    finals_gain_s: float = 0.0
    # settings
    cars_together: bool = False
    tried: float = 1.0
    interaction: float = 0.0
    meeting_sd: float = 0.0
    spread_meeting_sd: float = 0.0
    mistakes_meeting_sd: float = 0.0
    driver_effect_sd: float = 0.0
    grip_words: tuple[float, float, float] = (0.0, 1.0, 0.0)
    words_in_turn: bool = False
    session_words: bool = False
    surfaces: int = 1
    unknown: float = 0.0
    wrong: float = 0.0
    # laps
    tails: Literal["normal", "t", "skewed"] = "normal"
    tail_df: float = 5.0
    skewness: float = 1.0
    autocorrelation: float = 0.0
    shared: float = 0.0  # of the variance of laps, by a heat's cars
    come_in_s: float = 0.1
    come_in_laps: float = 2.0
    fade_s: float = 0.002
    fade_sd: float = 0.001
    fade_run_sd: float = 0.0
    incident_rate: float = 0.04
    small_share: float = 0.0
    small_loss_s: float = 1.5
    after_s: float = 0.0
    incident_run_sd: float = 0.2
    incident_driver_sd: float = 0.3
    incident_day_fall: float = 0.0
    traffic_rate: float = 0.03
    traffic_s: float = 0.8
    missed: float = 0.0
    # the frames
    known_starts: bool = True
    status_column: bool = False
    race_seconds: float = 308.0
    marks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        crossed = self.interaction == 0 or len(self.factors) >= 2
        assert crossed, "an interaction needs two factors"
        assert self.pool >= self.rivals, "no more rivals at a meeting than there are"


def flat(parameters: Parameters) -> dict[str, Any]:
    """The parameters as one row: numbers and words, the factors summed up in a few."""
    row = {name: value for name, value in vars(parameters).items() if name != "factors"}
    low, _, high = row.pop("grip_words")
    first, *others = parameters.factors
    return {
        **row,
        "marks": "; ".join(parameters.marks),
        "grip_word_low": low,
        "grip_word_high": high,
        "factors": len(parameters.factors),
        "contrasts": sum(len(factor.effects) for factor in parameters.factors),
        "order": first.order,
        "crossing": others[0].crossing if others else "",
    }
