"""plan.json: a plan as a file, with what is needed to draw its order again."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np

from pipeline.plan.exact import DRAWS
from pipeline.plan.lot import Lot
from pipeline.plan.orders import UNKNOWN, Order, settings_of
from pipeline.plan.output import as_json
from pipeline.plan.planner import Plan, chance_of, rebuilt
from pipeline.plan.request import MOST_RUNS, Components, DayRequest, PlanFactor
from pipeline.plan.slots import Slots

MOST_COMPARED = 20_000  # orders, one by one


@dataclass(frozen=True, eq=False)
class Stage:
    """One drawing of the day's order: the first, or anew for the rest of a day that had begun.

    order: (drivers, runs) that was drawn, by `seed`.
    """

    seed: int
    slots: Slots
    order: Order
    lot: Lot

    @cached_property
    def again(self) -> Order:
        """(draws, drivers, runs) orders drawn as this one was."""
        return self.lot.draw(DRAWS, np.random.default_rng([self.seed, 1]))

    @property
    def is_drawn(self) -> bool:
        """Whether the order is one of the lot: it is not if somebody changed the file."""
        return bool(self.lot.holds(self.order[None])[0])


@dataclass(frozen=True, eq=False)
class Drawn:
    """A plan as its file holds it: the day that was asked for, and each drawing."""

    request: DayRequest
    stages: tuple[Stage, ...]

    @property
    def seed(self) -> int:
        return self.stages[0].seed

    def has(self, driver: int, run: int) -> bool:
        """Whether the day has that run (both from 0)."""
        return 0 <= run < self.stages[-1].slots.ends[driver]

    def stage(self, driver: int, run: int) -> int:
        """Which drawing the run's setting comes from: the last before it was driven."""
        before = [n for n, one in enumerate(self.stages) if len(one.slots.done[driver]) <= run]
        return before[-1]

    def planned(self, driver: int, run: int) -> int:
        """Number of the setting that was planned for the run."""
        return int(self.stages[self.stage(driver, run)].order[driver, run])

    def settings(self, driver: str, run: int) -> dict[str, str] | None:
        """Factor -> level that was planned for the run (from 1); None where there was none."""
        names = self.request.drivers
        if driver not in names or not self.has(names.index(driver), run - 1):
            return None
        place, factors = names.index(driver), self.request.factors
        levels = settings_of(factors).levels[self.planned(place, run - 1)]
        return {f.name: f.levels[level] for f, level in zip(factors, levels, strict=True)}

    @cached_property
    def again(self) -> Order:
        """(draws, drivers, runs) the whole day's order drawn anew, each part as it was drawn."""
        out = self.stages[-1].again.copy()
        for driver, run in np.ndindex(out.shape[1:]):
            if self.has(driver, run):
                out[:, driver, run] = self.stages[self.stage(driver, run)].again[:, driver, run]
        return out

    @property
    def every(self) -> Order | None:
        """All orders that could have been drawn, (orders, drivers, runs); None where they are too
        many, or where the rest of the day was drawn anew."""
        every = self.stages[0].lot.every if len(self.stages) == 1 else None
        return every if every is not None and len(every) <= MOST_COMPARED else None


def chance_for(seed: int, stage: int) -> np.random.Generator:
    """What a day's order is drawn by, at its start (stage 0) and each time that it is resumed."""
    return chance_of(seed) if stage == 0 else np.random.default_rng([seed, 1 + stage])


def as_file(plan: Plan, seed: int, before: Sequence[Mapping[str, Any]] = ()) -> dict[str, Any]:
    """The plan as plan.json holds it. before: earlier drawings of the same day, as in its file."""
    cells = as_json(plan)
    for run in cells["runs"]:
        driver = plan.request.drivers.index(run["driver"])
        run["start"] = plan.start(driver, run["run"] - 1)
    return {
        "meeting": plan.request.meeting,
        "seed": seed,
        "held": dict(plan.request.held),
        **cells,
        "day": _day(plan.request),
        "drawn": [*before, _stage(plan, seed)],
    }


def _day(request: DayRequest) -> dict[str, Any]:
    day = asdict(request)
    return {name: value for name, value in day.items() if name not in ("meeting", "held")}


def _stage(plan: Plan, seed: int) -> dict[str, Any]:
    slots, lot, size = plan.slots, plan.lot, plan.size
    return {
        "seed": seed,
        "orders": size.orders,
        "of": size.of,
        "sampled": size.sampled,
        "tolerance": lot.tolerance,
        "at_most": [float(x) if np.isfinite(x) else None for x in plan.at_most],
        "best": lot.best.tolist(),
        "order": plan.order.tolist(),
        "hours": slots.hours.tolist(),
        "counts": slots.counts.tolist(),
        "done": [list(own) for own in slots.done],
        "ends": list(slots.ends),
    }


@lru_cache(maxsize=2)  # a run sheet is drawn again and again while the day goes on
def drawn_of(text: str) -> Drawn:
    """What `as_file` wrote, as JSON.

    Raises KeyError, TypeError, ValueError, IndexError, AttributeError or CallError for anything
    else.
    """
    raw = json.loads(text)
    day = dict(raw["day"])
    factors = tuple(
        PlanFactor(**{**factor, "levels": tuple(factor["levels"])}) for factor in day["factors"]
    )
    given = {
        "factors": factors,
        "drivers": tuple(day["drivers"]),
        "components": Components(**day["components"]),
        "meeting": raw["meeting"],
        "held": tuple(raw["held"].items()),
    }
    request = DayRequest(**{**day, **given})
    return Drawn(request, tuple(_read_stage(request, stage) for stage in raw["drawn"]))


def _read_stage(request: DayRequest, raw: Mapping[str, Any]) -> Stage:
    slots = Slots(
        np.array(raw["hours"], dtype=float),
        np.array(raw["counts"], dtype=bool),
        tuple(tuple(map(int, own)) for own in raw["done"]),
        tuple(map(int, raw["ends"])),
    )
    at_most = np.array([np.inf if x is None else float(x) for x in raw["at_most"]])
    best, order = (np.array(raw[name], dtype=np.int64) for name in ("best", "order"))
    _check_sizes(request, slots, [best, order])
    if len(at_most) != sum(len(factor.levels) - 1 for factor in request.factors):
        raise ValueError("promises for other contrasts")
    lot = rebuilt(request, slots, at_most, best, float(raw["tolerance"]))
    return Stage(abs(int(raw["seed"])), slots, order, lot)


def _check_sizes(request: DayRequest, slots: Slots, orders: Sequence[Order]) -> None:
    """Raises ValueError where the parts of a drawing do not fit together."""
    drivers, width = len(request.drivers), slots.hours.shape[-1]
    settings = len(settings_of(request.factors).levels)
    shapes = {slots.hours.shape, slots.counts.shape, *(order.shape for order in orders)}
    lengths = [(len(done), end) for done, end in zip(slots.done, slots.ends, strict=True)]
    if shapes != {(drivers, width)} or len(lengths) != drivers or width > MOST_RUNS * 2:
        raise ValueError("orders and runs of different sizes")
    if any(not 0 <= done <= end <= width for done, end in lengths):
        raise ValueError("more runs than there are")
    numbers = [*orders, *(np.array(done, dtype=np.int64) for done in slots.done)]
    if any(((one < UNKNOWN) | (one >= settings)).any() for one in numbers):
        raise ValueError("a setting that there is not")
    if not np.isfinite(slots.hours).all() or any((order < 0).any() for order in orders):
        raise ValueError("hours or settings that are none")
