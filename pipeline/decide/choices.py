"""Which level to fit: for every factor, grip, surface and driver, by expected loss over a race."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.decide.race import Believed, Place
from pipeline.decide.sentences import fit_or_try
from pipeline.tables.conditions import POSITIONS

if TYPE_CHECKING:
    from pipeline.decide.options import Options
    from pipeline.models.design import Design
    from pipeline.models.engine.rows import Array
    from pipeline.tables.records import SeasonData

Flags = NDArray[np.bool_]
LIMITS_95, LIMITS_90 = (0.025, 0.975), (0.05, 0.95)


@dataclass(frozen=True)
class Situation:
    """A grip, a surface and a driver, '' for any; place: the same for the models."""

    grip: str
    surface: str
    driver: str
    place: Place


@dataclass(frozen=True)
class Circumstances:
    """All that choices are made in.

    runs: columns of the team's R runs in the design, (R,) each. position: on the axis of grip.
    present: driver ->
    factor -> setting of that driver's last run. worthwhile: seconds over a race that do not matter.
    worth_changing: gain over a race below which no part is changed.
    """

    runs: Mapping[str, NDArray[np.object_]]
    position: Array
    grips: tuple[str, ...]
    surfaces: tuple[str, ...]
    drivers: tuple[str, ...]
    present: Mapping[str, Mapping[str, str]]
    worthwhile: float
    worth_changing: float

    def situations(self) -> Iterator[Situation]:
        """Every grip, surface and driver, and any."""
        for driver in ("", *self.drivers):
            for surface in ("", *self.surfaces):
                for grip in ("", *self.grips):
                    place = self.place(grip, driver, surface)
                    yield Situation(grip, surface, driver, place)

    def place(self, grip: str, driver: str = "", surface: str = "") -> Place:
        """At a word of grip; '': on average over the runs."""
        if grip:
            return Place(POSITIONS[grip], driver, surface)
        square = float((self.position**2).mean())
        return Place(float(self.position.mean()), driver, surface, square)

    def here(self, situation: Situation) -> Flags:
        """Flags of the runs at its grip and on its surface, (R,)."""
        out = np.ones(len(self.position), bool)
        for name, word in (("grip", situation.grip), ("surface", situation.surface)):
            if word:
                out &= np.equal(self.runs[name], word).astype(bool)
        return out


def circumstances(
    data: SeasonData, design: Design, position: Array, worthwhile: float, worth_changing: float
) -> Circumstances:
    """Of a season's team. position: (R,) of the design's runs; worthwhile: seconds over a race."""
    runs = design.runs[design.team]
    grips = [word for word in POSITIONS if (runs["grip"] == word).any()]
    surfaces = sorted(runs["surface"].dropna().unique())
    drivers = sorted(runs["driver"].unique())
    return Circumstances(
        runs={str(name): runs[name].astype(object).to_numpy() for name in runs},
        position=position[design.team],
        grips=tuple(grips),
        surfaces=tuple(surfaces),
        drivers=tuple(drivers),
        present=_present(data),
        worthwhile=worthwhile,
        worth_changing=worth_changing,
    )


def _present(data: SeasonData) -> dict[str, dict[str, str]]:
    """The last setting of every factor that the log knows, for each driver of the team."""
    runs = data.runs[data.runs["team"]].sort_values(["date", "hour", "run_no"])
    out: dict[str, dict[str, str]] = {}
    for driver, own in runs.groupby("driver"):
        last = {f.name: own[f.name].dropna() for f in data.factors}
        out[str(driver)] = {name: str(s.iloc[-1]) for name, s in last.items() if len(s)}
    return out


def choice_rows(
    options: Sequence[Options], believed: Sequence[Believed], around: Circumstances
) -> list[dict[str, Any]]:
    """The rows of `decisions.CHOICES`, without their sentences."""
    known = {one.options.factor.name: one for one in believed}
    rows: list[dict[str, Any]] = []
    for one in options:
        found = known.get(one.factor.name)
        counts = level_counts(one, around)
        for situation in around.situations():
            if found is not None:
                rows += _told_rows(found, counts, situation, around)
            rows += _untold_rows(one, situation)
    return rows


def _key(options: Options, situation: Situation) -> dict[str, Any]:
    return {
        "factor": options.factor.name,
        "grip": situation.grip,
        "surface": situation.surface,
        "driver": situation.driver,
    }


def _untold_rows(options: Options, situation: Situation) -> Iterator[dict[str, Any]]:
    reasons = list(options.untold.items())
    if not options.levels:
        reasons = [("", reasons[0][1])] if reasons else []
    for level, reason in reasons:
        yield _key(options, situation) | {"level": level, "reason": reason}


def _told_rows(
    found: Believed,
    counts: Sequence[tuple[Flags, dict[str, int]]],
    situation: Situation,
    around: Circumstances,
) -> list[dict[str, Any]]:
    options, here = found.options, around.here(situation)
    gain = -found.seconds(situation.place)
    mean = gain.mean(axis=0)
    best = int(mean.argmax())
    present = around.present.get(situation.driver, {}).get(options.factor.name, "")
    on = options.levels.index(present) if present in options.levels else None
    shares = np.bincount(gain.argmax(axis=1), minlength=gain.shape[1]) / len(gain)
    loss = gain.max(axis=1).mean() - mean
    order = np.argsort(loss, kind="stable")
    over = _numbers("gain", gain)
    over_present = [] if on is None else _numbers("gain_present", gain - gain[:, [on]])
    rows: list[dict[str, Any]] = []
    for place, level in enumerate(options.levels):
        row = _key(options, situation) | {"level": level, "present": present or None}
        row |= over[place]
        if over_present:
            row |= over_present[place]
        other = order[0] if place != order[0] else order[1]
        row |= {"chance_best": shares[place], "loss_s": max(loss[place], 0.0)}
        with_it, numbers = counts[place]
        row |= {"other": options.levels[other], **numbers, "n_here": int((with_it & here).sum())}
        rows.append(row)
    now = on if on is not None else _reference_at(options)
    advice, at = _advice(gain, best, now, rows[best], around)
    rows[at]["advice"] = advice
    return rows


def _reference_at(options: Options) -> int | None:
    return options.levels.index(options.reference) if options.reference in options.levels else None


def _numbers(name: str, gain: Array) -> list[dict[str, float]]:
    """Of each level. gain: (draws, levels)."""
    by_level = np.ascontiguousarray(gain.T)  # neighbours in memory are quicker to put in order
    lows, highs = np.quantile(by_level, LIMITS_95, axis=1)
    known = "gain_s" if name == "gain" else f"{name}_s"
    return [
        {known: float(draws.mean()), f"{name}_low": float(low), f"{name}_high": float(high)}
        for draws, low, high in zip(gain.T, lows, highs, strict=True)
    ]


def level_counts(options: Options, around: Circumstances) -> list[tuple[Flags, dict[str, int]]]:
    """For each level the runs with it, (R,), and how many there are, of how many drivers and
    meetings."""
    setting = around.runs[options.factor.name]
    out = []
    for level in options.levels:
        at = np.array([_same(value, level, options) for value in setting], bool)
        numbers = {"n_runs": int(at.sum())}
        for name, column in (("n_drivers", "driver"), ("n_meetings", "meeting")):
            numbers[name] = len(set(around.runs[column][at]))
        out.append((at, numbers))
    return out


def _same(value: object, level: str, options: Options) -> bool:
    if not isinstance(value, str):
        return False
    return value == level if options.values is None else float(value) == float(level)


def _advice(
    gain: Array,
    best: int,
    now: int | None,
    row: Mapping[str, Any],
    around: Circumstances,
) -> tuple[str, int]:
    """The word of advice and the level on whose row it stands. gain: (draws, levels)."""
    if gain.shape[1] > 1 and _all_alike(gain, best, around.worthwhile):
        return "either", best
    over = gain[:, best].mean() - (gain[:, now].mean() if now is not None else 0.0)
    if best == now or over <= around.worth_changing:
        return "keep", best if now is None else now
    return fit_or_try(row), best


def _all_alike(gain: Array, best: int, worthwhile: float) -> bool:
    """The 90 % interval of the best against each other level lies within what does not matter."""
    others = [place for place in range(gain.shape[1]) if place != best]
    between = gain[:, [best]] - gain[:, others]
    low, high = np.quantile(between, LIMITS_90, axis=0)
    return bool((low > -worthwhile).all() and (high < worthwhile).all())
