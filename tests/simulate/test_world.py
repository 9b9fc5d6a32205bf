import numpy as np
import pytest

from pipeline.simulate.track import Venue, Weather, lay_rubber, track_grip
from pipeline.simulate.world import run, run_many
from tests.simulate.worlds import all_at, day, kit


def test_the_same_world_gives_the_same_laps_and_another_seed_others():
    once, again = (run(day(seed=3), kit(day(seed=3))) for _ in range(2))
    np.testing.assert_array_equal(once.lap_s, again.lap_s)
    other = run(day(seed=4), kit(day(seed=4)))
    assert not np.array_equal(once.lap_s[0, :5, :10], other.lap_s[0, :5, :10])


def test_several_settings_side_by_side_are_the_same_as_one_after_the_other():
    world = day(drivers=12, surface="asphalt")
    several = [kit(world), all_at(world, body="wedge"), all_at(world, rear_toe="2.5")]
    for together, settings in zip(run_many(world, several, 3), several, strict=True):
        alone = run(world, settings, 3)
        np.testing.assert_allclose(together.lap_s, alone.lap_s, rtol=1e-12)
        np.testing.assert_array_equal(together.crashed, alone.crashed)


def test_a_part_that_changes_nothing_changes_no_lap():
    world = day()
    alloy, steel = (run(world, all_at(world, screws=kind)) for kind in ("alloy", "steel"))
    np.testing.assert_array_equal(alloy.lap_s, steel.lap_s)


@pytest.mark.parametrize("traffic", [False, True])
def test_rivals_laps_move_with_the_teams_option_through_traffic_alone(traffic):
    world = day(traffic=traffic)
    rivals = [r for r in range(len(world.runs)) if r not in world.team_runs]
    slow = run(world, kit(world))
    quick = run(world, all_at(world, body="wedge", rear_toe="2.5"))
    both = ~np.isnan(slow.lap_s[0, rivals]) & ~np.isnan(quick.lap_s[0, rivals])
    moved = np.abs(quick.lap_s - slow.lap_s)[0, rivals][both]
    # A lap more or less of the team lays a little more or less rubber: under 2 ms.
    assert (moved.max() > 0.1) if traffic else (moved.max() < 0.002)
    assert np.median(moved) < 0.002


def session_means(world, draws=4):
    """Mean clean lap of the rivals by session, s."""
    laps = run(world, kit(world), draws)
    lap_s = np.where(laps.clean, laps.lap_s, np.nan)
    rivals = [r for r in range(len(world.runs)) if r not in world.team_runs]
    session = np.array([world.runs[r].session for r in rivals])
    return np.array([np.nanmean(lap_s[:, rivals][:, session == s]) for s in range(8)])


def test_carpet_gains_grip_fast_at_first_then_less():
    # Common practice, no source: several tenths of a second a lap over a day.
    means = session_means(day("medium", drivers=30))
    assert 0.3 < means[0] - means[-1] < 1.2
    assert means[0] - means[2] > 3 * (means[5] - means[7])


def test_asphalt_in_the_sun_can_go_backwards():
    venue = Venue("Testplatz", "asphalt", 17.0)
    hours = np.arange(9.0, 18.0)
    grip = track_grip(venue, np.full(9, 0.6), Weather(air=24.0, sun=1.0), hours)
    assert grip[4] < min(grip[0], grip[-1]) - 0.03


def test_rain_takes_grip_outdoors_only():
    shower = Weather(showers=((12.0, 13.0),))
    hours, rubber = np.array([11.9, 12.5, 13.1]), np.full(3, 0.5)
    out = track_grip(Venue("a", "asphalt", 17.0), rubber, shower, hours)
    indoors = track_grip(Venue("b", "carpet", 17.0), rubber, shower, hours)
    assert out[1] < min(out[0], out[2]) - 0.1
    assert np.ptp(indoors) == 0.0


def test_rubber_saturates_however_it_is_laid():
    venue = Venue("a", "carpet", 15.0, rubber_passings=100.0)
    rubber = np.zeros(1)
    for _ in range(50):
        rubber = lay_rubber(venue, rubber, np.array([10.0]))
    assert rubber == pytest.approx(lay_rubber(venue, np.zeros(1), np.array([500.0])))
    assert 0.99 < rubber[0] < 1.0


def test_drivers_differ_by_three_in_repeatability():
    world = day(drivers=40, team=0)
    sd = np.array([driver.lap_sd for driver in world.drivers])
    assert 2.5 < np.quantile(sd, 0.95) / np.quantile(sd, 0.05) < 4.5
    laps = run(world, {}, draws=4)
    lap_s = np.where(laps.clean, laps.lap_s, np.nan)[..., 4:16]
    driver = np.array([one.driver for one in world.runs])
    within = [
        np.nanstd(lap_s[:, driver == d] - _run_means(lap_s[:, driver == d])) for d in range(40)
    ]
    assert np.corrcoef(within, sd)[0, 1] > 0.9


def _run_means(lap_s):
    count = (~np.isnan(lap_s)).sum(axis=2, keepdims=True)
    return np.nansum(lap_s, axis=2, keepdims=True) / np.where(count > 1, count, np.nan)


def test_crashes_cost_what_marshalling_takes_and_slower_drivers_have_more():
    world = day(drivers=40, team=0, traffic=False)
    laps = run(world, {}, draws=8)
    lap_s = np.where(np.isnan(laps.lap_s).all(axis=2, keepdims=True), 0.0, laps.lap_s)
    lost = (laps.lap_s - np.nanmedian(lap_s, axis=2, keepdims=True))[laps.crashed]
    assert 2.0 < lost.min() < 4.0 < 9.0 < lost.max() < 13.0
    skill = np.array([world.drivers[one.driver].skill for one in world.runs])
    crashes = laps.crashed.sum((0, 2))
    slow = skill > np.median(skill)
    assert crashes[slow].sum() > 1.3 * crashes[~slow].sum()


def test_nobody_laps_faster_for_being_in_traffic():
    alone, crowded = (day(traffic=traffic) for traffic in (False, True))
    free, held = run(alone, kit(alone)), run(crowded, kit(crowded))
    assert np.all(held.lost_s >= 0.0)
    share = (held.lost_s > 0.02).sum() / (~np.isnan(held.lap_s)).sum()
    assert 0.03 < share < 0.35
    assert np.nanmean(held.lap_s) > np.nanmean(free.lap_s)


def test_a_run_lasts_five_minutes_and_ends_with_a_whole_lap():
    world = day()
    laps = run(world, kit(world))
    tone = np.array([world.heat(one).start * 3600.0 for one in world.runs])
    end = laps.start_s[0] + np.nansum(laps.lap_s[0], axis=1) - tone
    whole = end > 300.0  # the others broke down after a crash
    assert whole.mean() > 0.95
    last = np.array([lap_s[~np.isnan(lap_s)][-1] for lap_s in laps.lap_s[0][whole]])
    assert np.all(end[whole] - last < 300.0)
