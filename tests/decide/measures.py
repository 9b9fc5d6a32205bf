"""What the records of a study come to. Errors are between worlds, whose rows hang together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from tests.decide.record import Record

RULES = (
    "reference", "best laps", "t test on laps", "shown", "shown by grip", "better by grip",
    "advice", "least loss", "knows the effects",
)  # fmt: skip
OTHERS = RULES[:6]


def whole(records: Sequence[Record]) -> list[Record]:
    return [record for record in records if "failure" not in record]


def part(records: Sequence[Record], key: str) -> pd.DataFrame:
    """All rows of one part of the records, with their world."""
    rows = [
        {"world": r["number"], "size": r["size"], "meeting_sd": r["meeting_sd"],
         "team": r.get("team"), "usual": r["usual"], **row}
        for r in whole(records) for row in r[key]
    ]  # fmt: skip
    return pd.DataFrame(rows)


def mean_and_error(values: pd.Series, worlds: pd.Series) -> tuple[float, float]:
    """Mean of all rows, and its standard error with worlds as the sample (ratio estimator)."""
    known = values.notna()
    values, worlds = values[known].astype(float), worlds[known]
    if not len(values):
        return np.nan, np.nan
    mean = float(values.mean())
    sums = (values - mean).groupby(worlds).sum()
    count = len(sums)
    spread = float(np.sqrt((sums**2).sum() * count / max(count - 1, 1)))
    return mean, spread / len(values)


def regret_table(rows: pd.DataFrame) -> pd.DataFrame:
    """A row a rule: mean regret over a race, and what it has over the least expected loss."""
    table = []
    for rule in RULES:
        mean, error = mean_and_error(rows[rule], rows["world"])
        more, paired = mean_and_error(rows[rule] - rows["least loss"], rows["world"])
        table.append({"rule": rule, "mean": mean, "error": error, "more": more, "paired": paired})
    return pd.DataFrame(table).set_index("rule")


def choices(rows: pd.DataFrame) -> pd.DataFrame:
    """A row a situation with numbers: the level of least loss, its chance said and true."""
    known = rows[[all(v is not None for v in loss) for loss in rows["loss"]]].copy()
    pick = [int(np.argmin(loss)) for loss in known["loss"]]
    for name in ("chance", "true_chance", "loss", "true_loss", "gain", "true_gain", "covered"):
        known[name + "_picked"] = [v[p] for v, p in zip(known[name], pick, strict=True)]
    return known


def bins(chosen: pd.DataFrame) -> pd.DataFrame:
    """A row a bin of ten points of the chance that was said: how often it was so."""
    edge = np.minimum(np.floor(chosen["chance_picked"] * 10).astype(int), 9)
    table = []
    for place, rows in chosen.groupby(edge):
        seen, error = mean_and_error(rows["true_chance_picked"], rows["world"])
        said = float(rows["chance_picked"].mean())
        binomial = float(np.sqrt(said * (1 - said) / len(rows)))
        table.append({"from": place / 10, "choices": len(rows), "said": said, "seen": seen,
                      "error": error, "binomial": binomial})  # fmt: skip
    return pd.DataFrame(table)


def log_scores(rows: pd.DataFrame) -> tuple[float, float]:
    """Mean log score of what was said of all levels, and of each level's chance alone by count.

    The base rate knows how many levels there are and how often the reference is best.
    """
    known = rows[[all(v is not None for v in chance) for chance in rows["chance"]]]
    said, base = [], []
    rate = _reference_rates(known)
    for row in known.itertuples():
        true, count = np.array(row.true_chance), len(row.chance)
        # 4000 draws cannot tell a chance below one in 8000.
        said.append(float(true @ np.log(np.clip(row.chance, 1.25e-4, None))))
        share = np.full(count, (1 - rate[count]) / max(count - 1, 1))
        at = [place == row.reference for place in row.places]
        share[at] = rate[count]
        base.append(float(true @ np.log(np.clip(share, 1e-9, None))))
    return float(np.mean(said)), float(np.mean(base))


def _reference_rates(rows: pd.DataFrame) -> dict[int, float]:
    count = [len(places) for places in rows["places"]]
    true = [
        sum(t for t, p in zip(chance, places, strict=True) if p == reference)
        for chance, places, reference in zip(
            rows["true_chance"], rows["places"], rows["reference"], strict=True
        )
    ]
    return dict(pd.Series(true).groupby(count).mean())


def gains(rows: pd.DataFrame) -> pd.DataFrame:
    """A row a level against its reference, for the team: the gain that is said, and the true."""
    table = [
        {"world": row.world, "size": row.size, "role": row.role, "meeting_sd": row.meeting_sd,
         "said": said, "true": true, "covered": covered}
        for row in rows[rows["driver"] < 0].itertuples()
        for place, said, true, covered in zip(
            row.places, row.gain, row.true_gain, row.covered, strict=True
        )
        if place != row.reference and said is not None
    ]  # fmt: skip
    return pd.DataFrame(table)


def switches(rows: pd.DataFrame) -> pd.DataFrame:
    """The crossing options: does the interval hold the true position? An empty end is open."""
    mine = rows[rows["role"].eq("crossing")].copy()
    ends = pd.DataFrame(
        [[np.nan] * 3 if not isinstance(s, list) else [np.nan if v is None else v for v in s]
         for s in mine["switch"]], columns=["at", "from", "to"], index=mine.index,
    )  # fmt: skip
    mine = mine.join(ends)
    low, high = mine["from"].fillna(-np.inf), mine["to"].fillna(np.inf)
    mine["holds"] = (low <= mine["true_switch"]) & (mine["true_switch"] <= high)
    mine["open"] = mine["from"].isna() + mine["to"].isna().astype(int)
    return mine


def best_values(rows: pd.DataFrame) -> pd.DataFrame:
    """The numbers with a best value inside: does the interval hold it?"""
    mine = rows[rows["role"].eq("curved")].copy()
    said = [[np.nan if v is None else v for v in s] for s in mine["said"]]
    mine[["best", "from", "to"]] = said
    low, high = mine["from"].fillna(-np.inf), mine["to"].fillna(np.inf)
    mine["holds"] = (low <= mine["true"]) & (mine["true"] <= high)
    first = [values[0] for values in mine["range"]]
    last = [values[1] for values in mine["range"]]
    inside = np.minimum(high, last) - np.maximum(low, first)
    mine["share"] = inside / (np.array(last) - np.array(first))
    mine["open"] = mine["from"].isna() + mine["to"].isna().astype(int)
    return mine


def test_days(records: Sequence[Record]) -> pd.DataFrame:
    """A row a test day that was driven: what it was expected to bring, and what it brought."""
    driven = [r for r in whole(records) if r.get("test_day", {}).get("tests")]
    return pd.DataFrame(
        [{"world": r["number"], "size": r["size"], **r["test_day"]} for r in driven]
    )
