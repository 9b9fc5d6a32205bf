"""Tables of a decision drawn from lines of known truth; no code shared with the package.

A part's saving over a race against its reference is a + b x grip, with an error of each; advice,
chances and switch-overs follow from these by the rules of the contract, written anew here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from pipeline.tables import decisions as tables

AXIS = {"low": -1.0, "medium": 0.0, "high": 1.0}
LAPS, WORTHWHILE, WORTH_CHANGING = 19.0, 0.03, 0.1


@dataclass
class Line:
    """A level's saving against the reference: mean and SD of intercept and slope."""

    a: float
    b: float
    sd_a: float
    sd_b: float

    def mean(self, at: float) -> float:
        return self.a + self.b * at

    def sd(self, at: float) -> float:
        return math.hypot(self.sd_a, self.sd_b * at)


@dataclass
class DrawnPart:
    """A part: lines of its levels but the reference; counts of runs at each grip; who has what."""

    name: str
    label: str
    levels: list[str]
    lines: dict[str, Line]
    runs: dict[str, int]
    drivers: int = 3
    meetings: int = 4
    unit: str = ""
    is_number: bool = False
    present: dict[str, str] = field(default_factory=dict)
    own: dict[str, dict[str, Line]] = field(default_factory=dict)
    reason: str = ""

    @property
    def reference(self) -> str:
        return self.levels[0]

    def line(self, level: str, driver: str) -> Line:
        if level == self.reference:
            return Line(0.0, 0.0, 0.0, 0.0)
        return self.own.get(driver, self.lines)[level]


def normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def decisions(
    parts: list[DrawnPart],
    drivers: list[str],
    grips: tuple[str, ...] = ("low", "medium", "high"),
    surfaces: tuple[str, ...] = (),
    seed: int = 1,
) -> tables.Decisions:
    """The tables of these parts."""
    rng = np.random.default_rng(seed)
    choices: list[dict[str, object]] = []
    for part in parts:
        for grip in (*grips, ""):
            for surface in (*surfaces, ""):
                for driver in (*drivers, ""):
                    choices += situation(part, grip, surface, driver, rng)
    switches = [row for part in parts for row in switch_rows(part, grips)]
    best = [row for part in parts if part.is_number for row in best_rows(part, grips)]
    curve = [row for part in parts if part.is_number for row in curve_rows(part, grips)]
    frame = tables.CHOICES.conform(pd.DataFrame(choices))
    return tables.Decisions(
        choices=frame,
        switchovers=tables.SWITCHOVERS.conform(pd.DataFrame(switches)),
        curves=tables.CURVES.conform(pd.DataFrame(curve)),
        best_values=tables.BEST_VALUES.conform(pd.DataFrame(best)),
        properties=tables.PROPERTIES.empty(),
        tests=tables.TESTS.conform(pd.DataFrame(test_rows(frame, grips))),
        race_laps=LAPS,
        worthwhile_s=WORTHWHILE,
        worth_changing_s=WORTH_CHANGING,
        grips=grips,
        surfaces=surfaces,
    )


def situation(
    part: DrawnPart, grip: str, surface: str, driver: str, rng: np.random.Generator
) -> list[dict[str, object]]:
    base = {"factor": part.name, "grip": grip, "surface": surface, "driver": driver}
    if part.reason:
        return [{**base, "level": "", "reason": part.reason}]
    at = AXIS.get(grip, 0.0)
    lines = {level: part.line(level, driver) for level in part.levels}
    draws = np.column_stack(
        [rng.normal(line.mean(at), line.sd(at), 4000) for line in lines.values()]
    )
    best_of = np.bincount(draws.argmax(axis=1), minlength=len(lines)) / len(draws)
    loss = (draws.max(axis=1)[:, None] - draws).mean(axis=0)
    present = part.present.get(driver, "") if driver else ""
    now = present or part.reference
    rows: list[dict[str, object]] = []
    for place, level in enumerate(part.levels):
        line, before = lines[level], lines[now]
        gain, half = line.mean(at), 1.96 * line.sd(at)
        ahead = gain - before.mean(at)
        both = 0.0 if level == now else 1.96 * math.hypot(line.sd(at), before.sd(at))
        known = {"gain_present_s": ahead, "gain_present_low": ahead - both,
                 "gain_present_high": ahead + both} if present else {}  # fmt: skip
        rows.append(
            {
                **base, "level": level, "present": present or None, "chance_best": best_of[place],
                "gain_s": gain, "gain_low": gain - half, "gain_high": gain + half, **known,
                "loss_s": loss[place], "n_runs": sum(part.runs.values()),
                "n_drivers": part.drivers, "n_meetings": part.meetings,
                "n_here": part.runs.get(grip, 0) if grip else sum(part.runs.values()),
            }
        )  # fmt: skip
    advise(rows, part, lines, at, now)
    return rows


def advise(
    rows: list[dict[str, object]],
    part: DrawnPart,
    lines: dict[str, Line],
    at: float,
    now: str,
) -> None:
    ranked = sorted(rows, key=lambda row: float(str(row["loss_s"])))
    best, rivals = ranked[0], ranked[1:]
    if not rivals:
        best["advice"] = "keep"
        return
    level = str(best["level"])
    best["other"] = str(rivals[0]["level"])
    line = lines[level]
    within = WORTHWHILE * LAPS
    apart = [
        abs(line.mean(at) - lines[str(r["level"])].mean(at))
        + 1.645 * math.hypot(line.sd(at), lines[str(r["level"])].sd(at))
        for r in rivals
    ]
    gained = line.mean(at) - lines[now].mean(at)
    few = part.drivers < 2 or part.meetings < 2 or best["n_here"] == 0
    if max(apart) <= within:
        best["advice"] = "either"
    elif level == now or gained <= WORTH_CHANGING:
        best["advice"] = "keep"
    elif float(str(best["chance_best"])) < 0.75 or few:
        best["advice"] = "try"
    else:
        best["advice"] = "fit"


def where(at: float, low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return "at any grip, or at none"
    if low is None:
        return "somewhere below medium grip, if at all"
    if high is None:
        return "somewhere above medium grip, if at all"
    return "between low and medium grip" if at < 0 else "between medium and high grip"


def switch_rows(part: DrawnPart, grips: tuple[str, ...]) -> list[dict[str, object]]:
    """A row a contrast: where the line is nought; limits where it is told apart from nought."""
    if part.reason or part.is_number or len(grips) < 2:
        return []
    rows = []
    for level, line in part.lines.items():
        row = {"factor": part.name, "level": level, "reference": part.reference, "outcome": "race"}
        grid = np.linspace(-1.2, 1.2, 97)
        z = np.array([line.mean(x) / line.sd(x) for x in grid])
        unsure = grid[np.abs(z) < 1.96]
        cross = -line.a / line.b if line.b else math.inf
        at = cross if abs(cross) <= 1.2 else None
        if not len(unsure):
            rows.append({**row, "words": "not within what was run"})
            continue
        low = None if unsure[0] <= -1.19 else float(unsure[0])
        high = None if unsure[-1] >= 1.19 else float(unsure[-1])
        words = where(cross, low, high)
        rows.append({**row, "at": at, "low": low, "high": high, "words": words})
    return rows


def best_rows(part: DrawnPart, grips: tuple[str, ...]) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for grip in (*grips, ""):
        at = AXIS.get(grip, 0.0)
        gains = {level: part.line(level, "").mean(at) for level in part.levels}
        best = max(gains, key=lambda level: gains[level])
        values = sorted(float(level) for level in part.levels)
        row = {"factor": part.name, "outcome": "race", "grip": grip}
        if float(best) == values[-1] and len(values) > 2:
            words = f"the best lies beyond {best} {part.unit}, the most that was run"
            rows.append({**row, "words": words})
            continue
        step = (values[-1] - values[0]) / 5
        near = float(best)
        rows.append({**row, "best": near, "low": near - step, "high": near + step, "words": "near"})
    return rows


def curve_rows(part: DrawnPart, grips: tuple[str, ...]) -> list[dict[str, object]]:
    """Against the reference, above nought slower, at 13 values between the least and the most."""
    values = sorted(float(level) for level in part.levels)
    by_value = sorted(part.levels, key=float)
    rows: list[dict[str, object]] = []
    for grip in (*grips, ""):
        at = AXIS.get(grip, 0.0)
        means = [-part.line(level, "").mean(at) for level in by_value]
        sds = [part.line(level, "").sd(at) for level in by_value]
        for value in np.linspace(values[0], values[-1], 13):
            mean, sd = (float(np.interp(value, values, y)) for y in (means, sds))
            rows.append(
                {"factor": part.name, "outcome": "race", "grip": grip, "value": float(value),
                 "estimate": mean, "ci_low": mean - 1.96 * sd, "ci_high": mean + 1.96 * sd}
            )  # fmt: skip
    return rows


def test_rows(choices: pd.DataFrame, grips: tuple[str, ...]) -> list[dict[str, object]]:
    """The five situations of the team with the most to lose; a test brings a part of it."""
    team = choices[
        (choices["driver"] == "") & (choices["surface"] == "") & choices["grip"].isin(grips)
    ]
    asked = team[team["advice"].isin(["fit", "try", "keep"]) & team["other"].notna()]
    asked = asked.sort_values("loss_s", ascending=False).head(5)
    return [
        {"rank": rank, "factor": row.factor, "levels": f"{row.level}, {row.other}",
         "grip": row.grip, "driver": "", "drivers": 2, "runs": 4, "worth_s": 0.6 * row.loss_s,
         "chance_to_change": 0.5 * (1 - row.chance_best), "sentence": ""}
        for rank, row in enumerate(asked.itertuples(), 1)
    ]  # fmt: skip


def random_parts(seed: int, count: int, drivers: list[str]) -> list[DrawnPart]:
    """Parts of every kind, drawn from wide ranges."""
    rng = np.random.default_rng(seed)
    return [_random_part(rng, f"part_{i}", drivers) for i in range(count)]


def _random_part(rng: np.random.Generator, name: str, drivers: list[str]) -> DrawnPart:
    kind = rng.choice(["two", "two", "two", "three", "number", "cannot"])
    levels = {
        "two": ["steel", "alloy"], "three": ["1.2", "1.3", "1.4"], "cannot": ["a", "b"],
        "number": ["400", "350", "450", "500", "550"],
    }[kind]  # fmt: skip
    spread = float(rng.choice([0.05, 0.3, 1.0]))
    none_at = rng.choice(["", "", "low", "high"])
    runs = {grip: 0 if grip == none_at else int(rng.integers(1, 40)) for grip in AXIS}
    part = DrawnPart(
        name, f"Part {name[5:]}", levels, _lines(rng, levels, spread), runs,
        int(rng.integers(1, 5)), int(rng.integers(1, 6)),
        unit={"three": "mm", "number": "cSt"}.get(str(kind), ""), is_number=kind == "number",
        present={d: str(rng.choice([*levels, ""])) for d in drivers},
        reason="changed together with the front link all 9 times" if kind == "cannot" else "",
    )  # fmt: skip
    if drivers and rng.random() < 0.4:
        part.own = {drivers[0]: _lines(rng, levels, spread)}
    return part


def _lines(rng: np.random.Generator, levels: list[str], spread: float) -> dict[str, Line]:
    return {
        level: Line(
            rng.normal(0, spread), rng.normal(0, spread),
            float(rng.uniform(0.02, 0.8)) * spread + 0.02, float(rng.uniform(0.02, 0.8)) * spread,
        )
        for level in levels[1:]
    }  # fmt: skip
