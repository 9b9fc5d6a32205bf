"""The lap rules: every bound, just inside and just outside."""

from __future__ import annotations

from statistics import median

import numpy as np
import pytest

from pipeline.read.status import NAMES, Centres, grouped_median, lap_status, run_centres

# A race of laps at 16 s; the lap in question is the third.
STEADY = [20.0, 16.0, 16.0, 16.0, 16.0]


def statuses(laps: list[float], centre: float = 16.0, spread: float = 0.1, **more: object) -> list:
    run = np.zeros(len(laps), int)
    opens = np.arange(len(laps)) == 0
    centres = Centres(np.array([centre]), np.array([spread]))
    found = lap_status(run, np.array(laps), opens, centres, **more)  # type: ignore[arg-type]
    return list(NAMES[found])


@pytest.mark.parametrize(
    ("lap_s", "spread", "status"),
    [
        # an incident is over 6 spreads above the centre, and over a twentieth of it
        (17.5, 0.25, "clean"),
        (17.5001, 0.25, "incident"),
        (16.7999, 0.1, "clean"),
        (16.8001, 0.1, "incident"),
        # as far below it: a corner cut, a passing of another
        (14.5, 0.25, "clean"),
        (14.4999, 0.25, "other"),
        (15.2001, 0.1, "clean"),
        (15.1999, 0.1, "other"),
        # a stop takes over two laps and a half
        (39.9999, 0.1, "incident"),
        (40.0, 0.1, "incident"),
        (40.0001, 0.1, "other"),
        # a missed passing makes two, three or four laps one, to a twentieth of a lap
        (31.1999, 0.1, "incident"),
        (31.2001, 0.1, "missed"),
        (32.7999, 0.1, "missed"),
        (32.8001, 0.1, "incident"),
        (47.1999, 0.1, "other"),
        (47.2001, 0.1, "missed"),
        (48.7999, 0.1, "missed"),
        (63.2001, 0.1, "missed"),
        (64.8001, 0.1, "other"),
        (80.0, 0.1, "other"),
        # or to four spreads of so many laps together
        (32 + 4 * 2**0.5 * 0.25 - 1e-4, 0.25, "missed"),
        (32 + 4 * 2**0.5 * 0.25 + 1e-4, 0.25, "incident"),
        (48 - 4 * 3**0.5 * 0.25 + 1e-4, 0.25, "missed"),
        (48 - 4 * 3**0.5 * 0.25 - 1e-4, 0.25, "other"),
        (64 + 4 * 4**0.5 * 0.25 - 1e-4, 0.25, "missed"),
        (64 + 4 * 4**0.5 * 0.25 + 1e-4, 0.25, "other"),
        # of a wild driver only what is over 1.7 laps
        (27.1999, 2.0, "clean"),
        (27.2001, 2.0, "missed"),
        # no car laps a track in under two seconds
        (1.9999, 0.1, "double"),
        (2.0, 0.1, "other"),
    ],
)
def test_a_lap(lap_s: float, spread: float, status: str) -> None:
    laps = [*STEADY[:2], lap_s, *STEADY[3:]]
    found = statuses(laps, spread=spread)
    assert found == ["first", "clean", status, "clean", "clean"]


@pytest.mark.parametrize(
    ("lap_s", "spread", "status"), [(41.0, 0.1, "missed"), (34.0, 2.5, "clean")]
)
def test_the_very_bounds(lap_s: float, spread: float, status: str) -> None:
    """A twentieth of 20 s, and 1.7 laps of it, are numbers that a computer holds."""
    assert statuses([20.0, 20.0, lap_s, 20.0], centre=20.0, spread=spread)[2] == status


def test_a_run_of_doubles_has_no_first_lap() -> None:
    assert statuses([1.5, 1.5]) == ["double", "double"]


@pytest.mark.parametrize(("lap_s", "status"), [(1.5999, "double"), (1.6, "other")])
def test_on_a_short_track_a_double_is_under_two_fifths_of_a_lap(lap_s: float, status: str) -> None:
    assert statuses([5.0, 4.0, lap_s, 4.0], centre=4.0, spread=0.02)[2] == status


@pytest.mark.parametrize(
    ("lap_s", "spread", "status"),
    [
        # nearer to the centre than 0.9 of the bound, or half the centre, no rule looks
        (16.72, 0.1, "clean"),
        (24.1, 3.0, "clean"),
        (7.9, 3.0, "clean"),
    ],
)
def test_laps_near_the_centre(lap_s: float, spread: float, status: str) -> None:
    assert statuses([20.0, 16.0, lap_s, 16.0], spread=spread)[2] == status


@pytest.mark.parametrize(
    ("pair", "spread", "found"),
    [
        # the two parts make a lap, to the bound of an incident
        ((1.5, 14.5), 0.1, ("double", "double")),
        ((14.5, 1.5), 0.1, ("double", "double")),
        ((1.5, 15.2999), 0.1, ("double", "double")),
        ((1.5, 15.3001), 0.1, ("double", "clean")),
        ((1.5, 13.7001), 0.1, ("double", "double")),
        ((1.5, 13.6999), 0.1, ("double", "other")),
        ((15.2999, 1.5), 0.1, ("double", "double")),
        ((15.3001, 1.5), 0.1, ("clean", "double")),
        # and the rest is shorter than a lap: by half the bound, at most by half a second
        ((0.45, 15.5999), 0.1, ("double", "double")),
        ((0.45, 15.6001), 0.1, ("double", "clean")),
        ((0.9, 15.4999), 0.25, ("double", "double")),
        ((0.9, 15.5), 0.25, ("double", "clean")),
        ((1.5, 13.0), 0.25, ("double", "other")),
        # two doubles, and no lap at all
        ((1.5, 1.5), 0.1, ("double", "double")),
    ],
)
def test_a_lap_cut_in_two(pair: tuple[float, float], spread: float, found: tuple[str, str]) -> None:
    assert statuses([20.0, 16.0, *pair, 16.0], spread=spread)[2:4] == list(found)


def test_a_double_is_cut_from_its_own_run_alone() -> None:
    """The first lap of the next run is no part of it."""
    run, opens = np.array([0, 0, 0, 1, 1, 1]), np.array([1, 0, 0, 1, 0, 0], bool)
    centres = Centres(np.array([16.0, 16.0]), np.array([0.1, 0.1]))
    laps = np.array([16.0, 16.0, 1.5, 14.5, 14.5, 16.0])
    found = list(NAMES[lap_status(run, laps, opens, centres)])
    assert found == ["first", "clean", "double", "first", "other", "clean"]


def test_the_first_lap_of_a_run_is_its_first_true_one() -> None:
    run, opens = np.array([0, 0, 0, 1, 1]), np.array([1, 0, 0, 1, 0], bool)
    centres = Centres(np.array([16.0, 16.0]), np.array([0.1, 0.1]))
    laps = np.array([1.5, 18.0, 16.0, 25.0, 16.0])
    found = list(NAMES[lap_status(run, laps, opens, centres)])
    assert found == ["double", "first", "clean", "first", "clean"]
    assert statuses([18.0, 1.5, 16.0]) == ["first", "double", "clean"]


def test_doubles_and_slow_laps_that_are_known() -> None:
    held = np.array([False, False, True, True, False])
    doubles = np.array([False, False, True, False, False])
    assert statuses([20.0, 16.0, 16.0, 30.0, 16.0], held=held, doubles=doubles) == [
        "first", "clean", "double", "neutralised", "clean",
    ]  # fmt: skip
    opening = np.array([True, False, False])
    assert statuses([20.0, 16.0, 16.0], held=opening) == ["first", "clean", "clean"]


def test_without_centres_the_laps_but_the_first_give_them() -> None:
    laps = np.array([40.0, 16.0, 16.1, 15.9, 16.0, 18.0, 16.0, 15.9, 16.1])
    opens = np.arange(9) == 0
    found = lap_status(np.zeros(9, int), laps, opens)
    assert list(NAMES[found]) == ["first", *["clean"] * 4, "incident", *["clean"] * 3]
    assert len(lap_status(np.zeros(0, int), np.zeros(0), np.zeros(0, bool))) == 0


def by_hand(runs: list[list[float]], use: list[list[bool]]) -> tuple[list[float], list[float]]:
    """Median and steadied robust SD of each run; 0.37 and 8 as Rousseeuw and Croux (1993) give the
    efficiency of the median absolute deviation, 1.4826 its consistency (Hampel 1974)."""
    spoken = [
        [lap for lap, flag in zip(laps, flags, strict=True) if flag] or laps
        for laps, flags in zip(runs, use, strict=True)
    ]
    centre = [median(laps) for laps in spoken]
    own = [1.4826 * median(abs(x - c) for x in laps)
           for laps, c in zip(spoken, centre, strict=True)]  # fmt: skip
    long = [s / c for s, c, laps in zip(own, centre, spoken, strict=True) if len(laps) >= 8]
    usual = median(long) if long else 0.01
    spread = []
    for s, c, laps in zip(own, centre, spoken, strict=True):
        weight = 0.37 * (len(laps) - 1)
        steadied = ((weight * s**2 + 8 * (usual * c) ** 2) / (weight + 8)) ** 0.5
        spread.append(max(steadied, 0.003 * c))
    return centre, spread


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("lengths", [(1, 2, 7), (9, 8, 1), (9, 8, 9, 2), (9, 7, 1, 8, 4), (12, 12)])
def test_centres_as_by_hand(seed: int, lengths: tuple[int, ...]) -> None:
    rng = np.random.default_rng(seed)
    level, sd = rng.uniform(10, 30, len(lengths)), rng.uniform(0.001, 0.5)
    runs = [list(rng.normal(c, sd, n)) for c, n in zip(level, lengths, strict=True)]
    use = [[bool(i) or seed % 3 == 0 for i in range(n)] for n in lengths]
    found = run_centres(
        np.repeat(np.arange(len(runs)), lengths), np.concatenate(runs), np.concatenate(use)
    )
    centre, spread = by_hand(runs, use)
    np.testing.assert_allclose(found.centre, centre, rtol=1e-12)
    np.testing.assert_allclose(found.spread, spread, rtol=1e-12)


def test_medians_of_groups() -> None:
    values = np.array([3.0, 1.0, 2.0, 5.0, 9.0, 4.0, 1.0])
    found = grouped_median(values, np.array([3, 0, 2, 1, 1]))
    np.testing.assert_array_equal(found, [2.0, np.nan, 7.0, 4.0, 1.0])
    np.testing.assert_array_equal(grouped_median(values[:6], np.array([2, 2, 2])), [2, 3.5, 6.5])
    assert len(run_centres(np.zeros(0, int), np.zeros(0), np.zeros(0, bool)).centre) == 0
