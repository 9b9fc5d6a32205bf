"""The kinds of season on which the analysis is tried, one record each.

Sizes (a lap SD of 0.22 s, 0.08 s between runs of one car, half a second between drivers, 3 % of
laps lost to an incident) are common practice of short timed heats, with no published source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Kind:
    """What a season is made of. Times in seconds (a lap), times of day in hours.

    factors: name and number of levels; the first level is the reference.
    order: 'mixed' (each driver's runs balanced over the day), 'random' (a permutation a driver),
        'clock' (one change a driver about noon), 'lunch' (all drivers change over lunch).
    grip: 'rubber' (gains, flattening), 'sun' (gains, then goes backwards).
    gain: smallest and largest gain of grip over a day.
    flattening: days' length over the time constant of the gain.
    lap_sd_ratio: largest lap SD of a driver over the smallest.
    tail_df: degrees of freedom of the laps' t distribution; 0 for normal laps.
    carry: autocorrelation of consecutive laps of a run.
    missing: share of runs that are lost; the same share of the rest ends early.
    slope_sd: SD between meetings of each effect on pace.
    heat_sd: SD of a shock to all cars of a heat.
    rival_run_sd: that of rivals over the team's `run_sd`.
    null_share: chance that a contrast is a real null (in every outcome).
    """

    name: str
    says: str
    team: int = 4
    rivals: int = 0
    meetings: int = 1
    runs: int = 8
    laps: tuple[int, int] = (20, 25)
    factors: tuple[tuple[str, int], ...] = (("bar", 2),)
    order: str = "random"
    grip: str = "rubber"
    gain: tuple[float, float] = (0.6, 0.6)
    flattening: float = 3.0
    driver_sd: float = 0.5
    driver_meeting_sd: float = 0.1
    run_sd: float = 0.08
    lap_sd: float = 0.22
    lap_sd_ratio: float = 1.5
    run_log_sd: float = 0.1
    tail_df: float = 0.0
    carry: float = 0.0
    come_in: float = 0.3
    fade: float = 0.005
    run_fade_sd: float = 0.004
    incident_rate: float = 0.03
    missing: float = 0.0
    slope_sd: float = 0.0
    heat_sd: float = 0.0
    rival_run_sd: float = 1.0
    null_share: float = 0.5


KINDS = (
    Kind("pair", "2 drivers, 8 runs each, nobody else, mixed order", team=2, order="mixed"),
    Kind("four", "4 drivers, 8 runs each, nobody else, random order"),
    Kind("field", "4 drivers and a field of 20, random order", rivals=20),
    Kind("clock", "the same, reference before lunch, change after it", rivals=20, order="clock"),
    Kind("unequal", "lap SD of drivers apart by three", rivals=20, lap_sd_ratio=3.0),
    Kind("tails", "heavy-tailed laps (t, 4 df)", rivals=20, tail_df=4.0),
    Kind("carry", "autocorrelated laps (0.4)", rivals=20, carry=0.4),
    Kind("gaps", "a quarter of the runs missing, a quarter cut short", rivals=20, missing=0.25),
    Kind("sun", "grip that goes backwards after noon", rivals=20, grip="sun"),
    Kind(
        "null",
        "three factors (2, 2 and 3 levels) that do nothing",
        rivals=20,
        factors=(("bar", 2), ("spring", 2), ("oil", 3)),
        null_share=1.0,
    ),
    Kind(
        "varying",
        "4 meetings, effects differ by meeting (SD 0.03 s)",
        rivals=20,
        meetings=4,
        gain=(0.3, 0.8),
        slope_sd=0.03,
    ),
    Kind(
        "season",
        "12 meetings, 60 drivers (6 of the team), 3 factors",
        team=6,
        rivals=54,
        meetings=12,
        factors=(("bar", 2), ("spring", 2), ("oil", 3)),
        gain=(0.3, 0.8),
        lap_sd_ratio=2.0,
    ),
    Kind("single", "1 driver and a field of 20, random order", team=1, rivals=20),
    Kind("heats", "a shock of 0.06 s common to each heat", rivals=20, heat_sd=0.06),
    Kind("steady", "rivals' runs vary twice as much as the team's", rivals=20, rival_run_sd=2.0),
    Kind("restless", "rivals' runs vary half as much as the team's", rivals=20, rival_run_sd=0.5),
)

# The plain day on which the naive analyses stand beside ours: nothing but drivers, grip, the
# run's luck and the lap's; no change does anything.
PLAIN = Kind(
    "plain-random",
    "4 drivers alone, random order",
    laps=(25, 25),
    flattening=4.5,
    driver_sd=0.35,
    driver_meeting_sd=0.0,
    lap_sd_ratio=1.0,
    run_log_sd=0.0,
    come_in=0.0,
    fade=0.0,
    run_fade_sd=0.0,
    incident_rate=0.0,
    null_share=1.0,
)
PLAIN_DAYS = (
    PLAIN,
    replace(PLAIN, name="plain-lunch", says="4 drivers alone, changed over lunch", order="lunch"),
)
BY_NAME = {kind.name: kind for kind in KINDS + PLAIN_DAYS}
