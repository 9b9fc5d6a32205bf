"""How large effects usually are, and how those of options that share a property hang together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.decide.evidence import Key
from pipeline.models.axis import GRADIENT

if TYPE_CHECKING:
    from numpy.random import Generator

    from pipeline.models.engine.rows import Array, Codes

# An option either follows its property, within a quarter of a usual effect, or goes its own way:
# normal deviations alone cannot be both narrow where all follow and honest where one does not.
FOLLOWS, OWN_SHARE = 0.7, 0.25
ONE_STEP = "+1"


@dataclass(frozen=True)
class Usual:
    """How large effects on an outcome are before a season is looked at.

    median: of their SD, in the outcome's unit; gradient: that of gradients as a share of it;
    log_sd: how far each may be off, on the log scale. often: how often an effect is each of
    `belief.LOCAL` times that size. best_inside: chance that a number's curve has a best value and
    not a worst one; 0.5 says nothing.
    """

    median: float
    gradient: float
    log_sd: float
    often: tuple[float, ...]
    best_inside: float = 0.5


@dataclass(frozen=True)
class Sizes:
    """How large effects usually are: SDs of the effect itself and of its gradient, (g,) both, and
    how likely each pair is, (g,). units: what of such a size each coefficient has."""

    itself: Array
    gradient: Array
    weight: Array
    units: Mapping[Key, float]
    usual: Usual

    def deviations(self, keys: Sequence[Key], place: Codes) -> Array:
        """Prior SDs of coefficients under the pairs at `place` (g,), (g, k)."""
        own = [self.gradient if key.part == GRADIENT else self.itself for key in keys]
        units = [self.units[key] for key in keys]
        return np.array([one[place] * unit for one, unit in zip(own, units, strict=True)]).T


def prior_covariance(sizes: Sizes, keys: Sequence[Key], place: Codes) -> Array:
    """Of coefficients that have nothing to do with each other, (g, k, k)."""
    deviations = sizes.deviations(keys, place)
    return np.asarray((deviations**2)[:, :, None] * np.eye(len(keys)))


@dataclass(frozen=True)
class Shared:
    """What several factors do alike. positions: of each coefficient, as steps of the property."""

    name: str
    positions: Mapping[Key, float]

    @property
    def keys(self) -> list[Key]:
        """The effect of one step of the property, and its gradient."""
        return [Key(self.name, ONE_STEP, ""), Key(self.name, ONE_STEP, GRADIENT)]

    def covariance(self, sizes: Sizes, keys: Sequence[Key], place: Codes, rng: Generator) -> Array:
        """Of coefficients, the property's own among them, (g, k, k): in each of the g draws every
        factor follows the property or goes its own way."""
        factors = sorted({key.factor for key in self.positions})
        follows = rng.random((len(place), len(factors))) < FOLLOWS
        steps = np.array([self._steps(key) for key in keys])
        of_factor = [factors.index(key.factor) if key in self.positions else -1 for key in keys]
        whole = np.column_stack([follows, np.ones(len(place), bool)])[:, of_factor]
        along = np.array([key.part == GRADIENT for key in keys])
        own = sizes.deviations(keys, place)
        one_step = np.where(along, sizes.gradient[place][:, None], sizes.itself[place][:, None])
        loading = np.where(whole, steps * one_step, 0.0)
        together = loading[:, :, None] * loading[:, None, :]
        together *= along[:, None] == along[None, :]
        rest = np.where(whole & (steps != 0), OWN_SHARE * own, own) ** 2
        rest[:, [key in self.keys for key in keys]] = 0.0
        # A trace of its own keeps the property's rows apart from those of options on step one.
        rest += 1e-6 * own**2
        return np.asarray(together + rest[:, :, None] * np.eye(len(keys)))

    def _steps(self, key: Key) -> float:
        return 1.0 if key in self.keys else self.positions.get(key, 0.0)
