"""How the numbers were made, in short, and what they were made from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.report.contrasts import records
from pipeline.report.views import Heading, Section, TableView, table
from pipeline.report.words import number, race_length, sentence, whole

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.tables.records import SeasonResult


def method_section(result: SeasonResult, context: ReportContext) -> Section:
    """The models in words, then their variance components, fits and checks."""
    views = [
        _components(result.components),
        _trends(result.trends, context),
        _race_check(result.race_check, context),
        _second_opinion(result.second_opinion, context),
        _fits(result.fits),
    ]
    extra = (
        (f"Second opinion: {sentence(result.second_opinion_note)}",)
        if result.second_opinion_note
        else ()
    )
    return Section(
        "method",
        "How it was computed",
        points=(*_points(context), *extra),
        folded=tuple(v for v in views if v),
    )


def _points(context: ReportContext) -> tuple[str, ...]:
    length, worth = race_length(context.race_seconds), f"{context.worthwhile_s:g}"
    return (
        "Unit: the run. Laps of one run share its luck, so a change has as much evidence as it has "
        "runs and switches, not laps.",
        "Pace: a linear mixed model by restricted maximum likelihood (REML) on the clean laps of "
        "the whole field. Fixed: meeting, session kind, lap within the run, setup contrasts "
        "against each factor's reference. Random, nested: driver, driver at the meeting, run. "
        "Residual variance by driver. Grip: a penalised cubic B-spline of the time of day for each "
        "meeting day, common to all cars, its smoothness by REML with a prior. Besides: a "
        "straight line a day for the team alone, which may learn or gain more from the track than "
        "the field, and what the cars of a heat share. The team's runs have a variance of their "
        "own. A lap that may have been a small error counts by its chance to be clean.",
        "By condition and by driver: effects drawn towards the common one as far as their own "
        "evidence is thin (partial pooling). From two meetings on each effect may vary from "
        "meeting to meeting, so that its interval speaks of the next meeting; from one it speaks "
        "of that one.",
        "Spread: the logarithm of each run's lap variance about its own trend, corrected for its "
        "known bias and with its known sampling variance (Bartlett and Kendall 1946), in the same "
        "model at the level of runs; effects are ratios of standard deviations.",
        "Mistakes: incidents in a run with laps as exposure and a logarithmic link; effects are "
        "ratios of rates.",
        "Fade: each run's slope over its laps, with its sampling variance, in the same model.",
        f"Race: the mean of all timed laps of a run, incidents in, timing errors out, over "
        f"{length}; it is checked against the sum of pace, fade and mistakes.",
        "Intervals: t intervals at 95 % after Kenward and Roger (1997). 19 chances in 20 is short "
        "for: a procedure whose intervals hold the true value 19 times in 20.",
        "q: factors first (Simes' test, then Benjamini and Hochberg 1995), then what is asked of "
        "each (Benjamini and Bogomolov 2014). An effect is called where q is at most 5 % and where "
        "at most 5 % of the logs that are shuffled within each driver's day show as much (Fisher "
        "1935). No difference that matters: two one-sided tests at 5 % against "
        f"{worth} s a lap.",
        "Nothing is printed for a contrast that cannot be separated from another setting, from "
        "grip, the driver or the session.",
    )


def _components(frame: pd.DataFrame) -> TableView | None:
    if not len(frame):
        return None
    rows = [
        (r.outcome, r.component, number(r.sd, 4), "at zero" if r.at_zero else "")
        for r in records(frame)
    ]
    heads = [
        "Outcome",
        "Component",
        Heading("Standard deviation", True),
        "Boundary",
    ]
    return table("components", "Variance components", heads, rows)


def _trends(frame: pd.DataFrame, context: ReportContext) -> TableView | None:
    if not len(frame):
        return None
    rows = [
        (
            context.factor_label(r.factor),
            r.outcome,
            *(number(v, 4) for v in (r.estimate, r.std_error)),
            number(r.df, 1),
            *(number(v, 4) for v in (r.ci_low, r.ci_high, r.p_value)),
        )
        for r in records(frame)
    ]
    numeric = ("Per step", "Standard error", "df", "Low", "High", "p")
    heads = ["Factor", "Outcome", *(Heading(h, True) for h in numeric)]
    return table("trends", "Trend over the levels of ordered factors", heads, rows)


def _race_check(frame: pd.DataFrame, context: ReportContext) -> TableView | None:
    if not len(frame):
        return None
    rows = [
        (
            context.contrast_label(r.factor, r.level, r.reference),
            *(number(v, 2, signed=True) for v in (r.direct, r.composed)),
            *(number(v, 2) for v in (r.direct_se, r.composed_se)),
            number(r.gap, 2, signed=True),
            number(r.gap_se, 2),
            "agree" if r.agrees else "do not agree",
        )
        for r in records(frame)
    ]
    numeric = ("Direct, s", "Composed, s", "Standard error", "Standard error, composed",
               "Not in the parts, s", "Its standard error")  # fmt: skip
    heads = [
        "Change",
        *(Heading(h, True) for h in numeric),
        "Within their intervals",
    ]
    return table("race-check", "Race: direct and composed", heads, rows)


def _second_opinion(frame: pd.DataFrame | None, context: ReportContext) -> TableView | None:
    if frame is None or not len(frame):
        return None
    rows = [
        (
            context.contrast_label(r.factor, r.level, r.reference),
            *(number(v, 4) for v in (r.ours, r.ours_se, r.other, r.other_se)),
            number(r.difference_se, 3),
        )
        for r in records(frame)
    ]
    numeric = (
        "Here",
        "Standard error",
        "statsmodels",
        "Standard error, statsmodels",
        "Difference in standard errors",
    )
    heads = ["Change", *(Heading(h, True) for h in numeric)]
    return table("second-opinion", "Pace by statsmodels' MixedLM", heads, rows)


def _fits(frame: pd.DataFrame) -> TableView | None:
    if not len(frame):
        return None
    rows = [
        (
            r.outcome,
            r.condition,
            *(whole(v) for v in (r.rows, r.fixed, r.penalised, r.evaluations)),
            number(r.gradient, 9),
            "yes" if r.converged else "no",
            r.message,
        )
        for r in records(frame)
    ]
    numeric = ("Rows", "Fixed", "Penalised", "Evaluations", "Gradient")
    heads = [
        "Outcome",
        "Condition",
        *(Heading(h, True) for h in numeric),
        "Converged",
        "Record",
    ]
    return table("fits", "Fits", heads, rows)


def provenance_section(context: ReportContext) -> Section:
    """Command, versions and inputs."""
    made = context.provenance
    tool = [("backtoback", made.version), *made.libraries]
    libraries = ", ".join(f"{name} {version}" for name, version in tool)
    points = [
        f"Command: {made.command}",
        f"Made on {made.day} by {libraries}",
        f"All inputs together: SHA-256 {made.digest}…",
    ]
    heads = ["File", "SHA-256, first digits"]
    views = (table("inputs", "Inputs", heads, made.inputs),) if made.inputs else ()
    return Section("provenance", "What it was made from", points=tuple(points), folded=views)
