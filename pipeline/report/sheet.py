"""The sheet of a test day: to print, to fill in at the track, to type back afterwards."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.report.cautions import SHEET as CAUTION
from pipeline.report.render import asset, render_template

if TYPE_CHECKING:
    from pipeline.plan.planner import Plan

ROOMY_ROWS = 20
TYPE_BACK = (
    "Write down what was really fitted; an order that was not kept is no harm if it is noted. "
    "Then correct the rows of plan-sheet.csv, or plan-changes.csv, and put them into setups.csv."
)


def sheet_page(plan: Plan) -> dict[str, Any]:
    """What the sheet says: a table a driver, then what the day can show."""
    from pipeline.plan.output import contrast_words, notes, promise

    request = plan.request
    return {
        "lang": "en",
        "kicker": "Test day",
        "title": request.meeting,
        "factors": [_factor_words(factor) for factor in request.factors],
        "tables": [_table(plan, driver) for driver in range(len(request.drivers))],
        "promises": [(contrast_words(c), promise(plan, c)) for c in plan.contrasts],
        "roomy": sum(plan.slots.ends) <= ROOMY_ROWS,
        "notes": notes(plan),
        "caution": CAUTION,
        "type_back": TYPE_BACK,
    }


def _factor_words(factor: Any) -> str:
    return f"{factor.title} ({factor.unit})" if factor.unit else str(factor.title)


def _table(plan: Plan, driver: int) -> dict[str, Any]:
    from pipeline.plan.output import changed

    rows = []
    for run in range(plan.slots.ends[driver]):
        change, setting = changed(plan, driver, run) if run else {}, plan.setting(driver, run)
        cells = [
            {"level": setting.get(factor.name, "?"), "changed": factor.name in change}
            for factor in plan.request.factors
        ]
        rows.append(
            {
                "run": run + 1,
                "start": plan.start(driver, run),
                "cells": cells,
                "warm_up": run < plan.request.warm_up,
                "driven": run < len(plan.slots.done[driver]),
            }
        )
    return {"driver": plan.request.drivers[driver], "rows": rows}


def sheet_html(plan: Plan) -> str:
    """The sheet as one self-contained page."""
    return render_template(
        "sheet.html",
        with_script=False,
        more_style=asset("sheet.css"),
        page=sheet_page(plan),
    )
