"""The rest of a day that has begun: what counts as run, what is left, what it can still show."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import CallError
from pipeline.plan.file import Drawn, Stage
from pipeline.plan.orders import UNKNOWN, allowed, settings_of
from pipeline.plan.planner import Plan, chance_of, plan_day, plan_rest
from pipeline.plan.request import DayRequest, PlanFactor
from pipeline.plan.rest import Driven, Left, rest_notes, rest_of
from pipeline.plan.slots import Slots, clock
from tests.plan.days import day
from tests.plan.dropouts import broken_day

ONE, TWO = "Driver 1", "Driver 2"


def begun(plan: Plan, *rounds: int) -> dict[str, list[Driven]]:
    """So many runs of each driver, as planned, on time."""
    return {
        name.casefold(): [
            Driven(plan.setting(driver, run), plan.slots.hours[driver, run]) for run in range(count)
        ]
        for driver, (name, count) in enumerate(zip(plan.request.drivers, rounds, strict=True))
    }


def drawn_of(plan: Plan) -> Drawn:
    return Drawn(plan.request, (Stage(1, plan.slots, plan.order, plan.lot),))


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_day(day(2, 8), chance_of(1))


AS_PLANNED = Left()


def anew(
    plan: Plan, driven: dict[str, list[Driven]], left: Left = AS_PLANNED
) -> tuple[Slots, Plan]:
    slots, old = rest_of(drawn_of(plan), driven, left)
    return slots, plan_rest(plan.request, slots, old, chance_of(2))


def test_what_was_run_stands_and_the_rest_keeps_the_limits(plan: Plan) -> None:
    slots, new = anew(plan, begun(plan, 4, 4))
    assert (new.order[:, :4] == plan.order[:, :4]).all()
    assert slots.ends == (8, 8)
    settings = settings_of(plan.request.factors)
    for driver, own in enumerate(slots.limits(plan.request, settings)):
        assert allowed(new.order[[driver]], settings, own).all()


def test_on_a_day_as_planned_nothing_gets_wider(plan: Plan) -> None:
    _, new = anew(plan, begun(plan, 4, 4))
    (contrast,) = new.contrasts
    assert contrast.half_width_s is not None and contrast.half_width_old_s is not None
    assert contrast.half_width_old_s == pytest.approx(plan.contrasts[0].half_width_s, rel=1e-6)
    assert contrast.half_width_s <= contrast.half_width_old_s * (1 + 1e-6)


def test_who_dropped_out_has_no_more_runs(plan: Plan) -> None:
    slots, new = anew(plan, begun(plan, 4, 3), Left(without=("driver 2",)))
    assert slots.ends == (8, 3)
    assert [run for _, name, run in new.each() if name == TWO] == [0, 1, 2]
    assert any("Driver 2 runs no more" in note for note in rest_notes(plan.request, slots))


def test_what_was_missed_is_not_made_up_unless_the_day_gets_longer(plan: Plan) -> None:
    slots, _ = rest_of(drawn_of(plan), begun(plan, 4, 2), Left())
    assert slots.ends == (8, 6)
    assert any("not made up" in note for note in rest_notes(plan.request, slots))
    slots, _ = rest_of(drawn_of(plan), begun(plan, 4, 2), Left(runs=10))
    assert slots.ends == (10, 8)


def test_a_late_start_moves_everything_and_the_warm_up_is_still_to_come(plan: Plan) -> None:
    slots, new = anew(plan, {}, Left(first="11:30", runs=6))
    assert [new.start(0, run) for run in range(3)] == ["11:30", "12:15", "13:00"]
    assert slots.ends == (6, 6)
    assert (new.order[:, 0] == 0).all()


def test_who_comes_late_begins_with_a_warm_up(plan: Plan) -> None:
    _, new = anew(plan, begun(plan, 3, 0))
    assert new.order[1, 0] == 0
    assert new.slots.hours[1, 0] == new.slots.hours[0, 3]


def test_the_next_runs_follow_the_last_real_start(plan: Plan) -> None:
    driven = begun(plan, 2, 2)
    driven[ONE.casefold()][1] = Driven(plan.setting(0, 1), 10.5)
    slots, _ = rest_of(drawn_of(plan), driven, Left())
    assert [clock(slots.hours[0, run]) for run in (1, 2, 3)] == ["10:30", "11:15", "12:00"]
    slots, _ = rest_of(drawn_of(plan), driven, Left(first="12:05"))
    assert clock(slots.hours[1, 2]) == "12:05"


@pytest.mark.parametrize("level", [None, "C"])
def test_a_setting_that_is_not_the_plans_counts_for_nothing(plan: Plan, level: str | None) -> None:
    driven = begun(plan, 3, 3)
    driven[ONE.casefold()][2] = Driven({"factor_0": level}, 10.5)
    slots, new = anew(plan, driven)
    assert slots.done[0][2] == UNKNOWN and not slots.counts[0, 2]
    assert any("Driver 1, run 3: left out, or" in note for note in rest_notes(plan.request, slots))
    known = [c.half_width_s for c in anew(plan, begun(plan, 3, 3))[1].contrasts]
    assert new.contrasts[0].half_width_s > known[0] * 1.01


def test_rain_counts_for_nothing_but_what_was_on_the_car_does(plan: Plan) -> None:
    driven = begun(plan, 3, 3)
    driven[ONE.casefold()][2] = Driven(plan.setting(0, 2), 10.5, counts=False)
    slots, _ = rest_of(drawn_of(plan), driven, Left())
    assert slots.done[0][2] == plan.order[0, 2] and not slots.counts[0, 2]


def test_a_slow_factor_has_only_the_changes_left_that_it_did_not_use() -> None:
    factors = (PlanFactor("quick", ("A", "B")), PlanFactor("slow", ("A", "B"), slow=True))
    plan = plan_day(DayRequest(factors, (ONE, TWO), 8), chance_of(1))
    driven = begun(plan, 4, 4)
    fitted = ["A", "B", "A", "A"]
    driven[ONE.casefold()] = [
        Driven({"quick": "A", "slow": level}, 9 + 0.75 * n) for n, level in enumerate(fitted)
    ]
    _, new = anew(plan, driven)
    slow = new.levels[0, 3:, 1]
    assert (slow == 0).all()


def test_a_resumed_day_can_be_resumed(plan: Plan) -> None:
    slots, new = anew(plan, begun(plan, 3, 3), Left(without=(TWO,)))
    drawn = Drawn(plan.request, (*drawn_of(plan).stages, Stage(2, slots, new.order, new.lot)))
    assert [drawn.stage(0, run) for run in (0, 2, 3, 7)] == [0, 0, 1, 1]
    assert not drawn.has(1, 3)
    driven = {**begun(new, 5, 0), TWO.casefold(): begun(plan, 3, 3)[TWO.casefold()]}
    slots, old = rest_of(drawn, driven, Left(without=(TWO,)))
    assert slots.ends == (8, 3)
    assert (old[0] == new.order[0]).all()


@pytest.mark.parametrize(
    ("rounds", "left", "words"),
    [
        ((8, 8), Left(), "runs that are still to come"),
        ((4, 4), Left(without=(ONE, TWO)), "nobody who runs on"),
        ((4, 4), Left(without=("Drivr 2",)), "Did you mean 'Driver 2'"),
        ((4, 4), Left(runs=31), "at most 30"),
        ((4, 4), Left(first="25:00"), "a time as 09:40"),
    ],
)
def test_what_cannot_be_is_said(
    plan: Plan, rounds: tuple[int, int], left: Left, words: str
) -> None:
    with pytest.raises(CallError, match=words):
        anew(plan, begun(plan, *rounds), left)


def test_days_that_went_otherwise() -> None:
    """A small version of `tests.plan.dropouts`, whose table is DROPOUTS.md."""
    days = [one for one in map(broken_day, range(100, 106)) if one is not None]
    assert len(days) >= 4
    assert max(one.of_old for one in days) <= 1 + 1e-6
    assert float(np.median([one.ratio for one in days])) <= 1.1
    assert max(one.ratio for one in days) <= 1.4
