"""A logbook as one page that opens offline on a phone: what goes in, and the file's text."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from pipeline.plan.planned import PlannedRun
from pipeline.report.render import asset, environment, policy
from pipeline.team.factors import number_text

if TYPE_CHECKING:
    from pipeline.team.factors import Factor, Feel

ROOM = "pipeline.day"
GENERATOR = "backtoback"
SCRIPTS = ("keeping.js", "drawing.js", "screen.js", "handing.js")
FORM_ROWS = 12  # on paper: a day has 4 to 12 runs (common practice, no published source)
CAUTION = "At the table, not while marshalling. Unplug the battery before you work on the car."
STAYS = "What you enter stays on this phone, in this browser, until you hand it on."
REFUSED = "This viewer keeps nothing: hand the logbook on before you close it."
STRANGE = "Older entries could not be read; they were put aside and not deleted."


@dataclass(frozen=True)
class Car:
    """A driver's part of a page.

    file: name of the file that is handed on. start: factor -> what the car had last. planned: by
    number of the run.
    """

    driver: str
    file: str
    start: Mapping[str, str] = field(default_factory=dict)
    planned: Mapping[int, PlannedRun] = field(default_factory=dict)


@dataclass(frozen=True)
class Logbook:
    """What one page holds. steps: factor -> one usual change, for numbers."""

    meeting: str
    cars: Sequence[Car]
    factors: Sequence[Factor]
    feels: Sequence[Feel]
    steps: Mapping[str, str] = field(default_factory=dict)


def logbook_html(book: Logbook) -> str:
    """The page, with its style and script inside and allowed by their hashes alone."""
    script = '(function () {\n"use strict";\n' + "".join(asset(s, ROOM) for s in SCRIPTS) + "})();"
    style = asset("logbook.css", ROOM)
    page = {
        "meeting": book.meeting, "caution": CAUTION, "stays": STAYS, "feels": book.feels,
        "factors": book.factors, "cars": [_form(book, car) for car in book.cars],
    }  # fmt: skip
    return environment(ROOM).get_template("logbook.html").render(
        page=page, data=_data(book), generator=GENERATOR, style=Markup(style),
        script=Markup(script), policy=policy(style, script),
    )  # fmt: skip


def _form(book: Logbook, car: Car) -> dict[str, Any]:
    """A car's rows on paper."""
    nothing = PlannedRun({})
    runs = [
        car.planned.get(number, nothing) for number in range(1, max(FORM_ROWS, *car.planned, 0) + 1)
    ]
    rows = [
        {"start": run.start, "settings": [run.settings.get(f.name, "") for f in book.factors]}
        for run in runs
    ]
    return {"driver": car.driver, "form": rows, "planned": bool(car.planned)}


def _data(book: Logbook) -> dict[str, Any]:
    """What the script reads. A car's lists follow the order of the factors."""
    return {
        "meeting": book.meeting, "stays": STAYS, "refused": REFUSED, "strange": STRANGE,
        "factors": [
            {"name": f.name, "label": f.label, "kind": f.kind, "levels": list(f.levels),
             "unit": f.unit, "step": book.steps.get(f.name, "1"), "first": f.reference}
            for f in book.factors
        ],
        "feels": [
            {"name": f.name, "label": f.label, "worse": f.worse, "better": f.better}
            for f in book.feels
        ],
        "cars": [_car_data(book, car) for car in book.cars],
    }  # fmt: skip


def _car_data(book: Logbook, car: Car) -> dict[str, Any]:
    runs = [car.planned.get(number) for number in range(1, max(car.planned, default=0) + 1)]
    return {
        "driver": car.driver,
        "file": car.file,
        "start": [car.start.get(factor.name, "?") for factor in book.factors],
        "runs": [
            run and {
                "start": run.start,
                "settings": [run.settings.get(factor.name) for factor in book.factors],
            }
            for run in runs
        ],
    }  # fmt: skip


def usual_step(factor: Factor, values: Sequence[str]) -> str:
    """What minus and plus change a number by: the team's step, or what it usually changes.

    values: the settings of the team's runs. The smallest difference between two values that each
    stand in two runs or more; without any, one unit of the reference's last digit.
    """
    if factor.step:
        return number_text(factor.step)
    often = sorted(float(v) for v in set(values) if list(values).count(v) > 1)
    gaps = [after - before for before, after in itertools.pairwise(often)]
    if gaps:
        return number_text(round(min(gaps), 10))
    digits = len(factor.reference.partition(".")[2])
    return number_text(10.0**-digits)
