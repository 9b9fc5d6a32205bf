"""Lap by lap: noise, tyres, incidents, traffic, slow stretches, missed lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from scipy.signal import lfilter

from tests.worlds.parameters import Parameters
from tests.worlds.people import People, Runs, unit_t
from tests.worlds.schedule import Flags, Floats, Integers, Schedule

STATUSES = np.array(["clean", "first", "incident", "traffic", "missed", "neutralised", "other"])
CLEAN, FIRST, INCIDENT, TRAFFIC, MISSED, NEUTRALISED, OTHER = range(7)
CRASH_S = (3.0, 10.0)
SHARED_LASTS = 0.7  # what cars share, from one lap to the next
MOST_RATE = 0.5


@dataclass(frozen=True)
class Laps:
    """(N, L) lap times in s, what became of each lap, and which there are; L the longest run."""

    seconds: Floats
    status: Integers
    there: Flags


def draw_noise(p: Parameters, s: Schedule, rng: Generator) -> Floats:
    """(N, L) of variance 1, one lap hanging on the last; part of it the heat's."""
    shape = (len(s.scheduled), int(s.scheduled.max(initial=2)))
    match p.tails:
        case "normal":
            fresh = rng.standard_normal(shape)
        case "t":
            fresh = unit_t(rng, p.tail_df, shape)
        case _:
            root = 2 / p.skewness
            fresh = rng.gamma(root**2, size=shape) / root - root
    own = _hanging(fresh, p.autocorrelation)
    if not p.shared:
        return own
    heat = np.unique(np.column_stack([s.meeting, s.round, s.heat]), axis=0, return_inverse=True)[1]
    common = rng.standard_normal((int(heat.max(initial=0)) + 1, shape[1]))
    common = _hanging(common, SHARED_LASTS)[heat.ravel()]
    return np.sqrt(1 - p.shared) * own + np.sqrt(p.shared) * common


def _hanging(fresh: Floats, rho: float) -> Floats:
    """Of the same variance, each lap hanging on the last by `rho`."""
    if not rho:
        return fresh
    fresh[:, 1:] *= np.sqrt(1 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], fresh, axis=1))


def draw_laps(
    p: Parameters,
    s: Schedule,
    people: People,
    runs: Runs,
    gained: dict[str, Floats],
    noise: Floats,
    rng: Generator,
) -> Laps:
    """All laps; `gained`: what each run's settings add to each outcome (N,)."""
    lap = np.arange(1, noise.shape[1] + 1)
    driven = _driven(p, s, rng)
    there = lap <= driven[:, None]
    seconds = _expected(p, s, people, runs, gained, lap)
    if p.fade_run_sd:
        # About the middle of what was driven: what it does to the mean is the luck of runs.
        about = lap - (driven[:, None] + 2) / 2
        seconds += rng.normal(0, p.fade_run_sd, len(driven))[:, None] * about
    seconds += noise * (runs.lap_sd * np.exp(gained["spread"]))[:, None]
    status = np.full(noise.shape, CLEAN)
    _traffic(p, rng, seconds, status)
    rate = np.minimum(runs.rate * np.exp(gained["mistakes"]), MOST_RATE)
    _incidents(p, rng, rate, seconds, status)
    _slow_field(p, s, rng, seconds, status)
    seconds[:, 0] += rng.uniform(0.5, 4.0, len(seconds))
    status[:, 0] = FIRST
    _missed(p, rng, seconds, status, there)
    return Laps(np.maximum(seconds, 1.0).round(3), status, there)


def _driven(p: Parameters, s: Schedule, rng: Generator) -> Integers:
    count = len(s.scheduled)
    share = np.where(rng.random(count) < p.cut_short, rng.uniform(0.05, 0.9, count), 1.0)
    return np.maximum(np.round(s.scheduled * share), 1).astype(np.int64)


def middle(s: Schedule) -> Floats:
    """(M,) the lap number about which a run fades: the middle of laps 2 to the last."""
    return (s.laps + 2) / 2


def _expected(
    p: Parameters, s: Schedule, people: People, runs: Runs, gained: dict[str, Floats], lap: Integers
) -> Floats:
    slope = people.fade[s.driver] + gained["fade"]
    come_in = np.exp(-(lap - 1) / p.come_in_laps) * people.come_in[s.driver][:, None]
    level = (runs.base + gained["pace"])[:, None]
    return level + come_in + slope[:, None] * (lap - middle(s)[s.meeting][:, None])


def _traffic(p: Parameters, rng: Generator, seconds: Floats, status: Integers) -> None:
    held = rng.random(seconds.shape) < p.traffic_rate
    seconds[held] += rng.exponential(p.traffic_s, int(held.sum()))
    status[held] = TRAFFIC


def _incidents(
    p: Parameters, rng: Generator, rate: Floats, seconds: Floats, status: Integers
) -> None:
    """Lost seconds on the lap, and some on the next."""
    hit = rng.random(seconds.shape) < rate[:, None]
    count = int(hit.sum())
    small = rng.random(count) < p.small_share
    seconds[hit] += np.where(
        small, rng.exponential(p.small_loss_s, count), rng.uniform(*CRASH_S, count)
    )
    after = np.zeros_like(hit)
    after[:, 1:] = hit[:, :-1]
    if p.after_s:
        seconds[after] += rng.exponential(p.after_s, int(after.sum()))
        status[after] = OTHER
    status[hit] = INCIDENT


def usual_loss(p: Parameters) -> float:
    """Expected seconds that one incident costs, the lap after it included."""
    return p.small_share * p.small_loss_s + (1 - p.small_share) * sum(CRASH_S) / 2 + p.after_s


def unseen_loss(p: Parameters, bound: float) -> float:
    """Expected seconds of an incident that stay below `bound`: its lap may pass as clean."""
    mean = p.small_loss_s
    return p.small_share * (mean - np.exp(-bound / mean) * (bound + mean))


def _slow_field(
    p: Parameters, s: Schedule, rng: Generator, seconds: Floats, status: Integers
) -> None:
    """Stretches in which everybody on the track is slow: one heat's, somewhere in its middle."""
    if not p.slow_stretches or not len(seconds):
        return
    for meeting in range(p.meetings):
        for _ in range(rng.binomial(2, p.slow_stretches / 2)):
            round_, heat = rng.integers(p.runs), rng.integers(int(s.heat.max()) + 1)
            rows = np.flatnonzero((s.meeting == meeting) & (s.round == round_) & (s.heat == heat))
            _slow(rng, rows, seconds, status)


def _slow(rng: Generator, rows: Integers, seconds: Floats, status: Integers) -> None:
    if not len(rows):
        return
    ends = np.cumsum(seconds[rows], axis=1)
    starts = ends - seconds[rows]
    begin = rng.uniform(0.1, 0.8) * float(np.median(ends[:, -1]))
    end = begin + rng.uniform(20, 60)
    share = np.clip((np.minimum(ends, end) - np.maximum(starts, begin)) / seconds[rows], 0, 1)
    seconds[rows] *= 1 + share * rng.uniform(0.15, 0.8)
    status[rows] = np.where(share > 0, NEUTRALISED, status[rows])


def _missed(p: Parameters, rng: Generator, seconds: Floats, status: Integers, there: Flags) -> None:
    """A line that was not seen: two laps in one row."""
    lost = rng.random(seconds.shape) < p.missed
    lost[:, -1] = False
    lost[:, 1:] &= ~lost[:, :-1]
    lost[:, :-1] &= there[:, 1:]
    rows, laps = np.nonzero(lost)
    seconds[rows, laps] += seconds[rows, laps + 1]
    status[rows, laps] = MISSED
    there[rows, laps + 1] = False
