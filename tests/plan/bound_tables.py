"""What the best of all orders of three levels could do, as tables of STUDY.md."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.plan.orders import settings_of, usual_order
from pipeline.plan.planner import chance_of, plan_day
from pipeline.plan.request import DayRequest
from pipeline.plan.trend import Nuisance
from tests.plan.bounds import Every, every_width
from tests.plan.days import bent, day, every_driver, polynomial
from tests.plan.markdown import head, listed, row
from tests.plan.trials import plan_of

OF_USUAL = 0.50
CASES = [(1, 1), (1, 0), (2, 1)]  # drivers, warm-up runs
RUNS = (6, 7, 8)
USUALS = ("AAABBCC", "AABBBCC", "AABBCCC", "AABBCCA")


@dataclass(frozen=True)
class Ratios:
    """Every order against the usual and the mean random one. Both (m, k)."""

    of_usual: np.ndarray
    of_random: np.ndarray
    random_limit: float
    row_of_usual: int

    @property
    def within(self) -> np.ndarray:
        """(m,) no wider than is promised against random order."""
        return (self.of_random <= self.random_limit).all(axis=1)

    @property
    def kept(self) -> np.ndarray:
        """(m,) all that is promised."""
        return self.within & (self.of_usual <= OF_USUAL).all(axis=1)

    def least_worst(self, among: np.ndarray | None = None) -> int:
        """The order whose wider contrast is least, relative to the usual order."""
        worst = self.of_usual.max(axis=1)
        return int(np.where(True if among is None else among, worst, np.inf).argmin())


def ratios(request: DayRequest, every: Every, usual: np.ndarray | None = None) -> Ratios:
    settings = settings_of(request.factors)
    usual = usual_order(settings, every_driver(request, settings)) if usual is None else usual
    row_of_usual = _row_of(every, usual)
    shuffled = every.half_widths[_equal_shares(request, every.orders)]
    random = np.ma.masked_invalid(shuffled).mean(axis=0).data
    with np.errstate(invalid="ignore"):
        of_usual = every.half_widths / every.half_widths[row_of_usual]
    limit = 0.90 if len(request.drivers) == 1 else 1.00
    of_usual = np.where(np.isnan(of_usual), np.inf, of_usual)
    return Ratios(of_usual, every.half_widths / random, limit, row_of_usual)


def _row_of(every: Every, order: np.ndarray) -> int:
    return int(np.flatnonzero((every.orders == order).all(axis=(1, 2)))[0])


def _equal_shares(request: DayRequest, orders: np.ndarray) -> np.ndarray:
    """(m,) whether every driver has the levels as often as a shuffled order has them."""
    shares = np.bincount(np.arange(request.runs) % 3, minlength=3)
    counts = np.stack([(orders == level).sum(axis=2) for level in range(3)], axis=2)
    equal: np.ndarray = (counts == shares).all(axis=(1, 2))
    return equal


def bounds_table() -> Iterator[str]:
    yield from head(
        "drivers",
        "warm-up",
        "runs",
        "orders",
        "least of B alone",
        "least of C alone",
        "least worst",
        "least mean",
        "narrowest",
        "least worst within random's limit",
        "orders that keep all",
        "planned",
        "wider (%)",
    )
    for drivers, warm_up in CASES:
        for runs in RUNS:
            yield _bounds_row(day(drivers, runs, 3, warm_up=warm_up))


def _bounds_row(request: DayRequest) -> str:
    every = every_width(request)
    found = ratios(request, every)
    squares = (every.half_widths**2).sum(axis=1)
    chosen = [
        found.least_worst(),
        int(found.of_usual.mean(axis=1).argmin()),
        int(squares.argmin()),
        found.least_worst(found.within),
    ]
    ours = _row_of(every, plan_day(request, chance_of(1)).lot.best)
    return row(
        len(request.drivers),
        "yes" if request.warm_up else "no",
        request.runs,
        len(squares),
        *(f"{value:.3f}" for value in found.of_usual.min(axis=0)),
        *(listed(found.of_usual[order], 3) for order in chosen),
        int(found.kept.sum()),
        listed(found.of_usual[ours], 3),
        f"{100 * np.sqrt(squares[ours] / squares.min()) - 100:.1f}",
    )


def trends(request: DayRequest) -> dict[str, Nuisance]:
    bends = {f"spline, bend of {size:g} s": bent(request, size) for size in (0.02, 0.05, 0.1, 0.3)}
    return {
        "straight line": bent(request, 0.0),
        **bends,
        "quadratic": polynomial(request, 2),
        "cubic": polynomial(request, 3),
    }


def trends_table() -> Iterator[str]:
    yield from head("analysed with", *(f"{runs} runs" for runs in RUNS))
    requests = [day(1, runs, 3) for runs in RUNS]
    for name in trends(requests[0]):
        cells = [_cell(request, trends(request)[name]) for request in requests]
        yield row(name, *cells)


def _cell(request: DayRequest, nuisance: Nuisance) -> str:
    every = every_width(request, nuisance)
    found = ratios(request, every)
    planned = plan_of(1, request.runs, 3).lot.best
    ours = _row_of(every, planned)
    best = found.least_worst(found.within)
    return (
        f"{listed(found.of_usual[best], 2)} ({int(found.kept.sum())}); "
        f"planned {listed(found.of_usual[ours], 2)}"
    )


def usuals_table() -> Iterator[str]:
    """What the bound for seven runs owes to the usual order that it is measured by."""
    yield from head(
        "usual order", "usual (s)", "least worst within random's limit", "orders that keep all"
    )
    request = day(1, 7, 3)
    every = every_width(request)
    for text in USUALS:
        order = np.array([["ABC".index(level) for level in text]])
        found = ratios(request, every, order)
        best = found.of_usual[found.least_worst(found.within)]
        widths = every.half_widths[found.row_of_usual]
        yield row(" ".join(text), listed(widths, 3), listed(best, 3), int(found.kept.sum()))


INTRODUCTION = """
### What the best of all orders could do

Every order was tried (first run at the reference, or free), by the planner's formula. Numbers are
half-widths over the usual order's, of B and C. *Alone*: the other level may be given up. *Least
worst*, *least mean*: of the two contrasts. *Narrowest*: least sum of squared half-widths. *Within
random's limit*: both contrasts at most 0.90 (several drivers: 1.00) of the mean random order. *Keep
all*: that, and both at most 0.50 of the usual order. *Wider*: the planned order's root mean square
half-width over that of the narrowest.
"""
EXPLANATION = """
In the usual order B stands next to A and C far from it, so that a trend costs B - A less than
C - A: for B the usual order is a harder match. The narrowest order treats B and C alike and leaves
B at 0.52 to 0.57 of it with one driver. The planner takes the narrowest order in which every
contrast keeps both limits (optimal by one criterion among those that satisfy others: Cook and Wong
1994; from memory), and gives up what the last column says. With one driver and seven runs no order
keeps them all: each that has B within 0.50 has C above 0.90 of a random order. There 0.515 is the
least that any order within random's limit has, and the planner has it.

The bound depends on what is called usual. That everything is tried in turn, the reference first and
longest, is common practice (no source). With seven runs, one driver:
"""
TRENDS = """
A team that goes back to A at the end is a harder match than one that does not.

### By the analysis

One driver, warm-up at the reference: least worst within random's limit (orders that keep all), and
what the planner's order has, which is chosen for a spline with a bend of 0.05 s. The more freely
the trend may bend, the easier the limits are to keep; the planned order for six runs would suffer
from a cubic, which leaves nothing to measure scatter by on such a day.
"""


def section() -> Iterator[str]:
    yield INTRODUCTION
    yield from bounds_table()
    yield EXPLANATION
    yield from usuals_table()
    yield TRENDS
    yield from trends_table()
