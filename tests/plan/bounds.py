"""Every order of a small test day and what each can show: bounds for any planner."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.plan.orders import all_sequences, limits_of, settings_of
from pipeline.plan.precision import View, views_of
from pipeline.plan.request import DayRequest
from pipeline.plan.trend import Nuisance
from tests.plan.days import bent

MOST = 100_000
BLIND_S = 1000.0


@dataclass(frozen=True)
class Every:
    """All m orders. orders: (m, drivers, runs) numbers of settings; half_widths: (m, k) s a lap."""

    orders: np.ndarray
    half_widths: np.ndarray


def every_width(request: DayRequest, nuisance: Nuisance | None = None) -> Every:
    """For one or two drivers; the grip is the planner's, unless another nuisance is given."""
    settings = settings_of(request.factors)
    pool = all_sequences(settings, limits_of(request, settings), MOST)
    assert pool is not None
    pool = pool.astype(np.int8)
    nuisance = nuisance or bent(request, request.components.curve_s)
    views = views_of(nuisance, settings.columns.shape[1])
    if len(request.drivers) == 1:
        orders = pool[:, None]
        return Every(orders, _half_widths(views, settings.columns[pool], settings.contrasts))
    first, second = np.divmod(np.arange(len(pool) ** 2), len(pool))
    orders = np.stack([pool[first], pool[second]], axis=1)
    flat = orders.reshape(len(orders), -1)
    parts = [
        _half_widths(views, settings.columns[part], settings.contrasts)
        for part in np.array_split(flat, max(1, len(flat) // 5000))
    ]
    return Every(orders, np.concatenate(parts))


def _half_widths(views: Sequence[View], designs: np.ndarray, contrasts: np.ndarray) -> np.ndarray:
    """(m, k) for designs (m, n, q); infinite where a design cannot tell."""
    total = np.zeros((len(designs), len(contrasts)))
    for view in views:
        information = np.swapaxes(designs, 1, 2) @ view.projection @ designs
        ridge = 1e-10 * np.abs(view.projection).max() * np.eye(designs.shape[2])
        inverse = np.linalg.inv(information + ridge)
        variances = np.einsum("kq,mqr,kr->mk", contrasts, inverse, contrasts)
        total += view.scatter.half_width * np.sqrt(np.maximum(variances, 0))
    return np.where(total < BLIND_S, total, np.inf)
