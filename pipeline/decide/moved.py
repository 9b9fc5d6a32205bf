"""What moved since the last meeting: the same data without it, beside all of them.

Nothing is kept from one look to the next: what stood before is computed anew, with the log as it
is now.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.decide.situations import rows_of
from pipeline.tables.cells import Row, number, plural, text
from pipeline.tables.decisions import CHANGES
from pipeline.tables.outcomes import is_settled

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.tables.outcomes import Outcome
    from pipeline.tables.records import SeasonData

SETTLED, TAKEN_BACK = ", settled", ", taken back"
CANNOT = "cannot be told"
Key = tuple[str, ...]
Why = Mapping[str, str]


@dataclass(frozen=True)
class Stand:
    """Effects and choices as they stood at a time."""

    effects: pd.DataFrame
    choices: pd.DataFrame

    def verdicts(self) -> dict[Key, Row]:
        """(outcome, factor, level) -> row, over all conditions."""
        rows = rows_of(self.effects[self.effects["condition"] == "all"])
        return {(r["outcome"], r["factor"], r["level"]): r for r in rows}

    def advices(self) -> dict[Key, Row]:
        """(factor, grip) -> the team's row that is advised, or that says why nothing is."""
        rows = self.choices[
            (self.choices["driver"].fillna("") == "") & (self.choices["surface"].fillna("") == "")
        ]
        chosen = rows[rows["advice"].fillna("").ne("") | rows["level"].eq("")]
        return {(r["factor"], r["grip"]): r for r in rows_of(chosen)}


def without_last_meeting(data: SeasonData) -> tuple[str, SeasonData | None]:
    """The last meeting at which the team ran, and the data without it; None where it is the only
    one."""
    team = data.runs[data.runs["team"].to_numpy(bool)]
    began = team.groupby("meeting")["date"].min()
    if len(began) < 2:
        return "", None
    last = str(max(began.items(), key=lambda item: (item[1], str(item[0])))[0])
    return last, data.only((data.runs["meeting"] != last).to_numpy(bool))


def moved_table(before: Stand, now: Stand, data: SeasonData, meeting: str) -> pd.DataFrame:
    """decisions.CHANGES. meeting: the last one, which `before` does not know."""
    why = _reasons(data, meeting)
    outcomes = {outcome.name: outcome for outcome in (*data.outcomes, *data.feels)}
    rows = [*_choices(before, now, why), *_verdicts(before, now, why, outcomes)]
    columns = {name: [row[name] for row in rows] for name in CHANGES.names}
    return CHANGES.conform(columns) if rows else CHANGES.empty()


def _choices(before: Stand, now: Stand, why: Why) -> Iterator[dict[str, str]]:
    past = before.advices()
    for (factor, grip), row in now.advices().items():
        old = past.get((factor, grip))
        told, first = text(row, "advice"), bool(old is None or not text(old, "advice"))
        same = not first and old is not None and old["level"] == row["level"]
        if (first and not told) or (same and old is not None and text(old, "advice") == told):
            continue
        stood = CANNOT if first or old is None else _advised(old, not same)
        yield {
            "what": "choice", "factor": factor, "level": text(row, "level"), "grip": grip,
            "before": stood, "now": _advised(row, not same and not first) if told else CANNOT,
            "why": _told_now(first, why[factor]),
        }  # fmt: skip


def _advised(row: Row, with_level: bool) -> str:
    return f"{row['advice']} {row['level']}" if with_level else str(row["advice"])


def _told_now(first: bool, why: str) -> str:
    return f"it can be told now; {why}" if first else why


def _verdicts(
    before: Stand, now: Stand, why: Why, outcomes: Mapping[str, Outcome]
) -> Iterator[dict[str, str]]:
    past = before.verdicts()
    for key, row in now.verdicts().items():
        outcome, factor, level = key
        old, of = past.get(key), outcomes[outcome]
        first = old is None or number(old, "estimate") is None
        told = number(row, "estimate") is not None
        stood, stands = (CANNOT if old is None else _verdict(of, old)), _verdict(of, row)
        if stood == stands or (first and not told):
            continue
        back = SETTLED in stood and SETTLED not in stands
        yield {
            "what": "verdict", "factor": factor, "level": level, "grip": "",
            "before": stood if first else f"{outcome} {stood}",
            "now": f"{outcome} {stands}{TAKEN_BACK * back}",
            "why": _told_now(first, why[factor]),
        }  # fmt: skip


def _verdict(of: Outcome, row: Row) -> str:
    if number(row, "estimate") is None:
        return CANNOT
    low, high = number(row, "anytime_low"), number(row, "anytime_high")
    settled = low is not None and is_settled(of, str(row["verdict"]), low, high or 0.0)
    return f"{row['verdict']}{SETTLED * settled}"


def _reasons(data: SeasonData, meeting: str) -> dict[str, str]:
    """Factor -> what the last meeting brought of it."""
    runs = data.runs
    here = (runs["team"].to_numpy(bool)) & (runs["meeting"] == meeting).to_numpy(bool)
    here &= runs["excluded"].isna().to_numpy(bool)
    out = {}
    for factor in data.factors:
        ran = runs.loc[here, factor.name].dropna()
        if ran.nunique() > 1:
            out[factor.name] = f"{plural(len(ran), 'new run')} at {meeting}"
        else:
            out[factor.name] = f"not changed at {meeting}: its laps say more of grip and scatter"
    return out
