"""Racing classes: one spelling each, and the one that an analysis is about."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.errors import CallError, UserError
from pipeline.team.sheets import nearest
from pipeline.team.tables import plain, plain_map

if TYPE_CHECKING:
    import pandas as pd


def one_spelling(classes: pd.Series) -> pd.Series:
    """The first spelling for all that differ only in case or spaces."""
    spellings = classes.drop_duplicates()
    first = plain_map(spellings)
    return classes.map({text: first[plain(text)] for text in spellings})


def choose_class(
    classes: pd.Series, name: str | None, told: str = "", changed: Sequence[str] = ()
) -> str:
    """The class that an analysis is about; `classes` holds that of each run.

    name: the caller's word. told: the word of team.toml. changed: classes in which the team changed
    anything; counts where neither is given and there is one such class. Raises CallError, with the
    list, where none can be chosen or an unknown one is named, UserError where team.toml names it.
    """
    counts = classes.value_counts()
    listed = ", ".join(f"{c or '(none named)'}: {n} runs" for c, n in counts.items())
    if name is not None or told:
        wanted = told if name is None else name
        for known in counts.index:
            if plain(known) == plain(wanted):
                return str(known)
        unknown = f"no class '{wanted}' ({listed}). {nearest(wanted, counts.index)}".rstrip()
        raise CallError(unknown) if name is not None else UserError(f"team.toml, class: {unknown}")
    if len(counts) == 1 or len(changed) == 1:
        return str(counts.index[0] if len(counts) == 1 else changed[0])
    where = f"{len(changed)} of them" if changed else "none of them"
    advice = 'Name one with --class, or for good as class = "…" in team.toml'
    if "" in counts.index:
        advice += "; give the others their class in sessions.csv or drivers.csv"
    raise CallError(
        f"the store holds several classes ({listed}), and the team changed settings in {where}. "
        f"{advice}"
    )


def with_changes(runs: pd.DataFrame, factors: Sequence[str]) -> list[str]:
    """Classes in which a driver of the team ran with two settings of a factor.

    runs: team (bool), class, driver, and a column a factor.
    """
    mine = runs[runs["team"]]
    if not factors or not len(mine):
        return []
    several = mine.groupby(["class", "driver"])[list(factors)].nunique().ge(2).any(axis=1)
    return sorted({str(racing_class) for racing_class, _ in several[several].index})


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
