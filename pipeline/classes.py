"""Racing classes: one spelling each, and the one that an analysis is about."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.errors import CallError
from pipeline.sheets import nearest
from pipeline.team_tables import plain, plain_map

if TYPE_CHECKING:
    import pandas as pd


def one_spelling(classes: pd.Series) -> pd.Series:
    """The first spelling for all that differ only in case or spaces."""
    first = plain_map(classes.drop_duplicates())
    return classes.map(lambda text: first[plain(text)])


def choose_class(runs: pd.DataFrame, name: str | None) -> tuple[pd.DataFrame, str, tuple[str, ...]]:
    """Runs with nameless ones put into the only class where that is safe, the class, all classes.

    runs: meeting, class, driver. Raises CallError, with the list, where `name` is needed or
    unknown.
    """
    runs = _nameless(runs)
    counts = runs["class"].value_counts()
    classes = tuple(counts.index)
    if name is None and len(classes) == 1:
        return runs, classes[0], classes
    wanted = [c for c in classes if name is not None and plain(c) == plain(name)]
    if wanted:
        return runs, wanted[0], classes
    listed = ", ".join(f"{c or '(none named)'}: {n} runs" for c, n in counts.items())
    if name is None:
        advice = "Name one with --class"
        if "" in classes:
            advice += "; give the others their class in sessions.csv or drivers.csv"
        raise CallError(f"the store holds several classes ({listed}). {advice}")
    raise CallError(f"no class '{name}' ({listed}). {nearest(name, classes)}".rstrip())


def _nameless(runs: pd.DataFrame) -> pd.DataFrame:
    """Runs without a class belong to the only one that is named, if the same people drive it.

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
