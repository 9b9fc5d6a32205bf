"""A plan in words, as JSON data, and as rows for the setup log."""

from __future__ import annotations

import re
import textwrap
from typing import TYPE_CHECKING, Any

from pipeline.plan.exact import LEAST_ORDERS
from pipeline.plan.lot import turning
from pipeline.plan.planner import Plan, PlannedContrast
from pipeline.plan.precision import MOST_DAYS

if TYPE_CHECKING:
    import pandas as pd

WIDTH = 96
# Minutes from start to start. Of these a run takes five to ten and a pack is changed; what is left
# is short for a motor to cool (common practice, no published source).
SHORT_PAUSE = 20
NO_BREAK = "\u00a0"


def as_json(plan: Plan) -> dict[str, Any]:
    """Runs and contrasts; half-widths in s a lap, null where an order cannot tell."""
    return {
        "runs": [
            {"driver": name, "run": run + 1, "settings": plan.setting(driver, run)}
            for driver, name, run in plan.each()
        ],
        "contrasts": [
            {
                "factor": contrast.factor.name,
                "level": contrast.level,
                "reference": contrast.reference,
                "half_width_s": contrast.half_width_s,
                "half_width_usual_s": contrast.half_width_usual_s,
                "half_width_random_s": contrast.half_width_random_s,
                "power": contrast.power,
            }
            for contrast in plan.contrasts
        ],
    }


def sheet_rows(plan: Plan) -> pd.DataFrame:
    """One row a run, one column a factor: the sheet form of setups.csv."""
    import pandas as pd

    rows = [
        {
            "meeting": plan.request.meeting,
            "driver": name,
            "run": run + 1,
            **plan.setting(driver, run),
            **dict(plan.request.held),
        }
        for driver, name, run in plan.each()
    ]
    return pd.DataFrame(rows)


def change_rows(plan: Plan) -> pd.DataFrame:
    """One row a change, the first run's settings in full: the changes form of setups.csv."""
    import pandas as pd

    rows = [
        {
            "meeting": plan.request.meeting,
            "driver": name,
            "run": run + 1,
            "factor": factor,
            "value": value,
        }
        for driver, name, run in plan.each()
        for factor, value in changed(plan, driver, run).items()
    ]
    return pd.DataFrame(rows)


def changed(plan: Plan, driver: int, run: int) -> dict[str, str]:
    """What has to be set before a run: all of it for the first, else what differs."""
    now = plan.setting(driver, run)
    if not run:
        return {**now, **dict(plan.request.held)}
    before = plan.setting(driver, run - 1)
    return {factor: level for factor, level in now.items() if before.get(factor) != level}


def as_text(plan: Plan) -> str:
    """The order a driver, then what the day can show, in words."""
    told = [_filled(line) for line in _promise_lines(plan)]
    return "\n".join([*_order_lines(plan), "", *told, "", *map(_filled, notes(plan))])


def _filled(line: str) -> str:
    """Wrapped for a terminal, numbers beside their units."""
    start = line[: len(line) - len(line.lstrip())]
    bound = re.sub(r"(?<=\d) (?=s\b|%)", NO_BREAK, line)
    return textwrap.fill(bound, WIDTH, subsequent_indent=start + "  ").replace(NO_BREAK, " ")


def notes(plan: Plan) -> list[str]:
    """What the reader should know about this order and its numbers."""
    notes = [*plan.remarks, *_held_notes(plan), *_lot_notes(plan), *_scatter_notes(plan)]
    notes += [*_warm_up_notes(plan), *_limit_notes(plan)]
    return [*notes, *_turn_notes(plan), *_pause_notes(plan)]


def _held_notes(plan: Plan) -> list[str]:
    held = ", ".join(f"{name} {level}" for name, level in plan.request.held)
    return [f"Stays as it is all day: {held}."] if held else []


def _lot_notes(plan: Plan) -> list[str]:
    """From how many orders this one was drawn, and what those have in common."""
    good = (
        f"As good is: half-widths at most {100 * plan.lot.tolerance:.0f} % above the best order's "
        "(root mean square), each within what is promised of it, no car there and back at every "
        "run unless the best order's is."
    )
    few = " With so few of them the draws give no p value." if _is_too_few(plan) else ""
    return [f"Drawn by lot from {_lot_words(plan)}.{few} {good}"]


def _is_too_few(plan: Plan) -> bool:
    """Of a whole day; where the rest was drawn anew, the first draws count too."""
    if any(plan.slots.done):
        return False
    return plan.size.orders is not None and plan.size.orders < LEAST_ORDERS


def _lot_words(plan: Plan) -> str:
    size = plan.size
    good = "orders within these limits that are as good as the best"
    if size.of is None:
        return f"the {good}; they are too many to count"
    if size.orders is None:
        return f"the {good}; of {size.sampled:,} sampled from {size.of:,} none was one"
    if size.sampled:
        return f"about {_rounded(size.orders):,} {good}, of {size.of:,}; {size.sampled:,} sampled"
    return f"the {size.orders:,} {good}, of {size.of:,}"


def _rounded(count: int) -> int:
    """To two digits, which is what a sample tells."""
    return round(count, 2 - len(str(count)))


def _scatter_notes(plan: Plan) -> list[str]:
    components = plan.request.components
    return [
        f"Scatter reckoned with ({components.source}): laps {components.lap_sd_s:.2f} s, "
        f"{components.clean_laps:g} clean laps a run, runs {components.run_sd_s:.2f} s, "
        f"bend of the day's grip {components.curve_s:.2f} s. Only these cars are on the track; "
        "days are counted for tracks and grip like this."
    ]


def _warm_up_notes(plan: Plan) -> list[str]:
    count = plan.request.warm_up
    if not count:
        return []
    runs = f"Runs 1 to {count} of each driver are" if count > 1 else "Run 1 of each driver is"
    return [
        f"{runs} a warm-up at the reference, and counted as reference. Where it went wrong, leave "
        "its session out (sessions.csv, exclude)."
    ]


def _limit_notes(plan: Plan) -> list[str]:
    request = plan.request
    lines = ["Every order within these limits was tried."] if plan.exact else []
    slow = [factor.title for factor in request.factors if factor.slow]
    if request.most_changes < len(request.factors) or slow:
        twice = f", {' and '.join(slow)} at most {request.slow_changes} times a driver"
        lines.append(
            f"At most {request.most_changes} factor(s) change between two runs"
            f"{twice if slow else ''}; the random order keeps no such limits."
        )
    return lines


def _turn_notes(plan: Plan) -> list[str]:
    names = enumerate(plan.request.drivers)
    fro = [name for d, name in names if turning(plan.levels[[d], : plan.slots.ends[d]])[0]]
    if not fro:
        return []
    return [
        f"{', '.join(fro)}: the setting goes to and fro at every run. Do not let battery "
        "packs or sets of tyres do the same, or theirs and the setting's effect are one."
    ]


def _pause_notes(plan: Plan) -> list[str]:
    minutes = plan.request.minutes
    if minutes >= SHORT_PAUSE:
        return []
    return [
        f"Only {minutes:g} minutes from one run of a car to the next: batteries and motors need "
        "the pauses that their makers give. Rather leave a run out than cut them short."
    ]


def contrast_words(contrast: PlannedContrast) -> str:
    """'Rear anti-roll bar 1.4 mm against 1.3 mm'."""
    unit = f" {contrast.factor.unit}" if contrast.factor.unit else ""
    return f"{contrast.factor.title} {contrast.level}{unit} against {contrast.reference}{unit}"


def promise(plan: Plan, contrast: PlannedContrast) -> str:
    """What the day can show about one contrast."""
    old = contrast.half_width_old_s
    going_on = "" if old is None else f"going on as planned {_seconds(old)}, "
    return (
        f"this day can show {_seconds(contrast.half_width_s)} a lap; {going_on}the usual order "
        f"{_seconds(contrast.half_width_usual_s)}, a random order "
        f"{_seconds(contrast.half_width_random_s)}. A true difference of "
        f"{plan.request.difference_s:g} s is found with a chance of "
        f"{100 * contrast.power:.0f} %; {_days(contrast)}."
    )


def _days(contrast: PlannedContrast) -> str:
    if contrast.days == 1:
        return "one such day is enough for 80 %"
    if contrast.days is None:
        return f"more than {MOST_DAYS} such days would be needed for 80 %"
    return f"{contrast.days} such days would make it 80 %"


def _seconds(value: float | None) -> str:
    """Two digits that count: 0.052 s, 0.12 s."""
    if value is None:
        return "nothing"
    return f"{value:.3f} s" if value < 0.0995 else f"{value:.2f} s"


def _promise_lines(plan: Plan) -> list[str]:
    head = "What it can show (half-width of the 95 % interval of pace; usual: all A, then all B):"
    return [head, *(f"  {contrast_words(c)}: {promise(plan, c)}" for c in plan.contrasts)]


def _order_lines(plan: Plan) -> list[str]:
    request = plan.request
    columns = range(max(plan.slots.ends))
    rows = [["driver", "factor", *(str(run + 1) for run in columns)]]
    for driver, name in enumerate(request.drivers):
        runs = range(plan.slots.ends[driver])
        settings = [plan.setting(driver, run) for run in runs]
        for i, factor in enumerate(request.factors):
            levels = [setting.get(factor.name, "?") for setting in settings]
            rows.append(_padded(["" if i else name, factor.name, *levels], len(rows[0])))
        rows.append(
            _padded(["", "start", *(plan.start(driver, run) for run in runs)], len(rows[0]))
        )
    return [f"Run order for {request.meeting} (number of the driver's run):", *_aligned(rows)]


def _padded(cells: list[str], width: int) -> list[str]:
    return cells + [""] * (width - len(cells))


def _aligned(rows: list[list[str]]) -> list[str]:
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    return [
        "  " + "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
