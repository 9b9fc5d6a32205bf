"""The car: what a setting changes in it, and what that does on a track of a given grip."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# stiffness, rotation: 0 is the kit's car, 1 as far as anyone goes; downforce: share of grip;
# drag: share of time on the straights; height: mm under the chassis; tyre_age: runs on the set.
PROPERTIES = ("stiffness", "rotation", "downforce", "drag", "height", "tyre_age")
STANDARD = np.array([0.0, 0.0, 0.0, 0.0, 5.2, 0.0])

STIFFNESS_PER_GRIP = 5.0  # stiffness that suits the track, per unit of track grip above 1
MISMATCH_COST = 0.030  # share of grip lost per squared unit of stiffness away from it
ROTATION_GAIN = 0.026  # share of corner time, first and second order
ROTATION_COST = 0.008
HEIGHT_COST = 0.007  # share of grip per mm of height
GROUNDING_COST = 0.060  # share of grip per squared mm by which the track is too rough
STEADY_PER_STIFFNESS = 0.23
TWITCH_PER_ROTATION = 0.34
STEADY_PER_DOWNFORCE = 4.0


@dataclass(frozen=True)
class SetupFactor:
    """Something on the car that a team changes.

    kind: category, ordered or number. `levels` maps a level to the properties that it changes
    against the reference; for a number `per_unit` does so for one unit above the reference, and
    `usual` holds the values that people try. `positions`: of its levels on the property that the
    team names, none without one.
    """

    name: str
    label: str
    kind: str
    reference: str
    levels: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    unit: str = ""
    per_unit: Mapping[str, float] = field(default_factory=dict)
    usual: tuple[str, ...] = ()
    positions: Mapping[str, int] = field(default_factory=dict)

    def change(self, value: str) -> Array:
        """What a value does to the car: (properties,), added to the car without it.

        Raises KeyError for a level that the factor does not have.
        """
        if self.kind == "number":
            steps = float(value) - float(self.reference)
            return _vector({name: steps * size for name, size in self.per_unit.items()})
        return _vector(self.levels[value])

    @property
    def choices(self) -> tuple[str, ...]:
        return self.usual if self.kind == "number" else tuple(self.levels)


def _vector(changes: Mapping[str, float]) -> Array:
    return np.array([changes.get(name, 0.0) for name in PROPERTIES])


def build(factors: Mapping[str, SetupFactor], settings: Mapping[str, str]) -> Array:
    """A car with these settings: (properties,)."""
    return STANDARD + sum(factors[name].change(value) for name, value in settings.items())


def cornering_grip(car: Array, track_grip: Array, roughness_mm: float) -> Array:
    """Grip of the car on the track, tyres apart: car (..., properties), track_grip broadcastable.

    Roll and flex let the tyres follow a slippery track; on a grippy one the same softness folds
    the car over its outer tyres. So each track grip has a stiffness that suits it.
    """
    stiffness, downforce, height = car[..., 0], car[..., 2], car[..., 4]
    mismatch = stiffness - STIFFNESS_PER_GRIP * (track_grip - 1.0)
    grounding = np.maximum(0.0, roughness_mm - height)
    loss = MISMATCH_COST * mismatch**2 + GROUNDING_COST * grounding**2
    loss = loss + HEIGHT_COST * (height - STANDARD[4])
    return track_grip * (1.0 + downforce - loss)


def corner_time(car: Array) -> Array:
    """Time of the corners relative to the kit's car, for how readily it turns."""
    rotation = car[..., 1]
    return 1.0 - ROTATION_GAIN * rotation + ROTATION_COST * rotation**2


def twitchiness(car: Array, track_grip: Array, feel: Array) -> Array:
    """By how much the car enlarges its driver's deviations; 1 is the kit's car at grip 1.

    feel: how much the driver depends on the car (1 is usual, less is better).
    """
    stiffness, rotation, downforce = car[..., 0], car[..., 1], car[..., 2]
    loose = TWITCH_PER_ROTATION * rotation * (2.0 - track_grip)
    steady = STEADY_PER_STIFFNESS * stiffness + STEADY_PER_DOWNFORCE * downforce
    return np.exp(feel * (loose - steady))
