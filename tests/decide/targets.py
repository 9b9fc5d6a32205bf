"""What the study is held to, and how far it came."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
import pandas as pd

from tests.decide import measures
from tests.decide.measures import mean_and_error
from tests.decide.record import Record

Line = tuple[str, str, str, str]  # what, target, found, whether it is met
STATES = ("met", "within two errors", "**not met**")


def verdict(excess: float, error: float = 0.0) -> str:
    """Whether what is over the target is nothing, or no more than chance."""
    return STATES[0 if excess <= 0 else 1 if excess <= 2 * error else 2]


def against_targets(records: Sequence[Record]) -> list[Line]:
    parts: list[Callable[[Sequence[Record]], Iterator[Line]]] = [
        of_regret, of_chances, of_gradients, of_switches, of_best_values, of_tests, of_units,
    ]  # fmt: skip
    return [line for part in parts for line in part(records)]


def of_regret(records: Sequence[Record]) -> Iterator[Line]:
    rows = measures.part(records, "regrets")
    for size, group in rows.groupby("size", sort=False):
        table = measures.regret_table(group)
        least = table.loc["least loss", "mean"]
        if size == "full":
            for rule, most in (("shown", 1 / 5), ("shown by grip", 1 / 5), ("best laps", 1 / 3)):
                share = least / table.loc[rule, "mean"]
                what = f"regret against '{rule}', full size"
                yield what, f"≤ {most:.2f}", f"{share:.2f}", verdict(share - most)
            continue
        others = table.loc[list(measures.OTHERS)]
        worst = (others["more"] / others["paired"]).min()
        what = f"regret below every simple rule's, {size} size, in paired errors"
        yield what, "≥ −2", f"{worst:.1f}", verdict(-2 - worst)


def of_chances(records: Sequence[Record]) -> Iterator[Line]:
    rows = measures.choices(measures.part(records, "choices"))
    yield "choices", "≥ 20000", f"{len(rows)}", verdict(20_000 - len(rows))
    off, error = mean_and_error(rows["chance_picked"] - rows["true_chance_picked"], rows["world"])
    yield (
        "chances, said − seen",
        "within 1 point",
        points(off, error),
        verdict(abs(off) - 0.01, error),
    )
    bins = measures.bins(rows)
    full = bins[bins["choices"] >= 200]
    away = (full["said"] - full["seen"]).abs()
    allowed = np.maximum(0.05, 2.6 * full["binomial"])
    states = [verdict(*pair) for pair in zip(away - allowed, full["error"], strict=True)]
    found = f"{states.count(STATES[0])} of {len(states)}"
    worst = max(states, key=STATES.index, default=STATES[0])
    yield "bins within 5 points or 2.6 binomial errors", "all", found, worst
    said, base = measures.log_scores(rows)
    yield "log score above the base rate's", "> 0", f"{said - base:.3f}", verdict(base - said)


def points(share: float, error: float) -> str:
    return f"{100 * share:.1f} ± {100 * error:.1f}"


def of_gradients(records: Sequence[Record]) -> Iterator[Line]:
    rows = measures.part(records, "gradients")
    rows["found"] = rows["p_value"] < 0.05
    for name, wanted in (("at most 0.02 s", [0.0, 0.02]), ("0.05 s", [0.05])):
        group = rows[rows["meeting_sd"].isin(wanted)]
        none = group[~group["role"].eq("crossing")]
        share, error = mean_and_error(none["found"], none["world"])
        what = f"gradient of an option without, meetings vary by {name}"
        yield what, "≤ 5.5 %", points(share, error), verdict(share - 0.055, error)
        some = group[group["role"].eq("crossing") & group["usual"] & group["size"].eq("full")]
        share, error = mean_and_error(some["found"], some["world"])
        what = f"gradient of the option that changes sign, meetings vary by {name}"
        yield what, "≥ 80 %", points(share, error), verdict(0.8 - share, error)


def of_switches(records: Sequence[Record]) -> Iterator[Line]:
    rows = measures.switches(measures.part(records, "gradients"))
    inside = rows[rows["true_switch"].abs() <= 1]
    yield covers("switch-overs hold the true position", inside)


def of_best_values(records: Sequence[Record]) -> Iterator[Line]:
    rows = measures.best_values(measures.part(records, "bests"))
    for outcome in ("pace", "race"):
        mine = rows[rows["outcome"].eq(outcome) & rows["grip"].eq("")]
        yield covers(f"best values hold the true one, {outcome}", mine)


def covers(what: str, rows: pd.DataFrame) -> Line:
    share, error = mean_and_error(rows["holds"], rows["world"])
    outside = max(0.93 - share, share - 0.97)
    return what, "93 to 97 %", points(share, error), verdict(outside, error)


def of_tests(records: Sequence[Record]) -> Iterator[Line]:
    rows = measures.test_days(records)
    if not len(rows):
        return
    more, error = mean_and_error(rows["brought"] - rows["worth"], rows["world"])
    expected = float(rows["worth"].mean())
    found = f"{expected:.3f} expected, {expected + more:.3f} brought, difference ± {error:.3f}"
    state = verdict(abs(more) - max(0.2 * expected, 2 * error))
    yield f"gain of {len(rows)} test days", "20 % or two errors", found, state


def of_units(records: Sequence[Record]) -> Iterator[Line]:
    rows = [row for record in measures.whole(records) for row in record.get("units", [])]
    differ = sum(row["verdicts"] + row["advice"] for row in rows)
    if rows:
        yield f"words in other units, {len(rows)} times", "the same", f"{differ}", verdict(differ)
