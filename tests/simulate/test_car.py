import numpy as np
import pytest

from pipeline.simulate.car import (
    PROPERTIES,
    STANDARD,
    build,
    corner_time,
    cornering_grip,
    twitchiness,
)
from pipeline.simulate.parts import CATALOGUE

STIFFNESS = np.linspace(-1.0, 1.0, 41)


def cars(**properties: np.ndarray) -> np.ndarray:
    """One car for each value; all else as the kit's."""
    size = len(next(iter(properties.values())))
    out = np.tile(STANDARD, (size, 1))
    for name, values in properties.items():
        out[:, PROPERTIES.index(name)] = values
    return out


def test_the_stiffness_that_grips_best_rises_with_the_grip_of_the_track():
    # Common practice, no source: soft for low grip, stiff for high grip.
    best = [
        STIFFNESS[np.argmax(cornering_grip(cars(stiffness=STIFFNESS), np.array(grip), 4.5))]
        for grip in (0.85, 0.92, 1.0, 1.08, 1.15)
    ]
    assert np.all(np.diff(best) > 0)
    assert best[0] < -0.5 < 0.5 < best[-1]


def test_a_softer_car_enlarges_deviations_at_any_grip():
    # Common practice, no source: the stiffer car is the more predictable one.
    for grip in (0.85, 1.0, 1.15):
        assert np.all(np.diff(twitchiness(cars(stiffness=STIFFNESS), np.array(grip), 1.0)) < 0)


def test_rotation_is_quick_up_to_a_point_and_twitchier_where_there_is_less_grip():
    rotation = np.linspace(0.0, 3.0, 61)
    assert 0 < np.argmin(corner_time(cars(rotation=rotation))) < 60
    loose = cars(rotation=np.array([0.6]))
    slippery, grippy = (twitchiness(loose, np.array(grip), 1.0)[0] for grip in (0.85, 1.15))
    assert slippery > grippy > 1.0


def test_a_rough_track_takes_back_what_a_low_car_gains():
    height = np.array([4.6, 5.2, 5.8])
    smooth, rough = (cornering_grip(cars(height=height), np.array(1.0), mm) for mm in (4.0, 5.6))
    assert np.argmax(smooth) == 0
    assert np.argmax(rough) > 0


def test_settings_add_up_and_a_number_goes_by_its_unit():
    car = build(CATALOGUE, {"rear_bar": "1.4", "rear_toe": "2.5", "ride_height": "5.7"})
    added = CATALOGUE["rear_bar"].change("1.4") + CATALOGUE["rear_toe"].change("2.5")
    assert car - STANDARD == pytest.approx(added + np.array([0, 0, 0, 0, 0.5, 0]))
    assert build(CATALOGUE, {n: f.reference for n, f in CATALOGUE.items()}) == pytest.approx(
        STANDARD
    )


def test_a_level_that_does_not_exist_is_refused():
    with pytest.raises(KeyError):
        build(CATALOGUE, {"rear_bar": "1.5"})
