"""Pages of the first screen alone, without the evidence below: quick to make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.report.context import ReportContext
from pipeline.report.render import render
from pipeline.report.screen import screen
from pipeline.report.views import Page
from pipeline.tables.records import SeasonResult
from tests.decide.drawn import DrawnPart
from tests.report import decided

CASES = (
    "whole", "no words", "one meeting", "one level", "one grip", "two grips", "nothing told",
    "many", "three surfaces", "no tests",
)  # fmt: skip


def page(result: SeasonResult, context: ReportContext, people: Sequence[str] | None = None) -> str:
    """The first screen by itself."""
    answer = screen(result, context, people)
    return render(Page("What to fit", "Loose Screws", ("96 runs.",), "", (), (), screen=answer))


def case(name: str) -> tuple[SeasonResult, ReportContext]:
    """A season in which something is missing, or there is much of it."""
    drawn, drivers = decided.parts(), decided.DRIVERS
    more: dict[str, object] = {}
    if name == "whole":
        return decided.season(), decided.context()
    if name == "no words":
        more["grips"] = ()
    if name == "one grip":
        more["grips"] = ("high",)
    if name == "two grips":
        more["grips"] = ("medium", "high")
    if name == "three surfaces":
        more["surfaces"] = ("carpet", "asphalt", "concrete")
    if name == "one meeting":
        for part in drawn:
            part.meetings = 1
    if name == "one level":
        drawn = [DrawnPart("wing", "Rear wing", ["low"], {}, {"high": 12})]
    if name == "nothing told":
        for part in drawn:
            part.reason = "changed with the clock: grip and this change cannot be told apart"
    if name == "many":
        drivers = [*(f"Driver{i} Long-Surname{i}" for i in range(9)), "Maximiliane Achterkamp"]
        for i in range(4):
            drawn.append(
                DrawnPart(f"more{i}", f"A part with a rather long name {i}",
                          ["the standard moulding", "a much stiffer one"],
                          {"a much stiffer one": decided.Line(0.4 - 0.2 * i, 0.3 * i, 0.3, 0.3)},
                          decided.RUNS)
            )  # fmt: skip
        for part in drawn:
            part.present = {d: part.levels[i % len(part.levels)] for i, d in enumerate(drivers)}
    result = decided.decided(drawn, drivers, **more)
    if name == "no tests" and result.decisions is not None:
        none = replace(result.decisions, tests=result.decisions.tests.iloc[:0])
        result = replace(result, decisions=none)
    return result, decided.context(drawn)
