"""How far intervals hold that are looked at again and again, and that earlier seasons narrow.

    python -m tests.seasons.study > tests/seasons/RESULTS.md

Pace alone, of the worlds of `world`: rival cars 6, 8 runs of 10 laps a driver and meeting.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.models.effects import Effect
from pipeline.models.looks import anytime_interval
from pipeline.models.season import Found, estimate
from pipeline.models.with_seasons import as_earlier, with_seasons
from tests.seasons.world import Kind, World, world

LOOKS = {
    "6 looks, effect constant": (Kind(factors=2, between_meetings=0.0), 6),
    "6 looks, 0.05 s between meetings": (Kind(factors=2, between_meetings=0.05), 6),
    "6 looks, 0.08 s": (Kind(factors=2, between_meetings=0.08), 6),
    "6 looks, 0.05 s, one car": (Kind(cars=1, factors=2, between_meetings=0.05), 6),
    "6 looks, 0.05 s, two earlier seasons": (
        Kind(factors=2, between_meetings=0.05, earlier=2, between_seasons=0.05), 6),
    "12 looks of 6 planned, 0.02 s": (Kind(factors=2, between_meetings=0.02, meetings=12), 6),
    "12 looks of 12 planned, constant": (Kind(factors=2, meetings=12), 12),
}  # fmt: skip
THREE = Kind(factors=2, between_meetings=0.03, earlier=2, meetings=3)
EARLIER = {
    "persists (0.02 s between seasons), 4 cars": replace(THREE, between_seasons=0.02),
    "persists, 1 car": replace(THREE, between_seasons=0.02, cars=1),
    "persists, 8 contrasts at once": replace(THREE, between_seasons=0.02, factors=8),
    "0.08 s between seasons, 4 cars": replace(THREE, between_seasons=0.08),
    "0.15 s, 4 cars": replace(THREE, between_seasons=0.15),
    "0.08 s, 1 car": replace(THREE, between_seasons=0.08, cars=1),
    "scatter grown from 0.03 to 0.06 s": replace(
        THREE, between_seasons=0.02, before=0.03, between_meetings=0.06),
}  # fmt: skip


@dataclass(frozen=True)
class Share:
    """Of seasons, with its Monte Carlo error, in per cent."""

    values: Sequence[float]

    def __str__(self) -> str:
        mean = float(np.mean(self.values))
        error = float(np.std(self.values) / np.sqrt(len(self.values)))
        return f"{100 * mean:.1f} ± {100 * error:.1f}"


def looked_at(found: World, planned: int) -> tuple[list[float], Mapping[int, float]]:
    """Of one season: for each contrast whether the truth was ever left out, by the plain and the
    anytime interval (shares of the contrasts), and look -> width of the one over the other."""
    *before, present = found.seasons
    past = [as_earlier(str(n), _pace(one)) for n, one in enumerate(before)]
    days = sorted(set(present.runs["meeting"]))
    plain = anytime = np.zeros(len(found.truth), bool)
    near, wider = None, {}
    for look in range(1, len(days) + 1):
        seen = present.only(present.runs["meeting"].isin(days[:look]).to_numpy())
        near = _pace(seen, near)
        effects = with_seasons(near, past).effects
        ends = [(e.estimate.interval(), anytime_interval(e.estimate, e.look, planned))
                for e in effects if e.estimate is not None]  # fmt: skip
        # One meeting without earlier seasons speaks of that meeting, not of the season's effect.
        if look > 1 or past:
            left_out = np.array([[not low <= t <= high for low, high in pair]
                                 for pair, t in zip(ends, found.truth, strict=True)])  # fmt: skip
            plain, anytime = plain | left_out[:, 0], anytime | left_out[:, 1]
        wider[look] = float(np.mean([(b[1] - b[0]) / (a[1] - a[0]) for a, b in ends]))
    return [float(plain.mean()), float(anytime.mean())], wider


def narrowed(found: World) -> tuple[float, float, float]:
    """Of one season: shares of the contrasts that are held with earlier seasons and alone, and the
    log of the one half-width over the other."""
    *before, present = found.seasons
    past = [as_earlier(str(n), _pace(one)) for n, one in enumerate(before)]
    effects = with_seasons(_pace(present), past).effects
    both = [_held(effect.estimate, t) for effect, t in zip(effects, found.truth, strict=True)]
    alone = [_held(effect.alone, t) for effect, t in zip(effects, found.truth, strict=True)]
    ratio = np.mean([np.log(b[1] / a[1]) for a, b in zip(alone, both, strict=True)])
    return float(np.mean([b[0] for b in both])), float(np.mean([a[0] for a in alone])), float(ratio)


def _held(estimate: object, truth: float) -> tuple[bool, float]:
    assert estimate is not None
    low, high = estimate.interval()  # type: ignore[attr-defined]
    return low <= truth <= high, (high - low) / 2


def _pace(data: object, near: Found | None = None) -> Found:
    """Pace over all conditions alone, without shuffled logs: as `estimate` fits it."""
    return estimate(data, ["pace"], [], near=near)  # type: ignore[arg-type]


def without_shuffles() -> None:
    """The second voice has no part in any interval and costs as much as the fits."""
    from pipeline.models import season

    season.with_second_voice = _as_they_are  # type: ignore[assignment]


def _as_they_are(design: object, laps: object, fits: object, effects: list[Effect], *_: object,
                 **__: object) -> list[Effect]:  # fmt: skip
    return effects


def looks_table(seasons: int) -> Iterator[str]:
    yield "| season | ever left out, plain | ever left out, over all looks | width over plain |"
    yield "|---|---:|---:|---|"
    for number, (name, (kind, planned)) in enumerate(LOOKS.items()):
        rng = np.random.default_rng([1, number])
        found = [looked_at(world(kind, rng), planned) for _ in range(seasons)]
        plain, anytime = (Share([one[0][i] for one in found]) for i in range(2))
        at = [look for look in (2, 3, 6, 12) if look <= kind.meetings]
        wider = ", ".join(f"{np.mean([one[1][k] for one in found]):.2f} at {k}" for k in at)
        yield f"| {name} | {plain} | {anytime} | {wider} |"


def earlier_table(seasons: int) -> Iterator[str]:
    yield "| two earlier seasons of 6 meetings, three of this one | held | held alone | narrower |"
    yield "|---|---:|---:|---:|"
    for number, (name, kind) in enumerate(EARLIER.items()):
        rng = np.random.default_rng([2, number])
        found = [narrowed(world(kind, rng)) for _ in range(seasons)]
        held, alone = (Share([one[i] for one in found]) for i in range(2))
        ratio = 1 - np.exp(np.mean([one[2] for one in found]))
        yield f"| {name} | {held} | {alone} | {100 * ratio:.0f} % |"


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument(
        "--seasons", type=int, default=40, help="a cell of the first table, 0 for none"
    )
    reader.add_argument("--looked", type=int, default=30, help="a cell of the second, 0 for none")
    asked = reader.parse_args()
    without_shuffles()
    command = f"python -m tests.seasons.study --seasons {asked.seasons} --looked {asked.looked}"
    print("# What earlier seasons know, and looking at any time\n")
    print(f"`{command}`: so many seasons a cell, of")
    print(
        "two contrasts each unless said; per cent, with Monte Carlo errors (at 0 or 100 none can be"
    )
    print("said). The truth is the effect in this season.\n")
    for table, count in ((earlier_table, asked.seasons), (looks_table, asked.looked)):
        for line in table(count) if count else ():
            print(line, flush=True)
        print()


if __name__ == "__main__":
    main()
