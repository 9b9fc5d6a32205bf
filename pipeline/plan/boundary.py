"""How often restricted maximum likelihood will find a day's grip bent at all.

Where the restricted likelihood falls from a bend of size zero on, the estimate is zero and the
day is analysed with a straight line. Its slope there is a quadratic form of the runs' means, so
that the chance has an exact value for so few runs (Crainiceanu and Ruppert 2004, J. R. Stat. Soc.
B 66, 165-185, as RLRsim cites it); for many, and no bend in truth, it tends to one half (Self and
Liang 1987, J. Am. Stat. Assoc. 82, 605-610; from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import integrate

from pipeline.plan.trend import Array, Nuisance

NEVER = 1e-6


def chance_of_bend(nuisance: Nuisance) -> float:
    """Chance that the slope is positive, where grip bends as much as `nuisance` has it.

    Without the settings, which take little from it: one figure for all orders of a day.
    """
    straight = replace(nuisance, smooth=np.zeros_like(nuisance.smooth))
    P = nuisance.run_variance * straight.projection()
    bend = P @ nuisance.smooth @ P
    slope = bend - np.trace(bend) / np.trace(P) * P
    root = np.linalg.cholesky(nuisance.covariance)
    found = chance_positive(np.linalg.eigvalsh(root.T @ slope @ root))
    return min(max(found, NEVER), 1 - NEVER)


def chance_positive(weights: Array) -> float:
    """Chance that a weighted sum of independent chi-squared values (1 df each) is positive.

    weights: (n,), not all zero. Imhof (1961), Biometrika 48, 419-426, equation 3.2 at zero.
    """
    scaled = weights / np.abs(weights).max()
    scaled = scaled[np.abs(scaled) > 1e-12]

    def integrand(u: float) -> float:
        angle = np.arctan(scaled * u).sum() / 2
        log_size = np.log1p((scaled * u) ** 2).sum() / 4
        return float(np.sin(angle) * np.exp(-log_size) / u)

    return 0.5 + float(integrate.quad(integrand, 0, np.inf, limit=200)[0]) / np.pi
