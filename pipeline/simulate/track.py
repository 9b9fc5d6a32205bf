"""The venue and its grip over a day: rubber from every passing, sun on asphalt, rain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate.car import Array

BEST_TRACK_TEMPERATURE = 31.0  # degrees C at which asphalt grips best
TEMPERATURE_COST = 0.00030  # grip per squared degree away from it
WET_LOSS = 0.20


@dataclass(frozen=True)
class Venue:
    """A track. Grip 1 is medium; lap times are a good driver's with the kit's car at grip 1.

    corner_share: share of the lap in corners; roughness_mm: height under the chassis below which
    the car grounds; green, rubbered: grip without rubber and with all the rubber it takes;
    rubber_passings: passings that bring 63 % of it; overnight: share of the rubber that stays.
    """

    name: str
    surface: str
    base_lap_s: float
    corner_share: float = 0.55
    roughness_mm: float = 4.6
    green: float = 0.95
    rubbered: float = 1.10
    rubber_passings: float = 2400.0
    laid_before: float = 0.10
    overnight: float = 0.8

    @property
    def outdoors(self) -> bool:
        return self.surface == "asphalt"


@dataclass(frozen=True)
class Weather:
    """A day's air at noon (degrees C), sun (0 to 1) and showers (from, to; hours)."""

    air: float = 20.0
    sun: float = 0.7
    showers: tuple[tuple[float, float], ...] = ()

    def track_temperature(self, hour: Array) -> Array:
        """Degrees C of the surface; the sun heats it most in the early afternoon."""
        height = np.clip(np.sin(np.pi * (hour - 6.5) / 13.5), 0.0, 1.0)
        return self.air - 6.0 + (6.0 + 22.0 * self.sun) * height

    def wet(self, hour: Array) -> Array:
        return np.any([(hour >= a) & (hour < b) for a, b in self.showers], axis=0) * np.ones_like(
            hour
        )


def lay_rubber(venue: Venue, rubber: Array, passings: Array) -> Array:
    """Rubber (0 to 1) after so many more passings: each adds a share of what still fits."""
    return 1.0 - (1.0 - rubber) * np.exp(-passings / venue.rubber_passings)


def track_grip(venue: Venue, rubber: Array, weather: Weather, hour: Array) -> Array:
    """Grip of the track: all arrays of one shape."""
    grip = venue.green + (venue.rubbered - venue.green) * rubber
    if not venue.outdoors:
        return grip
    away = weather.track_temperature(hour) - BEST_TRACK_TEMPERATURE
    return grip - TEMPERATURE_COST * away**2 - WET_LOSS * weather.wet(hour)
