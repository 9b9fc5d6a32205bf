"""Days that went otherwise, planned anew: `python -m tests.plan.dropouts` writes DROPOUTS.md.

Each day is planned, broken at random, and planned anew from what was run. Its half-widths are held
against the best order that knew beforehand which runs there would be, and against going on as
planned.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.errors import CallError
from pipeline.plan.file import Drawn, Stage
from pipeline.plan.orders import settings_of
from pipeline.plan.planner import Day, Plan, chance_of, plan_day, plan_rest
from pipeline.plan.request import DayRequest
from pipeline.plan.rest import Driven, Left, rest_of
from pipeline.plan.search import find_order
from pipeline.plan.slots import Slots
from tests.plan.days import day
from tests.plan.markdown import head, row

DAYS, SEED = 300, 5
LEVELS = ((2,), (3,), (2, 2))
KINDS = ("drops out", "starts late", "misses rounds", "another setting", "rain")


@dataclass(frozen=True)
class Broken:
    """One day. widths: (k,) half-widths by the new order, s a lap; old: going on as planned,
    infinite where it cannot tell; known: of the best order that knew."""

    kind: str
    widths: np.ndarray
    old: np.ndarray
    known: np.ndarray

    @property
    def ratio(self) -> float:
        """Root mean square half-width over that of the best order that knew."""
        return float(np.sqrt((self.widths**2).sum() / (self.known**2).sum()))

    @property
    def of_old(self) -> float:
        """The largest of the contrasts' half-widths over those of going on."""
        return float((self.widths / self.old).max())


def broken_day(number: int) -> Broken | None:
    """The day of that number; None where no order could tell every contrast of it any more."""
    chance = np.random.default_rng([SEED, number])
    drivers, runs = int(chance.integers(2, 5)), int(chance.integers(6, 9))
    request = day(drivers, runs, *LEVELS[chance.integers(len(LEVELS))])
    plan = plan_day(request, chance)
    kind = KINDS[chance.integers(len(KINDS))]
    driven, left = _driven(plan, kind, chance)
    drawn = Drawn(request, (Stage(0, plan.slots, plan.order, plan.lot),))
    slots, old = rest_of(drawn, driven, left)
    try:
        anew = plan_rest(request, slots, old, chance)
    except CallError:
        return None
    widths = [c.half_width_s for c in anew.contrasts]
    known = _known(request, slots)
    if None in widths or not np.isfinite(known).all():
        return None
    going_on = [
        np.inf if c.half_width_old_s is None else c.half_width_old_s for c in anew.contrasts
    ]
    return Broken(kind, np.array(widths, float), np.array(going_on), known)


def _driven(
    plan: Plan, kind: str, chance: np.random.Generator
) -> tuple[dict[str, list[Driven]], Left]:
    """Up to a round from the second to the last but two, one driver's day goes otherwise."""
    request = plan.request
    rounds = int(chance.integers(2, request.runs - 1))
    who = int(chance.integers(len(request.drivers)))
    driven: dict[str, list[Driven]] = {}
    for driver, name in enumerate(request.drivers):
        there = np.ones(rounds, dtype=bool)
        if driver == who and kind == "starts late":
            there[: chance.integers(1, rounds + 1)] = False
        if driver == who and kind == "misses rounds":
            there[chance.choice(rounds, min(2, rounds), replace=False)] = False
        hours = [request.first_hour + 0.75 * r for r in np.flatnonzero(there)]
        own = [Driven(plan.setting(driver, n), hour) for n, hour in enumerate(hours)]
        if driver == who and kind == "another setting":
            other = plan.setting(driver, int(chance.integers(request.runs)))
            own[-1] = replace(own[-1], settings=other)
        if kind == "rain":
            own[-1] = replace(own[-1], counts=False)
        driven[name.casefold()] = own
    return driven, Left((request.drivers[who],) if kind == "drops out" else ())


def _known(request: DayRequest, slots: Slots) -> np.ndarray:
    """(k,) half-widths of the best order for the same runs, none of them driven yet."""
    free = replace(slots, done=((),) * len(slots.done))
    whole = Day(request, free, settings_of(request.factors))
    aim = whole.aim(np.full(len(whole.settings.contrasts), np.inf))
    return whole.of(find_order(aim, chance_of(1)).order).half_widths


def lines(days: list[Broken], tried: int) -> Iterator[str]:
    yield INTRODUCTION.format(days=tried)
    yield from head(
        "what happened", "days", "new / knew: median", "19 of 20", "worst",
        "new / going on: median", "worst", "going on / knew: median", "19 of 20",
    )  # fmt: skip
    for kind in (*KINDS, "all"):
        own = [one for one in days if kind in (one.kind, "all")]
        if own:
            yield row(kind, len(own), *_cells(own))
    yield f"\nOn {tried - len(days)} further days no order could tell every contrast any more."


def _cells(own: list[Broken]) -> Iterator[str]:
    ratios, old = [one.ratio for one in own], [one.of_old for one in own]
    on = [float(np.sqrt((one.old**2).sum() / (one.known**2).sum())) for one in own]
    for values, shares in ((ratios, (0.5, 0.95, 1)), (old, (0.5, 1)), (on, (0.5, 0.95))):
        yield from (f"{np.quantile(values, share, method='inverted_cdf'):.3f}" for share in shares)


INTRODUCTION = """\
# Days that went otherwise, planned anew

Made by `python -m tests.plan.dropouts --days {days}`. Two to four drivers, six to eight runs, one
factor at two or three levels or two at two; somewhere between the second round and the last but two
one driver drops out for good, has not begun, missed two rounds, or ran a setting of another run; or
it rained in the last round, which does not count. Half-widths are the planner's, over all contrasts
(root mean square): *knew* is the best order that could have been planned for the runs that there
were, *going on* the old order. *New / going on* is the worst contrast's; it can pass 1 only where
going on would break the limits, since the last run was not as planned. The new order is drawn by
lot, as the old one was, which takes up to 5 % (10 where there are few orders).
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=DAYS)
    count = parser.parse_args().days
    days = []
    for number in range(count):
        found = broken_day(number)
        days += [] if found is None else [found]
        print(number, found, flush=True)
    text = "\n".join(lines(days, count)) + "\n"
    (Path(__file__).parent / "DROPOUTS.md").write_text(text, "utf-8")


if __name__ == "__main__":
    main()
