"""A made-up season's decisions: an option that switches, one that does not, a number, and more."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from pipeline.decide.places import Part, Property
from pipeline.decide.situations import with_sentences, with_test_sentences
from pipeline.report.context import ReportContext
from pipeline.tables import decisions as tables
from pipeline.tables.records import SeasonResult
from tests.decide.drawn import DrawnPart, Line, decisions
from tests.report import made_up
from tests.report.made_up import MadeUpFactor

DRIVERS = list(made_up.TEAM)
RUNS = {"low": 14, "medium": 61, "high": 43}


def on(*settings: str) -> dict[str, str]:
    return dict(zip(DRIVERS, settings, strict=True))


def parts() -> list[DrawnPart]:
    """In the order of the team's factors."""
    per_step = {"stiffer": Line(0.7, 1.7, 0.35, 0.37)}
    values = ["400", "350", "450", "500", "550", "600"]
    best = {grip: 450 + 45 * at for grip, at in (("low", -1), ("medium", 0), ("high", 1))}
    oil = {}
    for value in values[1:]:
        at = {g: -(((float(value) - b) / 80) ** 2) + ((400 - b) / 80) ** 2 for g, b in best.items()}
        oil[value] = Line(at["medium"] * 0.4, (at["high"] - at["low"]) * 0.2, 0.12, 0.1)
    return [
        DrawnPart("flex", "Flex plate", ["soft", "stiff"], {"stiff": per_step["stiffer"]}, RUNS,
                  present=on("stiff", "soft", "stiff", "")),
        DrawnPart("deck", "Deck screws", ["two out", "all in"],
                  {"all in": Line(0.8, 1.1, 0.45, 0.5)}, {"low": 8, "medium": 40, "high": 26},
                  present=on("two out", "all in", "all in", "two out")),
        DrawnPart("brace", "Rear brace", ["off", "on"], {"on": Line(0.5, 0.9, 1.0, 1.1)},
                  {"low": 0, "medium": 7, "high": 0}, 1, 1, present=on("on", "off", "off", "off")),
        DrawnPart("shell", "Body shell", ["short tail", "long tail"],
                  {"long tail": Line(1.1, 0.1, 0.3, 0.35)}, {"low": 12, "medium": 48, "high": 36},
                  present=on("long tail", "long tail", "short tail", "long tail")),
        DrawnPart("rear_bar", "Rear anti-roll bar", ["1.3", "1.2", "1.4"],
                  {"1.2": Line(-1.6, -0.7, 0.4, 0.4), "1.4": Line(-1.0, 1.95, 0.38, 0.44)},
                  {"low": 10, "medium": 45, "high": 33}, unit="mm",
                  present=on("1.3", "1.4", "1.3", "1.3"),
                  own={DRIVERS[2]: {"1.2": Line(-1.6, -0.7, 0.4, 0.4),
                                    "1.4": Line(-1.3, 0.7, 0.4, 0.3)}}),
        DrawnPart("oil", "Rear damper oil", values, oil, {"low": 16, "medium": 70, "high": 45},
                  unit="cSt", is_number=True, present=on("450", "500", "450", "400")),
        DrawnPart("nuts", "Wheel nuts", ["steel", "alloy"], {"alloy": Line(0.05, 0.05, 0.1, 0.08)},
                  {"low": 20, "medium": 72, "high": 48}, present=on("steel", "alloy", "", "steel")),
        DrawnPart("springs", "Front springs", ["soft", "hard"], {}, RUNS,
                  reason="changed together with the front link all 9 times, so these laps cannot "
                  "tell which of the two did it"),
    ]  # fmt: skip


STIFFNESS = Property("Chassis stiffness", {
    "flex": {"soft": 0, "stiff": 1}, "deck": {"two out": 0, "all in": 1},
    "brace": {"off": 0, "on": 1},
})  # fmt: skip


def context(drawn: list[DrawnPart] | None = None) -> ReportContext:
    """The words of these parts."""
    factors = {
        p.name: MadeUpFactor(p.name, p.label, "number" if p.is_number else "category",
                             tuple(p.levels), p.reference, p.unit)
        for p in drawn or parts()
    }  # fmt: skip
    whole = {**made_up.context().factors, **factors}
    return replace(made_up.context(), factors=whole)  # type: ignore[arg-type]


def words(drawn: list[DrawnPart]) -> dict[str, Part]:
    return {p.name: Part(p.label, p.reference, p.unit, p.is_number) for p in drawn}


def with_properties(found: tables.Decisions) -> tables.Decisions:
    """Three of the parts have one property."""
    rows = [
        {"property": "stiffness", "outcome": "race", "grip": grip, "estimate": -(0.6 + 1.2 * at),
         "ci_low": -(0.6 + 1.2 * at) - 0.55, "ci_high": -(0.6 + 1.2 * at) + 0.55, "agreement": 1.0,
         "words": "saves more as grip rises"}
        for grip, at in (("low", -1.0), ("medium", 0.0), ("high", 1.0))
    ]  # fmt: skip
    switch = {"factor": "stiffness", "level": "+1", "reference": "", "outcome": "race", "at": -0.5,
              "low": -0.9, "high": -0.1, "words": "between low and medium grip"}  # fmt: skip
    return replace(
        found,
        shares={"stiffness": STIFFNESS},
        properties=tables.PROPERTIES.conform(pd.DataFrame(rows)),
        switchovers=tables.SWITCHOVERS.conform(
            pd.concat([found.switchovers, pd.DataFrame([switch])], ignore_index=True)
        ),
    )


def decided(
    drawn: list[DrawnPart],
    drivers: list[str],
    result: SeasonResult | None = None,
    **more: object,
) -> SeasonResult:
    """A made-up season with the decisions of these parts."""
    found = decisions(drawn, drivers, **more)  # type: ignore[arg-type]
    return with_decisions(found, words(drawn), result)


def with_decisions(
    found: tables.Decisions, named: dict[str, Part], result: SeasonResult | None = None
) -> SeasonResult:
    found = replace(
        found,
        choices=with_sentences(found, named),
        tests=with_test_sentences(found.tests, named),
    )
    return replace(result or made_up.season(), decisions=found)


def season() -> SeasonResult:
    """The made-up season."""
    drawn = parts()
    found = with_properties(decisions(drawn, DRIVERS))
    notes = (
        "Only the thaw meeting was of low grip, and it was the only one on asphalt: what stands at "
        "low grip may be the asphalt's doing",
    )
    result = with_decisions(replace(found, notes=notes), words(drawn))
    changed = pd.DataFrame(
        [("choice", "rear_bar", "1.4", "high", "try", "fit", "10 more runs at high grip")],
        columns=tables.CHANGES.names,
    )
    return replace(result, effects=pd.concat([result.effects, effects(drawn)]), changes=changed)


def effects(drawn: list[DrawnPart]) -> pd.DataFrame:
    """Pace by grip that goes with the lines, as a season's table has it."""
    rows = []
    for part in (p for p in drawn if not p.is_number and not p.reason):
        for level, line in part.lines.items():
            for grip, at in (("all", 0.0), ("low", -1.0), ("medium", 0.0), ("high", 1.0)):
                saved, half = line.mean(at) / 19, 1.96 * line.sd(at) / 19
                shown = abs(saved) > half
                word = "faster" if saved > 0 else "slower"
                rows.append({
                    "outcome": "pace", "factor": part.name, "level": level,
                    "reference": part.reference,
                    "condition": grip if grip == "all" else f"grip={grip}", "estimate": -saved,
                    "std_error": half / 2, "df": 30.0, "ci_low": -saved - half,
                    "ci_high": -saved + half, "p_value": 0.01, "q_value": 0.02, "p_shuffled": 0.02,
                    "n_runs": 40, "n_drivers": part.drivers, "n_meetings": part.meetings,
                    "n_switches": 15, "verdict": word if shown else f"leaning {word}",
                    "scope": "the next meeting",
                })  # fmt: skip
    return made_up.schema.EFFECTS.conform(pd.DataFrame(rows))
