"""What invented teams change on their cars, and what each change does to the car's properties.

Sizes are of the order that racers speak of (from memory, no source); nothing here is a lap
time: what a part is worth comes out of the track, the tyres and the driver.
"""

from __future__ import annotations

from pipeline.simulate.car import SetupFactor

REAR_BAR = SetupFactor(
    "rear_bar",
    "Rear anti-roll bar",
    "ordered",
    "1.3",
    {
        "1.2": {"stiffness": -0.35, "rotation": -0.05},
        "1.3": {},
        "1.4": {"stiffness": 0.35, "rotation": 0.05},
    },
    unit="mm",
    positions={"1.2": -1, "1.3": 0, "1.4": 1},
)
CENTRE_BRACE = SetupFactor(
    "centre_brace",
    "Brace in the middle of the chassis",
    "category",
    "fitted",
    {"fitted": {}, "removed": {"stiffness": -0.60}},
    positions={"fitted": 0, "removed": -1},
)
REAR_TOE = SetupFactor(
    "rear_toe",
    "Rear toe-in",
    "ordered",
    "3.0",
    {"2.5": {"rotation": 0.60, "drag": -0.0010}, "3.0": {}},
    unit="deg",
)
BODY = SetupFactor(
    "body",
    "Body shell",
    "category",
    "round",
    {"round": {}, "wedge": {"downforce": 0.022, "drag": 0.0010}},
)
WING = SetupFactor(
    "wing",
    "Rear wing",
    "category",
    "low",
    {"low": {}, "high": {"downforce": 0.005, "drag": 0.0110}},
)
RIDE_HEIGHT = SetupFactor(
    "ride_height",
    "Ride height",
    "number",
    "5.2",
    unit="mm",
    per_unit={"height": 1.0},
    usual=("5.0", "5.2", "5.4", "5.6"),
)
SCREWS = SetupFactor(
    "screws",
    "Chassis screws",
    "category",
    "steel",
    {"steel": {}, "alloy": {}},
)
FRONT_SPRING = SetupFactor(
    "front_spring",
    "Front springs",
    "ordered",
    "medium",
    {"soft": {"stiffness": -0.25, "rotation": 0.15}, "medium": {}, "hard": {"stiffness": 0.25}},
    positions={"soft": -1, "medium": 0, "hard": 1},
)
FRONT_OIL = SetupFactor(
    "front_oil",
    "Front damper oil",
    "ordered",
    "400",
    {"350": {"stiffness": -0.10, "rotation": 0.10}, "400": {}, "450": {"stiffness": 0.10}},
    unit="cSt",
)
TYRE_RUNS = SetupFactor(
    "tyre_runs",
    "Runs on the tyre set before this one",
    "number",
    "0",
    unit="runs",
    per_unit={"tyre_age": 1.0},
    usual=tuple(str(age) for age in range(6)),
)

CATALOGUE = {
    factor.name: factor
    for factor in (
        REAR_BAR,
        CENTRE_BRACE,
        REAR_TOE,
        BODY,
        WING,
        RIDE_HEIGHT,
        SCREWS,
        FRONT_SPRING,
        FRONT_OIL,
        TYRE_RUNS,
    )
}
