"""What a level is worth over a race, from joint draws of all that a race is made of.

    seconds = laps (pace + gap) + fade laps ((laps + 1) / 2 - mean lap) + incidents at their cost

`gap` is what the runs lost beside their clean pace and their incidents (`gap_response`): as far as
it is known, the whole is the direct estimate of the race; as far as it is not, it is drawn to none
and the composed estimate stands. So each has the weight of what it knows.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.decide.belief import DRAWS, draws, learn_sizes
from pipeline.decide.evidence import DRIVER, SURFACE, Evidence, Key
from pipeline.decide.options import Options, property_options
from pipeline.decide.shrinking import Shared, Usual
from pipeline.models.axis import BOW
from pipeline.models.fitting import VARYING_SHARE

if TYPE_CHECKING:
    from pipeline.models.engine.rows import Array
    from pipeline.models.race import RaceFacts

SEED = 20
# Medians of the priors on the SD of effects, as shares of the SD of a run. Pace: as for all that
# varies. Fade: that which adds up to half of it over a race. What a race holds beside pace and
# incidents: next to nothing. Incident rate, on the log scale: most parts change no rate. What the
# data tell little of has a narrower prior, or its tail would be all that is known. A setting's
# curve mostly has a best value inside what is run: that is why it is run there (common practice).
PACE_SHARE, GAP_SHARE, FADE_SHARE, MISTAKES_LOG = VARYING_SHARE, 0.04, 0.3, 0.15
OFTEN, SELDOM = (0.45, 0.30, 0.25), (0.7, 0.2, 0.1)
BEST_INSIDE = 0.75
MOST_LOG_RATIO = 2.0  # a tail of draws at ten times the incidents would rule the mean


@dataclass(frozen=True)
class Place:
    """Where a choice is made: position on the axis of grip; driver and surface, '' for any. square:
    of a mean over positions, the mean of their squares; None: of one position."""

    position: float
    driver: str = ""
    surface: str = ""
    square: float | None = None


@dataclass(frozen=True)
class Believed:
    """Draws of one factor's coefficients for each outcome that a race is made of.

    draws: outcome -> coefficient -> (DRAWS,). anew: outcome -> (level) -> (DRAWS,), the deviation
    at a meeting that was not seen; strangers: the same of a driver who never tried it.
    """

    options: Options
    draws: Mapping[str, Mapping[Key, Array]]
    anew: Mapping[str, Mapping[str, Array]]
    strangers: Mapping[str, Mapping[str, Array]]
    facts: RaceFacts
    _known: dict[tuple[Any, ...], Array] = field(default_factory=dict, compare=False, repr=False)

    def without_new_meetings(self) -> Believed:
        """The same of the mean over meetings, not of one that was not seen."""
        none = {name: dict.fromkeys(own, np.zeros(DRAWS)) for name, own in self.anew.items()}
        return replace(self, anew=none)

    @property
    def new_meeting_sd(self) -> float:
        """SD of the effect on pace at a meeting that was not seen, s a lap."""
        own = self.anew["pace"].values()
        return float(max((draws.std() for draws in own), default=0.0))

    def on(self, outcome: str, place: Place, weights: Array | None = None) -> Array:
        """`seconds` for race, else `effect`."""
        if outcome == "race":
            return self.seconds(place, weights)
        return self.effect(outcome, place, weights)

    def seconds(self, place: Place, weights: Array | None = None) -> Array:
        """Seconds that each level costs over a race against the reference, (DRAWS, levels)."""
        facts = self.facts
        lap = self.effect("pace", place, weights) + self.effect("gap", place, weights)
        later = (facts.laps + 1) / 2 - facts.mean_lap
        lap += self.effect("fade", place, weights) * later
        cost = 0.0 if np.isnan(facts.incident_cost) else facts.incident_cost
        ratio = np.exp(
            np.clip(self.effect("mistakes", place, weights), -MOST_LOG_RATIO, MOST_LOG_RATIO)
        )
        return np.asarray(facts.laps * (lap + facts.incident_rate * cost * (ratio - 1)))

    def effect(self, outcome: str, place: Place, weights: Array | None = None) -> Array:
        """Of each level on one outcome, (DRAWS, levels); zero where it was not fitted.

        weights: (levels, keys), of other levels than those of the options.
        """
        weights = self.options.weights if weights is None else weights
        if outcome not in self.draws:
            return np.zeros((DRAWS, len(weights)))
        parts = [self._coefficient(outcome, key, place) for key in self.options.keys]
        return np.asarray(np.column_stack(parts) @ weights.T)

    def _coefficient(self, outcome: str, key: Key, place: Place) -> Array:
        found = self.draws[outcome]
        out = found[key].copy()
        if key.part:
            return out
        out += place.position * found[key.gradient]
        if (bow := key._replace(part=BOW)) in found:
            out += (place.position**2 if place.square is None else place.square) * found[bow]
        out += self.anew[outcome][key.level]
        out += self._once(self._by_driver, outcome, key, place.driver)
        return out + self._once(self._on_surface, outcome, key, place.surface)

    def _once(self, means: Callable[[str, Key, str], Array], *of: Any) -> Array:
        """Deviations, which are the same at every grip: reckoned when first asked for."""
        name = (means.__name__, *of)
        if name not in self._known:
            self._known[name] = means(*of)
        return self._known[name]

    def _on_surface(self, outcome: str, key: Key, surface: str) -> Array:
        """The deviation on a surface; of any, the mean over those on which it was tried."""
        found = self.draws[outcome]
        own = {k.group: values for k, values in found.items() if k[:3] == (*key[:2], SURFACE)}
        if surface in own:
            return own[surface]
        return np.mean(list(own.values()), axis=0) if own else np.zeros(DRAWS)

    def _by_driver(self, outcome: str, key: Key, driver: str) -> Array:
        found = self.draws[outcome]
        if driver:
            own = key._replace(part=DRIVER, group=driver)
            return found.get(own, self.strangers[outcome][key.level])
        deviations = [
            found[own]
            for name in self.options.drivers.get(key.level, ())
            if (own := key._replace(part=DRIVER, group=name)) in found
        ]
        return np.mean(deviations, axis=0) if deviations else np.zeros(DRAWS)


def believe(
    options: Sequence[Options], evidence: Mapping[str, Evidence], facts: RaceFacts
) -> list[Believed]:
    """Of every factor that can be told, each by itself, since choices are made one by one; those
    that share a property together, and the property after them."""
    pace = evidence["pace"].run_sd
    usual = {
        "pace": Usual(PACE_SHARE * pace, 1.0, 1.0, OFTEN, BEST_INSIDE),
        "gap": Usual(GAP_SHARE * pace, 0.2, 0.5, SELDOM),
        "fade": Usual(FADE_SHARE * pace / max(facts.laps, 2.0), 0.2, 1.0, OFTEN),
        "mistakes": Usual(MISTAKES_LOG, 0.2, 0.5, SELDOM),
    }
    groups = _groups([one for one in options if one.levels])
    units = {key: unit for group, _ in groups for one in group for key, unit in one.units.items()}
    units |= {key: 1.0 for _, shared in groups if shared for key in shared.keys}
    sizes = {name: learn_sizes(one, usual[name], units) for name, one in evidence.items()}
    out: list[Believed] = []
    for group, shared in groups:
        # One stream a group: another factor, or another order of them, moves no other's draws.
        names = " ".join(sorted(one.factor.name for one in group))
        rng = np.random.default_rng([SEED, zlib.crc32(names.encode())])
        found = {}
        for name, outcome in evidence.items():
            wanted = [key for one in group for key in _with_deviations(one, outcome)]
            wanted += shared.keys if shared else []
            found[name] = draws(outcome, sizes[name], wanted, rng, shared)
        members = [*group, *([property_options(shared)] if shared else [])]
        out += [_believed(one, found, evidence, facts, rng) for one in members]
    return out


def _groups(options: Sequence[Options]) -> list[tuple[list[Options], Shared | None]]:
    """Factors that share a property, two or more of them, together; the others alone."""
    names = [one.factor.property for one in options]
    out: list[tuple[list[Options], Shared | None]] = []
    for name in dict.fromkeys(names):
        own = [one for one in options if one.factor.property == name]
        if not name or len(own) == 1:
            out += [([one], None) for one in own]
        else:
            positions = {k: step for one in own for k, step in one.positions().items()}
            out.append((own, Shared(name, positions)))
    return out


def _believed(
    one: Options,
    found: Mapping[str, Mapping[Key, Array]],
    evidence: Mapping[str, Evidence],
    facts: RaceFacts,
    rng: np.random.Generator,
) -> Believed:
    anew, strangers = {}, {}
    for name, outcome in evidence.items():
        anew[name] = _spread(outcome.meeting_sd if name == "pace" else 0.0, one, rng)
        strangers[name] = _spread(outcome.driver_sd, one, rng)
    return Believed(one, found, anew, strangers, facts)


def _with_deviations(options: Options, evidence: Evidence) -> list[Key]:
    own = {(key.factor, key.level) for key in options.keys}
    more = [k for k in evidence.keys if k.is_deviation and (k.factor, k.level) in own]
    return [*options.units, *more]


def _spread(sd: float, options: Options, rng: np.random.Generator) -> dict[str, Array]:
    """Level -> (DRAWS,) deviations of that SD; of a direction, which is no part of a car, none."""
    sd = 0.0 if options.is_direction else sd
    levels = dict.fromkeys(key.level for key in options.keys)
    return {level: sd * rng.standard_normal(DRAWS) for level in levels}
