"""The study's tables in markdown."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from importlib.metadata import version

import numpy as np
import pandas as pd

from tests.decide import measures
from tests.decide.measures import mean_and_error
from tests.decide.record import Record
from tests.decide.targets import against_targets
from tests.decide.world import SIZES

LIBRARIES = ("numpy", "scipy", "pandas", "statsmodels")


def page(records: Sequence[Record], seed: int) -> str:
    """The results as a markdown page."""
    versions = ", ".join(f"{library} {version(library)}" for library in LIBRARIES)
    worlds = len({record["number"] for record in records})
    head = INTRODUCTION.format(
        worlds=worlds, seed=seed, versions=f"Python {platform.python_version()}, {versions}"
    )
    parts = [head, "## Against the targets", reached(records)]
    parts += ["## Regret", regret(records), regret_by_role(records), regret_by_season(records)]
    parts += ["## Chances", chances(records), scores(records), chances_by_role(records)]
    parts += ["## Gains", gains(records)]
    parts += ["## Gradients and switch-overs", gradients(records), switch_overs(records)]
    parts += ["## Best values", best_values(records)]
    parts += ["## Worth of tests", test_days(records)]
    parts += ["## Other units", units(records)]
    failures = [f"- {r['number']} {r['size']}: {r['failure']}" for r in records if "failure" in r]
    parts += ["## Worlds on which the analysis failed", "\n".join(failures) or "None."]
    return "\n\n".join(parts)


def table(head: str, rows: Sequence[Sequence[object]]) -> str:
    cells = head.count("|") - 1
    lines = [head, "|---" + "|---:" * (cells - 1) + "|"]
    return "\n".join([*lines, *("| " + " | ".join(str(c) for c in row) + " |" for row in rows)])


def number(value: float, error: float = np.nan, digits: int = 3) -> str:
    if not np.isfinite(value):
        return "–"
    text = f"{value:.{digits}f}"
    return f"{text} ± {error:.{digits}f}" if np.isfinite(error) else text


def percent(value: float, error: float = np.nan) -> str:
    return number(100 * value, 100 * error, 1) + (" %" if np.isfinite(value) else "")


def regret(records: Sequence[Record]) -> str:
    rows = measures.part(records, "regrets")
    cells = {rule: [rule] for rule in measures.RULES}
    present = [size for size in SIZES if size in set(rows["size"])]
    for size in present:
        found = measures.regret_table(rows[rows["size"].eq(size)])
        for rule, one in found.iterrows():
            cells[str(rule)] += [
                number(one["mean"], one["error"]),
                number(one["more"], one["paired"]),
            ]
    names = " | ".join(f"{size} | over least loss" for size in present)
    return table(f"| rule | {names} |", list(cells.values()))


def regret_by_role(records: Sequence[Record]) -> str:
    rows = measures.part(records, "regrets")
    shown = ("reference", "best laps", "shown", "better by grip", "least loss", "knows the effects")
    lines = []
    for (size, role), group in rows.groupby(["size", "role"], sort=False):
        means = [mean_and_error(group[rule], group["world"]) for rule in shown]
        lines.append([f"{role}, {size}", *(number(*pair) for pair in means)])
    return table("| what, size | " + " | ".join(shown) + " |", lines)


def regret_by_season(records: Sequence[Record]) -> str:
    rows = measures.part(records, "regrets")
    rows["cars"] = np.where(rows["team"] < 4, "2 or 3 of the team", "4 to 6 of the team")
    shown = ("reference", "best laps", "shown", "better by grip", "least loss", "knows the effects")
    groups = [*rows.groupby(["size", "cars"], sort=False)]
    groups += [*rows.groupby(["size", "meeting_sd"], sort=False)]
    lines = []
    for key, group in groups:
        means = [mean_and_error(group[rule], group["world"]) for rule in shown]
        lines.append([", ".join(str(k) for k in key), *(number(*pair) for pair in means)])
    return table("| size, team or SD of meetings | " + " | ".join(shown) + " |", lines)


def gains(records: Sequence[Record]) -> str:
    rows = measures.gains(measures.part(records, "choices"))
    lines = []
    for key, group in [*rows.groupby(["role", "size"], sort=False), *rows.groupby(["meeting_sd"])]:
        error = group["said"] - group["true"]
        slope = (group["said"] * group["true"]).sum() / (group["said"] ** 2).sum()
        lines.append([
            ", ".join(str(k) for k in key), len(group), number(group["said"].std()),
            number(group["true"].std()), number(float(np.sqrt((error**2).mean()))),
            number(slope, digits=2), percent(*mean_and_error(group["covered"], group["world"])),
        ])  # fmt: skip
    head = "| what, size or SD of meetings | levels | SD said | SD true | error, RMS "
    return table(head + "| slope of true on said | interval covers |", lines)


def reached(records: Sequence[Record]) -> str:
    return table("| what | target | found | |", against_targets(records))


def chosen(records: Sequence[Record]) -> pd.DataFrame:
    return measures.choices(measures.part(records, "choices"))


def chances(records: Sequence[Record]) -> str:
    rows = chosen(records)
    lines = []
    for name, group in [("all", rows), *rows.groupby("size", sort=False)]:
        for one in measures.bins(group).itertuples():
            between = f"{name}, {100 * one[1]:.0f} to {100 * one[1] + 10:.0f} %"
            off = percent(one.said - one.seen)
            lines.append(
                [between, one.choices, percent(one.said), percent(one.seen, one.error), off]
            )
    return table("| size, chance said | choices | said | seen | said − seen |", lines)


def scores(records: Sequence[Record]) -> str:
    rows = chosen(records)
    lines = []
    groups = [("all", rows), *rows.groupby("size", sort=False)]
    groups += [("the team", rows[rows["driver"] < 0]), ("a driver", rows[rows["driver"] >= 0])]
    groups += [(f"meetings vary {sd:g} s", g) for sd, g in rows.groupby("meeting_sd")]
    for name, group in groups:
        off = mean_and_error(group["chance_picked"] - group["true_chance_picked"], group["world"])
        said, base = measures.log_scores(group)
        loss = mean_and_error(group["loss_picked"] - group["true_loss_picked"], group["world"])
        mine = group["places"].str.len().eq(2)
        held = group.loc[mine, "covered"].map(lambda shares: shares[1])
        covers = mean_and_error(held, group.loc[mine, "world"])
        lines.append([
            name, len(group), percent(*off), number(said), number(base), number(*loss),
            number(group["true_loss_picked"].mean()), percent(*covers),
        ])  # fmt: skip
    head = (
        "| choices | number | said − seen | log score | of the base rate "
        "| loss said − true | loss true | gain's interval covers (options) |"
    )
    return table(head, lines)


def chances_by_role(records: Sequence[Record]) -> str:
    rows = chosen(records)
    lines = []
    for (role, size), group in rows.groupby(["role", "size"], sort=False):
        said, base = measures.log_scores(group)
        off = mean_and_error(group["chance_picked"] - group["true_chance_picked"], group["world"])
        advice = group["advice"].value_counts(normalize=True)
        words = [percent(advice.get(word, 0.0)) for word in ("either", "keep", "try", "fit")]
        lines.append([f"{role}, {size}", percent(group["chance_picked"].mean()), percent(*off),
                      number(said), number(base), *words])  # fmt: skip
    head = "| what, size | chance said | said − seen | log score | of the base rate "
    return table(head + "| either | keep | try | fit |", lines)


def gradients(records: Sequence[Record]) -> str:
    rows = measures.part(records, "gradients")
    rows["kind"] = np.where(rows["role"].eq("crossing"), "changes sign", "no gradient")
    rows["covers"] = (rows["low"] <= rows["true"]) & (rows["true"] <= rows["high"])
    rows["found"] = rows["p_value"] < 0.05
    rows["said"] = rows["verdict"].isin(["better with grip", "worse with grip"])
    rows["z"] = (rows["estimate"] - rows["true"]) / rows["std_error"]
    rows["mix"] = np.where(rows["usual"], "two low, one medium, two high", "other mixes")
    lines = []
    for by in (["size"], ["size", "mix"], ["size", "meeting_sd"]):
        for key, group in rows.groupby(["kind", *by], sort=False):
            cells = [mean_and_error(group[c], group["world"]) for c in ("found", "said", "covers")]
            scatter, df = number(group["z"].std(), digits=2), number(group["df"].median(), digits=1)
            lines.append([", ".join(str(k) for k in key), len(group), *(percent(*c) for c in cells),
                          scatter, df, number(group["std_error"].median(), digits=4)])  # fmt: skip
    head = "| gradient of pace | number | p < 0.05 | in the verdict | interval covers "
    return table(head + "| error / std. error, SD | df, median | std. error, median |", lines)


def switch_overs(records: Sequence[Record]) -> str:
    rows = measures.switches(measures.part(records, "gradients"))
    lines = []
    for key, group in [*rows.groupby(["size"]), *rows.groupby(["size", "meeting_sd"])]:
        inside = group[group["true_switch"].abs() <= 1]
        covers = mean_and_error(inside["holds"], inside["world"])
        closed = inside[inside["open"].eq(0)]
        shut = mean_and_error(closed["holds"], closed["world"])
        width = (closed["to"] - closed["from"]).median()
        lines.append([", ".join(str(k) for k in key), len(inside), percent(*covers), len(closed),
                      percent(*shut), number(width, digits=2),
                      percent(inside["at"].notna().mean())])  # fmt: skip
    head = "| size, SD of meetings | true one in the range | holds it | closed intervals "
    return table(head + "| of these hold it | width, median | a position said |", lines)


def best_values(records: Sequence[Record]) -> str:
    rows = measures.best_values(measures.part(records, "bests"))
    lines = []
    keys = ["size", "outcome", "grip"]
    for key, group in [
        *rows.groupby(keys, sort=False),
        *rows.groupby(["size", "outcome", "meeting_sd"]),
    ]:
        covers = mean_and_error(group["holds"], group["world"])
        lines.append([", ".join(str(k) or "all" for k in key), len(group), percent(*covers),
                      percent(group["open"].gt(0).mean()),
                      percent(group["share"].median())])  # fmt: skip
    head = "| size, outcome, grip or SD of meetings | number | holds the true one | open "
    return table(head + "| width in the range, median |", lines)


def test_days(records: Sequence[Record]) -> str:
    rows = measures.test_days(records)
    if not len(rows):
        return "None driven."
    groups = [("all", rows), *rows.groupby("size", sort=False), *rows.groupby("role", sort=False)]
    lines = []
    for name, group in groups:
        more = mean_and_error(group["brought"] - group["worth"], group["world"])
        changed = mean_and_error(group["changed"], group["world"])
        lines.append([
            name, len(group), number(group["worth"].mean()),
            number(*mean_and_error(group["brought"], group["world"])), number(*more),
            percent(group["to_change"].mean()), percent(*changed),
            number(group["loss_said"].mean()), number(group["loss_before"].mean()),
        ])  # fmt: skip
    head = "| test days | number | gain expected | brought | brought − expected "
    head += "| chance to change | changed | loss said before | true loss before |"
    return table(head, lines)


def units(records: Sequence[Record]) -> str:
    rows = pd.DataFrame([row for r in measures.whole(records) for row in r.get("units", [])])
    if not len(rows):
        return "None tried."
    lines = [
        [f"× {factor:g}", len(group), group["verdicts"].sum(), group["advice"].sum(),
         f"{group['numbers'].max():.1e}"]
        for factor, group in rows.groupby("factor")
    ]  # fmt: skip
    head = "| numbers of the log | seasons | verdicts that differ | advice that differs "
    return table(head + "| largest difference of a number |", lines)


INTRODUCTION = """# Choices against the truth

`python -m tests.decide.study --worlds {worlds} --seed {seed} --write`
({versions})

Each world is a team's season of five meetings: 12 to 24 drivers, 2 to 6 of the team, 6 to 9 runs
of 12 to 20 laps; four two-level options (one whose effect changes sign with grip: 0.08 s a lap one
way at low, 0.06 and 0.14 s the other way at medium and high; one that does nothing; one that helps
or hurts throughout, 0.03 to 0.12 s a lap; one that acts on mistakes, by 22 to 123 %) and two
numbers (one with a best value inside its range, one that does nothing). Effects vary between
meetings (SD 0, 0.02 or 0.05 s a lap) and drivers (0, 0.01 or 0.03 s). At half and quarter size the
effects are smaller and all errors as they were.

Regret: what a rule's pick loses over a race of 300 s, in s, per thing and grip, at a sixth meeting
at a venue that nobody has seen, against the level that is truly the best there; mean over 400
draws of that venue. ± are standard errors between worlds."""
