"""Fixed kinds of world in which intervals are known to fail, and what is asked of each.

All are one setting each of the same generator: one day, 4 cars of the team, 20 rivals, 8 runs of
about 22 laps, run SD 0.08 s, lap SD about 0.2 s, unless the kind says otherwise; nothing changes
in half the worlds, and 0.08 s a lap in the others.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from numpy.random import Generator

from tests.worlds.parameters import Effect, Factor, Parameters

REAL_S = 0.08
NOTHING, SLOWER = Effect(), Effect(pace=REAL_S)
SIZES = {"": {}, "2 x 8": {"cars": 2}, "4 x 6": {"runs": 6}, "1 x 8": {"cars": 1}}
NORMAL, SLOPES, MISTAKES, SMALL = (0.93, 0.97), (0.93, 0.998), (0.93, 0.99), (0.85, 1.0)


@dataclass(frozen=True)
class Kind:
    """`order` of the settings, further `settings` of the world; `real`: what a change does when it
    does something, `null`: when nothing (`None`: it always does something).

    Asked: `pace` covers (least, most); `ratio`: its median half-width over the simple analysis's;
    `width_s`: that half-width itself, of rows of such a condition.
    """

    name: str
    says: str
    order: str = "random"
    settings: Mapping[str, Any] = field(default_factory=dict)
    real: Effect = SLOWER
    null: Effect | None = NOTHING
    pace: tuple[float, float] | None = NORMAL
    ratio: float | None = 1.35
    width_s: tuple[str, float] | None = None
    only_at: bool = False

    def parameters(self, rng: Generator) -> Parameters:
        nothing = bool(rng.random() < 0.5) and self.null is not None
        effect = self.null if nothing else self.real
        assert effect is not None
        return Parameters(factors=self._factors(effect), **self.settings)

    def _factors(self, effect: Effect) -> tuple[Factor, ...]:
        first = Factor("part_a", "category", ("A", "B"), 0, (effect,), self.order)  # type: ignore[arg-type]
        if not self.only_at:
            return (first,)
        leader = Factor("part_b", "category", ("A", "B"), 0, (Effect(),))
        return (leader, replace(first, crossing="only at"))


def _runs(team: float, rivals: float) -> dict[str, float]:
    return {"run_sd_team": team, "run_sd_rivals": rivals}


DAYS = (
    Kind("plain", "all as assumed, random order", ratio=1.2),
    Kind(
        "adaptive",
        "what looked faster is kept, what looked slower is reverted",
        "adaptive",
        ratio=1.2,
    ),
    Kind("restless", "team's runs vary by 0.08 s, rivals' by 0.04", settings=_runs(0.08, 0.04)),
    Kind("wild runs", "team's runs vary by 0.16 s, rivals' by 0.06", settings=_runs(0.16, 0.06)),
    Kind("calm", "team's runs vary by 0.06 s, rivals' by 0.16", settings=_runs(0.06, 0.16)),
    Kind("learns", "the team gains 0.2 s over the day (semi)", "semi", {"learning_s": 0.2}),
    Kind(
        "learns early",
        "the same, most of it early in the day (semi)",
        "semi",
        {"learning_s": 0.2, "learning_curved": True},
    ),
    Kind("more grip", "1.4 times the field's gain from the track", "semi", {"team_grip": 1.4}),
    Kind(
        "finals",
        "always the level in finals, where the team gains 0.08 s (either before)",
        "finals",
        {"finals_gain_s": 0.08},
    ),
    Kind("jump", "grip jumps by 0.2 s (semi)", "semi", {"jumps": 1, "jump_s": 0.2}),
    Kind(
        "heats",
        "cars changed together, in one heat, heats share a shock of 0.06 s",
        settings={"cars_together": True, "team_together": True, "heat_shock_s": 0.06},
        ratio=None,  # the simple analysis does not hold there
    ),
    Kind(
        "small incidents",
        "2.5 times as many small incidents (mean loss 1.5 s), no change of pace",
        settings={"incident_rate": 0.06, "small_share": 1.0, "after_s": 0.3},
        real=Effect(mistakes=math.log(2.5)),
        null=None,
        pace=SMALL,
    ),
    Kind(
        "calmer later",
        "mistakes: the team's rate halves over the day (semi)",
        "semi",
        {"incident_rate": 0.08, "incident_day_fall": 0.7},
    ),
    Kind(
        "drivers differ",
        "effects differ between drivers by 0.08 s (SD)",
        settings={"driver_effect_sd": 0.08},
        pace=SLOPES,
    ),
    Kind(
        "only at",
        "one part tried only at one setting of another, where it does 0.10 s less",
        settings={"interaction": -0.1},
        only_at=True,
    ),
    Kind("wrong log", "ten per cent of log entries wrong", settings={"wrong": 0.1}, pace=None),
    Kind(
        "tails",
        "lap times of heavy tails, drivers' lap SD apart by four",
        settings={"tails": "t", "tail_df": 3.0, "lap_sd_ratio": 4.0},
    ),
    Kind(
        "batteries",
        "laps hang on the last (0.5), come in over three laps, fade",
        settings={
            "autocorrelation": 0.5, "come_in_s": 0.4, "come_in_laps": 3.0,
            "fade_s": 0.01, "fade_sd": 0.004,
        },
    ),
)  # fmt: skip

THREE = {"meetings": 3, "pool": 40}
SEASONS = (
    Kind(
        "grip matters",
        "three meetings of low, medium and high grip, the effect differs by 0.06 s a step",
        settings={**THREE, "grip_words": (1 / 3, 1 / 3, 1 / 3), "words_in_turn": True},
        real=Effect(pace=REAL_S, pace_by_grip=0.06),
        null=Effect(pace_by_grip=0.06),
        pace=SLOPES,
        ratio=None,
        width_s=("grip", 0.16),
    ),
    Kind(
        "meetings differ",
        "three meetings, the effect varies between them by 0.05 s (SD)",
        settings={**THREE, "meeting_sd": 0.05},
        pace=SLOPES,
        ratio=None,
        width_s=("all", 0.20),
    ),
    Kind(
        "mistakes differ",
        "three meetings, the effect on mistakes varies by 0.4 of the log (SD)",
        settings={**THREE, "mistakes_meeting_sd": 0.4, "incident_rate": 0.08},
        real=Effect(mistakes=math.log(1.5)),
        pace=SLOPES,
        ratio=None,
    ),
)
NEEDS_CARS = ("heats", "drivers differ")  # of which one car alone is no example


def _sized(kind: Kind, size: str) -> Kind:
    name = f"{kind.name} {size}".strip()
    says = f"{kind.says}; {size.replace('x', 'cars x', 1)} runs" if size else kind.says
    return replace(kind, name=name, says=says, settings={**kind.settings, **SIZES[size]})


KINDS = (
    *[
        _sized(kind, size)
        for kind in DAYS
        for size in SIZES
        if not (size == "1 x 8" and kind.name in NEEDS_CARS)
    ],
    *SEASONS,
)
BY_NAME = {kind.name: kind for kind in KINDS}
