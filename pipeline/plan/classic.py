"""Run orders of the literature, from which the search may start.

In standard order of 2^k runs the interaction of m of the k basic columns is orthogonal to every
polynomial of degree below m; giving the factors to the highest interactions frees them from trend
(Daniel and Wilcoxon 1966; Cheng and Jacroux 1988). Its first run has every factor at its first
level, which suits a warm-up at the reference.
"""

from __future__ import annotations

import numpy as np

from pipeline.plan.orders import Limits, Order, Settings, allowed


def trend_free_order(settings: Settings, limits: Limits, drivers: int) -> Order | None:
    """(drivers, runs) the same for each driver; None where the limits or the sizes forbid it."""
    basic = limits.runs.bit_length() - 1
    sizes = settings.levels.max(axis=0) + 1
    if limits.runs != 1 << basic or (sizes != 2).any() or len(sizes) > basic:
        return None
    run = np.arange(limits.runs)
    levels = [_parity(run & mask) for mask in _independent_masks(basic)[: len(sizes)]]
    sequence = np.asarray(np.ravel_multi_index(tuple(levels), tuple(sizes)))
    order = np.tile(sequence, (drivers, 1))
    return order if allowed(order, settings, limits).all() else None


def _parity(numbers: Order) -> Order:
    return np.array([int(number).bit_count() % 2 for number in numbers])


def _independent_masks(basic: int) -> list[int]:
    """Sets of basic columns as bits, the largest first, none a sum of those before it."""
    chosen: list[int] = []
    spanned = {0}
    for mask in sorted(range(1, 1 << basic), key=lambda one: -one.bit_count()):
        if mask not in spanned:
            chosen.append(mask)
            spanned |= {mask ^ other for other in spanned}
    return chosen
