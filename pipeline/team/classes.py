"""Racing classes: one spelling each, and the one that an analysis is about."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.errors import CallError
from pipeline.team.sheets import nearest
from pipeline.team.tables import plain, plain_map

if TYPE_CHECKING:
    import pandas as pd


def one_spelling(classes: pd.Series) -> pd.Series:
    """The first spelling for all that differ only in case or spaces."""
    spellings = classes.drop_duplicates()
    first = plain_map(spellings)
    return classes.map({text: first[plain(text)] for text in spellings})


def choose_class(classes: pd.Series, name: str | None) -> str:
    """The class that an analysis is about; `classes` holds that of each run.

    Raises CallError, with the list, where there are several and none or an unknown one is named.
    """
    counts = classes.value_counts()
    if name is None and len(counts) == 1:
        return str(counts.index[0])
    wanted = [c for c in counts.index if name is not None and plain(c) == plain(name)]
    if wanted:
        return str(wanted[0])
    listed = ", ".join(f"{c or '(none named)'}: {n} runs" for c, n in counts.items())
    if name is None:
        advice = "Name one with --class"
        if "" in counts.index:
            advice += "; give the others their class in sessions.csv or drivers.csv"
        raise CallError(f"the store holds several classes ({listed}). {advice}")
    raise CallError(f"no class '{name}' ({listed}). {nearest(name, counts.index)}".rstrip())


def with_only_class(runs: pd.DataFrame) -> pd.DataFrame:
    """Runs without a class belong to the only one that is named, if the same people drive it.

    runs: meeting, class, driver.

    Not where one meeting has both: there the exports tell them apart, so they are two.
    """
    nameless = runs["class"] == ""
    named = runs.loc[~nameless, "class"].unique()
    if len(named) != 1 or not nameless.any():
        return runs
    if set(runs.loc[nameless, "meeting"]) & set(runs.loc[~nameless, "meeting"]):
        return runs
    known = runs.loc[nameless, "driver"].isin(runs.loc[~nameless, "driver"])
    if known.mean() < 0.5:
        return runs
    return runs.assign(**{"class": runs["class"].where(~nameless, named[0])})
