"""The numbers behind a part: by grip, in seconds over a race and a lap, and what they rest on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.decide.places import Part, best_words
from pipeline.decide.situations import Told
from pipeline.report.grip_picture import seconds
from pipeline.report.screen_views import Reason
from pipeline.report.states import States
from pipeline.report.words import number as number_words
from pipeline.tables.cells import Row, count, number, plural, text
from pipeline.tables.schema import missing

NORMAL_95 = 1.96


@dataclass(frozen=True)
class Evidence:
    """Rows of `effects` by (outcome, factor, level, condition), and of the race check by (factor,
    level)."""

    effects: Mapping[tuple[str, str, str, str], Row] = field(default_factory=dict)
    direct: Mapping[tuple[str, str], Row] = field(default_factory=dict)


def evidence_of(effects: Sequence[Row], race_check: Sequence[Row]) -> Evidence:
    """The rows by their keys."""
    keyed = {(r["outcome"], r["factor"], r["level"], r["condition"]): r for r in effects}
    return Evidence(keyed, {(r["factor"], r["level"]): r for r in race_check})


def why(part: Part, level: str) -> str:
    """What the rows of the fold are."""
    versus = f"{part.level(level)} against {part.level(part.reference)}, over" if level else "Over"
    return f"{versus[0].upper()}{versus[1:]} a race; + saves, − loses; brackets: 19 chances in 20."


def reasons(
    told: Told, states: States, part: Part, factor: str, level: str, evidence: Evidence
) -> tuple[Reason, ...]:
    """A row a grip."""
    person = "" if "" in states.people else states.people[0]
    out = []
    for grip in states.grips:
        if not told.has(factor, grip):
            continue
        rows = told.at(factor, grip, "", person).rows
        row = next((r for r in rows if r["level"] == level), None)
        if row is None or number(row, "gain_s") is None:
            continue
        classes = f"a{states.picks[states.grips.index(grip)].key}" if states.picks else ""
        best = best_words(told.best.get((factor, grip)), part) if part.is_number else ""
        told_rest = _rest(rows, row, part, evidence.effects.get(_pace(factor, level, grip)))
        out.append(
            Reason(grip or "all", _gain(row), "; ".join(filter(None, [told_rest, best])), classes)
        )
    return tuple(out)


def _pace(factor: str, level: str, grip: str) -> tuple[str, str, str, str]:
    return "pace", factor, level, f"grip={grip}" if grip else "all"


def _gain(row: Row) -> str:
    return seconds(number(row, "gain_s") or 0.0)


def _rest(rows: Sequence[Row], row: Row, part: Part, pace: Row | None) -> str:
    low, high = (seconds(number(row, n) or 0.0, unit="") for n in ("gain_low", "gain_high"))
    words = [f"({low} to {high})"]
    if pace is not None and not missing(pace.get("estimate")):
        saved = number_words(-float(pace["estimate"]), 2, signed=True, unit="s a lap")
        words[0] += f", {saved.text}"
    words.append(_faster(rows, row, part))
    if not missing(row.get("n_runs")):
        here = count(row, "n_here")
        words.append(plural(here, "run") if here else "not run")
    return "; ".join(filter(None, words))


def _faster(rows: Sequence[Row], row: Row, part: Part) -> str:
    """Of two levels the one that is the likelier; of more, how likely this one is the best."""
    chance = number(row, "chance_best")
    if chance is None:
        return ""
    if len(rows) == 2:
        level = part.level(row["level"] if chance >= 0.5 else part.reference)
        return f"{level} faster: {_percent(max(chance, 1 - chance))}"
    return f"the best of {len(rows)}: {_percent(chance)}"


def _percent(chance: float) -> str:
    """Never more than the intervals can tell: at most 99 %, at least 1 %."""
    return f"{min(max(round(chance * 100), 1), 99)} %"


def closing(evidence: Evidence, part: Part, factor: str, level: str) -> str:
    """Whole-race times by themselves, and what all of it rests on."""
    words = []
    direct = evidence.direct.get((factor, level))
    if direct is not None and number(direct, "direct") is not None:
        saved, half = -float(direct["direct"]), NORMAL_95 * (number(direct, "direct_se") or 0.0)
        low, high = (seconds(v, unit="") for v in (saved - half, saved + half))
        fits = "agrees" if direct.get("agrees") else "does not agree"
        words.append(f"Whole-race times alone: {seconds(saved)} ({low} to {high}), {fits}.")
    row = evidence.effects.get(("pace", factor, level, "all"))
    if row is not None and not missing(row.get("n_runs")):
        words.append(
            f"{plural(count(row, 'n_runs'), 'run')}, {plural(count(row, 'n_drivers'), 'driver')}, "
            f"{plural(count(row, 'n_switches'), 'change')} between two runs of a driver."
        )
    if row is not None and text(row, "remark"):
        words.append(
            f"{text(row, 'remark')[0].upper()}{text(row, 'remark')[1:]}.".replace("..", ".")
        )
    return " ".join(words)
