"""A made-up season in the shape of the models' results, to lay pages out and test them on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.report.context import ReportContext, make_context
from pipeline.report.provenance import Provenance
from pipeline.tables import schema
from pipeline.tables.records import MeetingResult, SeasonResult


@dataclass(frozen=True)
class MadeUpFactor:
    name: str
    label: str
    kind: str
    levels: tuple[str, ...]
    reference: str
    unit: str = ""


FACTORS = (
    MadeUpFactor("rear_bar", "Rear anti-roll bar", "ordered", ("1.2", "1.3", "1.4"), "1.3", "mm"),
    MadeUpFactor("screws", "Centre screws", "category", ("in", "out"), "in"),
    MadeUpFactor("ride_height", "Ride height", "number", (), "5.2", "mm"),
    MadeUpFactor("top_deck", "Top deck", "category", ("split", "full"), "full"),
    MadeUpFactor("springs", "Front springs", "category", ("soft", "hard"), "soft"),
    MadeUpFactor("oil", "Damper oil", "category", ("thin", "thick"), "thin"),
)
TEAM = ("Ida Holm", "Per Nowak", "Samir Aziz", "June Okafor")
RIVALS = ("Bo Lindqvist", "Carla Petit", "Dov Hart", "Elin Moss", "Finn Abel", "Gus Tran")
DAYS = {
    "carpet-opener": "2025-01-18",
    "hall-cup": "2025-02-15",
    "spring-asphalt": "2025-04-12",
    "lake-race": "2025-06-07",
}
# factor, level: pace, its SE, spread ratio, mistakes ratio, race s, verdicts of the five outcomes
CHANGES = [
    ("rear_bar", "1.2", -0.052, 0.011, 1.02, 0.97, -1.05, ("faster", "leaning wilder", "faster")),
    ("rear_bar", "1.4", 0.041, 0.012, 0.85, 0.72, 0.12, ("slower", "steadier", "no")),
    ("screws", "out", -0.024, 0.013, 1.15, 1.41, 0.61, ("leaning faster", "wilder", "leaning")),
    ("ride_height", "+1", 0.062, 0.018, 1.04, 1.1, 1.41, ("slower", "leaning wilder", "slower")),
    ("top_deck", "split", 0.002, 0.008, 1.0, 1.02, 0.05, ("no", "no", "no")),
]
CLAIM = ["text", "factor", "from", "to", "outcome", "expect", "condition", "verdict"]
FIT = ["outcome", "condition", "rows", "fixed", "penalised", "evaluations", "gradient"]
CHECK = ["factor", "level", "reference", "direct", "direct_se", "composed", "composed_se"]
CHECK += ["gap", "gap_se"]
NO = "no difference that matters"


def season(seed: int = 7, rivals: int = len(RIVALS), meetings: int = len(DAYS)) -> SeasonResult:
    """A season of `meetings` days with the four team drivers and `rivals` others."""
    generator = np.random.default_rng(seed)
    days = _days(meetings)
    others = [RIVALS[i] if i < len(RIVALS) else f"Rival Number{i}" for i in range(rivals)]
    effects = schema.EFFECTS.conform(pd.DataFrame(_effects()))
    return SeasonResult(
        effects=effects,
        runs=_runs(generator, days, others),
        grip=schema.GRIP.conform(pd.DataFrame(_grip(generator, days))),
        by_driver=_by_driver(generator),
        trends=_trends(),
        claims=_claims(),
        cannot_tell=_cannot_tell(),
        needs=_needs(),
        components=_components(),
        fits=_fits(),
        race_check=_race_check(),
        lap_counts=_lap_counts(days),
        second_opinion_note="not asked for",
        notes=("In lake-race no start times were known: the order of the sessions stands in.",),
    )


def _days(count: int) -> dict[str, str]:
    days = dict(list(DAYS.items())[:count])
    for index in range(len(days), count):
        days[f"meeting-{index + 1}"] = f"2025-{index % 12 + 1:02d}-21"
    return days


def _effects() -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for factor, level, pace, error, spread, mistakes, race, verdicts in CHANGES:
        reference = next(f.reference for f in FACTORS if f.name == factor)
        base = {"factor": factor, "level": level, "reference": reference, **_counts(factor)}
        rows.append(_row(base, "pace", "all", pace, error, verdicts[0]))
        rows.append(_row(base, "spread", "all", spread, 0.05, verdicts[1]))
        rows.append(_row(base, "mistakes", "all", mistakes, 0.2, ""))
        rows.append(_row(base, "fade", "all", 0.0012, 0.001, "leaning fades more"))
        rows.append(_row(base, "race", "all", race, 0.3, verdicts[2]))
        for condition, shift in (("grip=low", -0.01), ("grip=high", 0.015), ("surface=carpet", 0)):
            rows.append(_row(base, "pace", condition, pace + shift, error * 1.6, ""))
            rows.append(_row(base, "spread", condition, spread, 0.08, ""))
    return [*rows, _refused("springs", "hard", "oil"), _refused("oil", "thick", "springs")]


def _counts(factor: str) -> dict[str, int]:
    return {"n_runs": 21, "n_drivers": 4, "n_meetings": 4, "n_switches": 9}


def _row(
    base: dict[str, object], outcome: str, condition: str, value: float, error: float, verdict: str
) -> dict[str, object]:
    ratio = outcome in ("spread", "mistakes")
    half = 2.05 * error
    low, high = value - half, value + half
    if ratio:
        low, high = value * np.exp(-half), value * np.exp(half)
    null = 1.0 if ratio else 0.0
    numbers = {
        "estimate": value,
        "std_error": error,
        "df": 31.4,
        "ci_low": low,
        "ci_high": high,
        "p_value": 0.012,
        "q_value": 0.034,
        "p_shuffled": 0.021,
    }
    below, above = {"spread": ("steadier", "wilder"), "mistakes": ("fewer", "more")}.get(
        outcome, ("faster", "slower")
    )
    word = below if value < null else above
    settled = low > null or high < null
    given = {"no": NO, "leaning": f"leaning {word}", "": word if settled else f"leaning {word}"}
    return {
        **base,
        "outcome": outcome,
        "condition": condition,
        **numbers,
        "verdict": given.get(verdict, verdict),
        "scope": "the next meeting",
    }


def _refused(factor: str, level: str, mixed: str) -> dict[str, object]:
    reference = next(f.reference for f in FACTORS if f.name == factor)
    return {
        "outcome": "pace",
        "factor": factor,
        "level": level,
        "reference": reference,
        "condition": "all",
        **_counts(factor),
        "verdict": "not separable",
        "scope": "these meetings",
        "mixed_with": mixed,
    }


def _runs(generator: np.random.Generator, days: dict[str, str], rivals: list[str]) -> pd.DataFrame:
    rows = []
    for meeting, date in days.items():
        for driver_no, driver in enumerate([*TEAM, *rivals]):
            for run in range(1, 7):
                hour = 9 + run + driver_no % 3 * 0.2
                mean = 15.8 + driver_no * 0.05 - 0.4 * (1 - np.exp(-run / 3))
                mean += generator.normal(0, 0.08)
                corrected = mean + 0.4 * (1 - np.exp(-run / 3))
                rows.append(
                    {
                        "meeting": meeting,
                        "session": f"Practice {run}" if run < 4 else f"Qualifying {run - 3}",
                        "session_kind": "practice" if run < 4 else "qualifying",
                        "driver": driver,
                        "run_no": run,
                        "start": f"{date}T{int(hour):02d}:{int(hour % 1 * 60):02d}:00",
                        "laps": 19,
                        "clean_laps": 16,
                        "mean_s": mean,
                        "corrected_s": corrected,
                        "spread_s": abs(generator.normal(0.2, 0.05)),
                        "mistakes": int(generator.poisson(0.6)),
                        "fade": generator.normal(0.004, 0.003),
                        "total_s": 19 * mean + 4,
                        "best_s": mean - 0.3,
                        "rear_bar": ["1.2", "1.3", "1.4"][run % 3] if driver in TEAM else None,
                        "screws": "in" if driver in TEAM else None,
                        "ride_height": "5.2" if driver in TEAM else None,
                        "top_deck": "full" if driver in TEAM else None,
                        "springs": "soft" if driver in TEAM else None,
                        "oil": "thin" if driver in TEAM else None,
                        "class": "",
                        "heat": str(driver_no % 3 + 1),
                        "team": driver in TEAM,
                        "date": date,
                        "hour": hour,
                        "excluded": "rain" if meeting == "lake-race" and run == 6 else None,
                        "corrected_low": corrected - 0.11,
                        "corrected_high": corrected + 0.11,
                    }
                )
    return pd.DataFrame(rows)


def _grip(generator: np.random.Generator, days: dict[str, str]) -> list[dict[str, object]]:
    rows = []
    for meeting, date in days.items():
        for hour in np.arange(9.5, 16.1, 0.25):
            seconds = 0.4 * np.exp(-(hour - 9.5) / 2.4)
            rows.append(
                {
                    "meeting": meeting,
                    "time": f"{date}T{int(hour):02d}:{int(hour % 1 * 60):02d}:00",
                    "seconds": seconds,
                    "ci_low": seconds - 0.05,
                    "ci_high": seconds + 0.05,
                }
            )
    return rows


def _by_driver(generator: np.random.Generator) -> pd.DataFrame:
    rows = []
    for outcome, value in (("pace", -0.052), ("spread", 1.02)):
        for driver in TEAM:
            own = value + generator.normal(0, 0.03)
            rows.append(
                {
                    "outcome": outcome,
                    "factor": "rear_bar",
                    "level": "1.2",
                    "reference": "1.3",
                    "driver": driver,
                    "estimate": own,
                    "std_error": 0.02,
                    "df": 12.0,
                    "ci_low": own - 0.045,
                    "ci_high": own + 0.045,
                    "n_runs": 6,
                }
            )
    return pd.DataFrame(rows)


def _trends() -> pd.DataFrame:
    row = ("pace", "rear_bar", 0.046, 0.009, 30.2, 0.027, 0.064, 0.0001)
    names = ["outcome", "factor", "estimate", "std_error", "df", "ci_low", "ci_high", "p_value"]
    return pd.DataFrame([row], columns=names)


def _claims() -> pd.DataFrame:
    names = [*CLAIM, "estimate", "ci_low", "ci_high"]
    rows = [
        (
            "A thicker rear bar is more consistent",
            *("rear_bar", "1.3", "1.4", "spread", "lower", "all", "supported", 0.85, 0.77, 0.94),
            None,
        ),
        (
            "Screws out is quicker in low grip",
            *("screws", "in", "out", "pace", "lower", "grip=low", "open", -0.044, -0.087, 0.001),
            5,
        ),
    ]
    return pd.DataFrame(rows, columns=[*names, "more_switches"])


def _cannot_tell() -> pd.DataFrame:
    names = "factor level reference condition mixed_with information_left n_switches sentence"
    rows = [
        (
            "springs",
            "hard",
            "soft",
            "all",
            "oil",
            0.0,
            9,
            "always changed together with Damper oil",
        ),
        ("oil", "thick", "thin", "all", "springs", 0.0, 9, "always changed with Front springs"),
    ]
    return pd.DataFrame(rows, columns=names.split())


def _needs() -> pd.DataFrame:
    names = ["outcome", "factor", "level", "reference", "condition", "more_switches"]
    rows = [
        ("pace", "screws", "out", "in", "all", 7),
        ("race", "screws", "out", "in", "all", 12),
        ("pace", "rear_bar", "1.4", "1.3", "grip=high", 3),
    ]
    return pd.DataFrame(rows, columns=names)


def _components() -> pd.DataFrame:
    rows = [
        ("pace", "driver", 0.31, False),
        ("pace", "driver at the meeting", 0.06, False),
        ("pace", "run", 0.081, False),
        ("pace", "lap", 0.22, False),
        ("spread", "driver", 0.0, True),
    ]
    return pd.DataFrame(rows, columns=["outcome", "component", "sd", "at_zero"])


def _fits() -> pd.DataFrame:
    names = [*FIT, "converged", "message"]
    return pd.DataFrame(
        [("pace", "all", 240, 14, 40, 9, 1e-9, True, "gradient and curvature hold")], columns=names
    )


def _race_check() -> pd.DataFrame:
    names = [*CHECK, "agrees"]
    return pd.DataFrame(
        [("rear_bar", "1.2", "1.3", -1.05, 0.3, -0.98, 0.25, -0.07, 0.12, True)], columns=names
    )


def _lap_counts(days: dict[str, str]) -> pd.DataFrame:
    rows = [
        (meeting, status, count)
        for meeting in days
        for status, count in (("clean", 960), ("first", 60), ("incident", 33), ("missed", 4))
    ]
    return pd.DataFrame(rows, columns=["meeting", "status", "laps"])


def meeting(result: SeasonResult | None = None, name: str = "carpet-opener") -> MeetingResult:
    """The run sheet of one day of the made-up season."""
    result = result or season()
    day = result.runs[result.runs["meeting"] == name]
    team = day[day["team"]].copy()
    team["best_three_s"] = team["mean_s"] - 0.15
    change = team.groupby("driver")["rear_bar"].shift()
    team["changed"] = [
        f"rear_bar {a} -> {b}" if isinstance(a, str) and a != b else ""
        for a, b in zip(change, team["rear_bar"], strict=True)
    ]
    team["difference_s"] = team.groupby("driver")["corrected_s"].diff()
    team["difference_low"] = team["difference_s"] - 0.16
    team["difference_high"] = team["difference_s"] + 0.16
    team["difference_q"] = np.where(team["difference_s"].abs() > 0.2, 0.02, 0.4)
    others = day[~day["team"]]
    centre = others.groupby("driver")["mean_s"].transform("mean")
    field = others[["date", "hour", "corrected_s"]].assign(seconds=others["mean_s"] - centre)
    return MeetingResult(
        meeting=name,
        runs=team.reset_index(drop=True),
        field=field.reset_index(drop=True),
        grip=result.grip[result.grip["meeting"] == name].reset_index(drop=True),
        reference="Pace is given at the grip of 16:00, the best of the day.",
        effects=result.effects[
            result.effects["outcome"].isin(["pace", "spread"])
            & (result.effects["condition"] == "all")
        ].reset_index(drop=True),
        neutralised=pd.DataFrame(
            [(day["date"].iloc[0], 10.2, 10.25, 21, 9)],
            columns=["date", "begin", "end", "laps", "drivers"],
        ),
    )


def context() -> ReportContext:
    """The made-up team's words."""
    made_of = Provenance(
        "backtoback season", "0.1.0", "2025-11-02", (("team.toml", "0" * 12),), (), "1" * 12
    )
    aside = (("Lap time is no duration", 12),)
    return make_context("Loose Screws", FACTORS, 300.0, 0.03, made_of, "", aside)  # type: ignore[arg-type]
