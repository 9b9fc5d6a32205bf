"""What breaks a tie: where race time does not tell levels apart, which of them felt better.

A sentence's last words and nothing else: no advice, chance or second rests on a feel.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from pipeline.decide.situations import rows_of
from pipeline.tables.cells import Row, number, text
from pipeline.tables.outcomes import is_definite

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.decide.places import Part
    from pipeline.models.season import Found
    from pipeline.tables.outcomes import Outcome

Place = tuple[str, str, str, str]  # factor, grip, surface, driver
Better = tuple[str, ...]  # levels that felt better than the reference, the most first


def tie_words(found: Found, parts: Mapping[str, Part], choices: pd.DataFrame) -> dict[Place, str]:
    """For each place of `choices` where something felt better: which level did, and what the driver
    will miss without it."""
    if not found.felt:
        return {}
    places = {
        (str(row["factor"]), text(row, "grip"), text(row, "surface"), text(row, "driver"))
        for row in rows_of(choices)
    }
    feels = {feel.name: feel for feel in found.data.feels}
    effects = found.effects_table()
    team = _keyed(effects[effects["outcome"].isin(feels)], "condition")
    own = found.by_driver_table()
    driver = _keyed(own[own["outcome"].isin(feels)], "driver")
    out = {}
    for place in sorted(places):
        said = [
            words
            for feel in feels.values()
            if (words := _words(feel, place, team, driver, parts[place[0]]))
        ]
        if said:
            out[place] = "; ".join(said)
    return out


Keyed = dict[tuple[str, str, str], dict[str, Row]]


def _keyed(frame: Any, column: str) -> Keyed:
    """(feel, factor, condition or driver) -> level -> row."""
    out: Keyed = {}
    for row in rows_of(frame):
        key = str(row["outcome"]), str(row["factor"]), str(row[column])
        out.setdefault(key, {})[str(row["level"])] = row
    return out


def _words(feel: Outcome, place: Place, team: Keyed, driver: Keyed, part: Part) -> str:
    factor, grip, surface, who = place
    if who:
        levels = driver.get((feel.name, factor, who), {})
        shown = {level: e for level, row in levels.items() if (e := _clear(row))}
    else:
        overall = team.get((feel.name, factor, "all"), {})
        here = team.get((feel.name, factor, _condition(grip, surface)), {})
        shown = {level: e for level, row in overall.items() if (e := _here(row, here.get(level)))}
    return "; ".join(_said(feel, shown, part))


def _condition(grip: str, surface: str) -> str:
    """Of the rows of `effects`: that of the grip where there is one."""
    return f"grip={grip}" if grip else f"surface={surface}" if surface else "all"


def _clear(row: Row) -> float:
    """A driver's own estimate where its interval leaves none out; else 0."""
    low, high = (number(row, name) or 0.0 for name in ("ci_low", "ci_high"))
    return (number(row, "estimate") or 0.0) if low > 0 or high < 0 else 0.0


def _here(overall: Row, here: Row | None) -> float:
    """The team's estimate in this condition where it is settled there; else over all, unless it
    points the other way here; 0 where neither is settled."""
    own = None if here is None else number(here, "estimate")
    if here is not None and own is not None and is_definite(text(here, "verdict")):
        return own
    over = number(overall, "estimate")
    if over is None or not is_definite(text(overall, "verdict")):
        return 0.0
    return over if own is None or own * over > 0 else 0.0


def _said(feel: Outcome, shown: Mapping[str, float], part: Part) -> Iterator[str]:
    """'stiff felt better (Rear grip: planted), which with soft the driver will miss'."""
    if not shown:
        return
    if part.is_number:
        more = next(iter(shown.values())) > 0
        yield (
            f"{'more' if more else 'less'} felt better ({feel.label}: {feel.ends[1]}), which with "
            f"{'less' if more else 'more'} the driver will miss"
        )
        return
    best = max(shown, key=lambda level: shown[level])
    against = [part.reference] if shown[best] > 0 else list(shown)
    best = best if shown[best] > 0 else part.reference
    missed = " or ".join(part.level(level) for level in against)
    yield (
        f"{part.level(best)} felt better ({feel.label}: {feel.ends[1]}), which with {missed} the "
        "driver will miss"
    )
